"""An encoder that may have lost its count: it is somewhere else than a valve could be by now. Pure.

What an encoder counts is a distance from wherever it was switched on or reset, and no reading says so. A reset
with the valve standing still is seen by ``lift_zero``; here is what happens while the valve moves, and in a silence.
"""

from acquire.pull.lift_zero import JUMP_TOLERANCES, LOST
from acquire.pull.signals import FRESH_US
from acquire.units import INCH_M
from acquire.values import Mark

# no hand turns a valve faster for as long as between two readings; one that snaps shut costs a look at its zero
_FASTEST_M_S = 0.3 * INCH_M


class CountWatch:
    """Fed with every lift of an encoder as it was sent, in metres, without the zero subtracted."""

    def __init__(self, tolerance_m: float) -> None:
        self._far_m = JUMP_TOLERANCES * tolerance_m
        self._before: tuple[int, float] | None = None
        # what is said, and where the lift was, until the next reading tells whether it was only a spoilt digit
        self._suspected: tuple[str, float] | None = None

    def push(self, t_us: int, lift_m: float, step: int) -> Mark | None:
        """One reading; the mark for a count that cannot be trusted any more. ``step`` counts from 1."""
        before, self._before = self._before, (t_us, lift_m)
        suspected, self._suspected = self._suspected, None
        if suspected is not None:
            said, was_m = suspected
            return Mark(LOST, f"{said} at step {step}.") if abs(lift_m - was_m) > self._far_m else None
        if before is None or abs(lift_m - before[1]) <= self._far_m:
            return None
        gone_s, moved_m = (t_us - before[0]) * 1e-6, abs(lift_m - before[1])
        if t_us - before[0] > FRESH_US:
            said = f"The lift counter was silent for {gone_s:.0f} s, came back at {_said(lift_m)} after"
            self._suspected = f"{said} {_said(before[1])} and may have lost its count", before[1]
        elif abs(lift_m) <= self._far_m and moved_m > _FASTEST_M_S * gone_s:
            self._suspected = f"The lift counter fell from {_said(before[1])} to its start at once", before[1]
        return None


def _said(lift_m: float) -> str:
    return f"{lift_m / INCH_M:.4f} in ({lift_m * 1e3:.3f} mm)"
