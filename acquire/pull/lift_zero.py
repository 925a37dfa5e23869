"""Was the lift indicator zeroed with the valve open? Pure.

Whoever zeroes an indicator in the middle of a pull, or whose indicator forgets
its zero with its power, would be sent to a lift that is wrong by all of the
old one. The reading jumps to zero, and the flow shows that the valve did not.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from statistics import median

from acquire.units import INCH_M
from acquire.values import Mark

LOST, FOUND = "lift zero lost", "lift zero found"
"""Kinds of marks: they stay on the pull, and tell a later session where it stands."""
JUMP_TOLERANCES = 10.0
"""The reading jumps to zero by more than so many lift tolerances."""
DECIDE_US = 1_000_000
"""A valve that really shut has lost far more than ``STAYED`` of its flow by then, on any bench that can be read."""
STAYED = 0.85
OPEN = 0.3
"""Share of the flow before, above which the valve is plainly not closed."""
FLOWING = 0.25
"""Share of the step's test pressure from which on the flow can tell anything."""
_SAMPLES = 3


def lost_mark(step: int, before_m: float) -> Mark:
    """``step`` counts from 1."""
    said = f"{before_m / INCH_M:.4f} in ({before_m * 1e3:.3f} mm)"
    return Mark(LOST, f"The lift indicator lost its zero at step {step}: it fell from {said} with the valve open.")


def found_mark(step: int) -> Mark:
    """``step`` counts from 1."""
    return Mark(FOUND, f"The lift indicator's zero was read again before step {step} was taken.")


def still_lost(marks: Iterable[Mark]) -> bool:
    """Whether a pull's marks end with a zero that was not found again."""
    kinds = [mark.kind for mark in marks if mark.kind in (LOST, FOUND)]
    return kinds[-1:] == [LOST]


class LiftZero:
    """Watches the lift as the indicator sends it (before any zero is subtracted), beside the effective area."""

    def __init__(self, tolerance_m: float) -> None:
        self.tolerance_m = tolerance_m
        self._lifts: deque[float] = deque(maxlen=_SAMPLES)
        self._areas: deque[float] = deque(maxlen=5)
        self._jumped_us: int | None = None
        self._since = 0
        self._flowed = False
        self.before_m = 0.0
        self._area_before_m2: float | None = None

    def push(self, t_us: int, lift_m: float, area_m2: float | None, pressure_share: float) -> bool:
        """One sample of the lift; true once when the indicator must have been zeroed with the valve open.

        ``pressure_share``: test pressure over that of the step.
        """
        if self._jumped_us is None:
            self._look(t_us, lift_m, pressure_share)
        elif abs(lift_m - self.before_m) <= 2 * self.tolerance_m:
            self._jumped_us = None  # a stray reading
        self._lifts.append(lift_m)
        if area_m2 is not None:
            self._areas.append(area_m2)
        if self._jumped_us is None:
            return False
        self._since += 1
        if t_us - self._jumped_us < DECIDE_US or self._since < _SAMPLES:
            return False
        self._jumped_us = None
        return not self._flowed or self._share() > STAYED

    @property
    def jumped(self) -> bool:
        """Whether the reading fell to zero, and it is not yet known what that meant."""
        return self._jumped_us is not None

    def passes(self, lifts_m: Sequence[float], areas_m2: Iterable[float | None]) -> bool:
        """Take in samples of which none can be, or follow, a jump to zero; False, and none taken in, where one can."""
        if self._jumped_us is not None or not all(abs(lift_m) > self.tolerance_m for lift_m in lifts_m):
            return False
        self._lifts.extend(lifts_m)
        self._areas.extend(area_m2 for area_m2 in areas_m2 if area_m2 is not None)
        return True

    def says_open(self, pressure_share: float) -> bool:
        """Whether the flow now says that the valve is not closed."""
        return pressure_share >= FLOWING and self._share() > OPEN

    def _look(self, t_us: int, lift_m: float, pressure_share: float) -> None:
        if not self._lifts or abs(lift_m) > self.tolerance_m:
            return
        last_m = self._lifts[-1]
        if last_m - lift_m <= JUMP_TOLERANCES * self.tolerance_m:
            return
        self._flowed = pressure_share >= FLOWING and bool(self._areas)
        # without a flow to tell, only a jump out of standing still is no valve that was shut by hand
        stood = len(self._lifts) == _SAMPLES and max(self._lifts) - min(self._lifts) <= self.tolerance_m
        if self._flowed or stood:
            self._jumped_us, self._since, self.before_m = t_us, 0, last_m
            self._area_before_m2 = median(self._areas) if self._flowed else None
            self._areas.clear()

    def _share(self) -> float:
        """Area now over the area before the jump; 0 where either is not known."""
        if not self._areas or not self._area_before_m2:
            return 0.0
        return median(self._areas) / self._area_before_m2
