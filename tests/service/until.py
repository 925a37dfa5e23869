"""Waiting for a condition, never for a time."""

import threading
import time
from collections.abc import Callable


def until(condition: Callable[[], object], what: str, deadline_s: float = 20.0) -> None:
    """Return as soon as ``condition`` holds; fail after ``deadline_s``."""
    end = time.monotonic() + deadline_s
    pause = threading.Event()
    while not condition():
        assert time.monotonic() < end, f"not within {deadline_s} s: {what}"
        pause.wait(0.005)
