"""The one clock, passed in: nothing else in the project reads the time."""

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Protocol


class Clock(Protocol):
    """Monotonic microseconds for judging, UTC for the records, and sleeping."""

    def t_us(self) -> int:
        """Microseconds, never going back."""
        ...

    def utc(self) -> datetime:
        """Wall time, for records only."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait for that many seconds of this clock."""
        ...


def _ticking() -> Callable[[], int]:
    """A monotonic clock that goes on while the machine sleeps: what was asleep has then been away, and shows it.

    Linux counts sleep in CLOCK_BOOTTIME alone, macOS in CLOCK_MONOTONIC_RAW, Windows in its performance counter.
    """
    name = {"linux": "CLOCK_BOOTTIME", "darwin": "CLOCK_MONOTONIC_RAW"}.get(sys.platform, "")
    number = getattr(time, name, None) if name else None
    return time.perf_counter_ns if number is None else partial(time.clock_gettime_ns, number)


_awake_or_not_ns = _ticking()


class SystemClock:
    """The machine's own clock; ``speed`` > 1 makes its seconds pass faster.

    A faster clock serves a simulated bench that runs faster than life: the
    instruments' seconds and the judge's seconds then stay the same.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"clock speed {speed} must be above zero")
        self.speed = speed
        self._start_ns = _awake_or_not_ns()

    def t_us(self) -> int:
        return int((_awake_or_not_ns() - self._start_ns) * self.speed) // 1000

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds / self.speed)


class ManualClock:
    """A clock that moves only when told: for tests and for replay."""

    def __init__(self, t_us: int = 0, utc: datetime | None = None) -> None:
        self._t_us = t_us
        self._start_utc = utc or datetime(2026, 1, 1, tzinfo=UTC)

    def t_us(self) -> int:
        return self._t_us

    def utc(self) -> datetime:
        return self._start_utc + timedelta(microseconds=self._t_us)

    def sleep(self, seconds: float) -> None:
        self.advance(seconds)

    def advance(self, seconds: float) -> None:
        """Move on by ``seconds``."""
        self._t_us += round(seconds * 1e6)
