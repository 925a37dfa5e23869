"""Counts of an encoder: the turn that a counter is in, and what cannot be a count. Pure, and without a memory.

A counter of 16 bits begins again after 65 536 counts, as -1, 0, 1 or as 65 535, 0, 1. The travel of a valve is
a small part of that, so each count has one place near the preset: no turn has to be remembered, nothing jumps
where the counter rolls over, and the same count is the same lift after a restart and in a replay.
"""

from typing import TYPE_CHECKING, NamedTuple, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

N = TypeVar("N", float, "NDArray[np.float64]")

# of a turn, to either side of the preset: what lies farther is refused long before it looks like something nearer
_USED = 0.25


class Counting(NamedTuple):
    """``slope``: quantity for one count, negative where the count falls. ``turn``: counts until it begins again, or 0.

    ``preset``: the count at the zero of the quantity, where the counter also begins after it was switched on or reset.
    """

    slope: float
    preset: float
    turn: float

    def unrolled(self, count: N) -> N:
        """The same count in the turn around the preset: from half a turn below to half a turn above."""
        if self.turn == 0.0:
            return count
        low = self.preset - self.turn / 2
        return (count - low) % self.turn + low

    def fault(self, count: float) -> str:
        """Why this is no count of such a counter; empty when it may be one."""
        if count != count // 1:
            return f"{count:g} is no count: it is not a whole number"
        if self.turn and not -self.turn / 2 <= count < self.turn:
            return f"{count:.0f} is no count of a counter that rolls over at {self.turn:.0f}: correct rolls_over_at"
        return ""


def check_travel(turn: int, per_unit: float, unit: str, low: float | None, high: float | None) -> None:
    """Raise ``ValueError`` where a counter could roll over unnoticed within the travel."""
    if low is None or high is None:
        raise ValueError("a counter that rolls over needs low and high, the ends of the travel")
    if max(abs(low), abs(high)) * per_unit > _USED * turn:
        raise ValueError(
            f"a counter that rolls over at {turn} begins again after {turn / per_unit:.4g} {unit}: low and high may be "
            f"{_USED * turn / per_unit:.4g} {unit} from zero at most; correct them, or use a wider counter"
        )
