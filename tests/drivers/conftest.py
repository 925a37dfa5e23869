"""No test of the driver layer may leave a thread behind."""

import threading
from collections.abc import Iterator

import pytest

from tests.drivers.far_end import wait_for


@pytest.fixture(autouse=True)
def no_thread_is_left_behind() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    wait_for(lambda: set(threading.enumerate()) <= before, "every thread that the test started has ended")
