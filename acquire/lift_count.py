"""A counted lift that came back from a silence somewhere else: its counter may have been without supply. Pure.

A counter that begins again from its preset is seen by ``lift_zero``; one that was also moved before it was heard
again is not. What an encoder counts is a distance from wherever it was switched on, and says nothing of that.
"""

from acquire.lift_zero import JUMP_TOLERANCES, LOST
from acquire.signals import FRESH_US
from acquire.units import INCH_M
from acquire.values import Mark


class CountSilence:
    """Fed with every lift of an encoder as it was sent, in metres, without the zero subtracted."""

    def __init__(self, tolerance_m: float) -> None:
        self._far_m = JUMP_TOLERANCES * tolerance_m
        self._before: tuple[int, float] | None = None

    def push(self, t_us: int, lift_m: float, step: int) -> Mark | None:
        """One sample; the mark for a count that cannot be trusted any more. ``step`` counts from 1."""
        before, self._before = self._before, (t_us, lift_m)
        if before is None or t_us - before[0] <= FRESH_US or abs(lift_m - before[1]) <= self._far_m:
            return None
        return Mark(
            LOST,
            f"The lift counter was silent for {(t_us - before[0]) / 1e6:.0f} s at step {step} and came back at "
            f"{_said(lift_m)} after {_said(before[1])}: it may have lost its count.",
        )


def _said(lift_m: float) -> str:
    return f"{lift_m / INCH_M:.4f} in ({lift_m * 1e3:.3f} mm)"
