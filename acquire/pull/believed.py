"""The readings of the air that count: one that jumps is doubted until the next. Pure."""

import math

import numpy as np

from acquire.series import Floats

# room air does not jump by more from one reading to the next: the first one that does is doubted
_JUMP = {"room_pressure": 200.0, "room_temperature": 1.0, "room_humidity": 0.05, "meter_temperature": 1.0}


class Believed:
    """One quantity of the air. A spoilt digit is over with the next reading, a change is not."""

    def __init__(self, channel: str, *, typed: bool) -> None:
        # what somebody typed was meant
        self._most = math.inf if typed else _JUMP.get(channel, math.inf)
        self._value: float | None = None
        self._doubts = False

    def push(self, value: float) -> float:
        """What counts from this reading on."""
        if self._value is not None and not self._doubts and abs(value - self._value) > self._most:
            self._doubts = True
            return self._value
        self._doubts = False
        self._value = value
        return value

    def push_many(self, values: Floats) -> Floats:
        """What counts from each of these readings on, shape (n,), at least one."""
        before = values[0] if self._value is None else self._value
        steps = values - np.append(before, values[:-1])
        if self._doubts or bool(np.any(np.abs(steps) > self._most)):
            return np.array([self.push(value) for value in values.tolist()])
        self._value = float(values[-1])
        return values
