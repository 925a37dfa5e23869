"""Two ranges of the meter over the same step: whether they agree.

What both readings share (transducers, air, leakage) cancels in their
difference; the calibrations of the two ranges do not.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from acquire.budget.difference import FlowDifference, difference
from acquire.budget.influences import DENSITY_FORMULA, LEAKAGE, METER_AS_ROOM, METER_TEMPERATURE
from acquire.values import FlowResult, Mark, Point

# what belongs to the bench and not to a range; each with its parts, such as "meter pressure, digit"
_OF_THE_BENCH = (
    "test pressure",
    "meter pressure",
    "room pressure",
    "room temperature",
    "room humidity",
    "lift indicator",
    "isentropic exponent",
    DENSITY_FORMULA,
    METER_TEMPERATURE,
    METER_AS_ROOM,
    LEAKAGE,
)


@dataclass(frozen=True, slots=True)
class RangesCompared:
    """The last takes of one step on two ranges: ``difference`` is first minus second, in the order they were taken."""

    step: int
    first: Point
    second: Point
    difference: FlowDifference

    @property
    def agree(self) -> bool:
        """Whether the 95 % interval of the difference holds zero."""
        return abs(self.difference.value_m3_s) <= self.difference.half_width_95_m3_s


def ranges_compared(points: Iterable[Point]) -> tuple[RangesCompared, ...]:
    """Every pair of ranges that a step of one pull was taken on, in the order of the steps.

    Of several takes on one range the last counts. A reading of no flow is
    compared with nothing.
    """
    last: dict[int, dict[str, Point]] = {}
    for point in sorted(points, key=lambda p: (p.step, p.take)):
        if point.flow.flow_m3_s > 0.0:
            last.setdefault(point.step, {})[point.meter_range] = point
    found = []
    for step, by_range in last.items():
        taken = sorted(by_range.values(), key=lambda p: p.take)
        for first, second in combinations(taken, 2):
            its = difference(first.flow, second.flow, _common(first.flow))
            found.append(RangesCompared(step, first, second, its))
    return tuple(found)


def disagreement(points: Iterable[Point]) -> Mark | None:
    """The mark for a pull whose ranges disagree; None when they agree or only one was used."""
    apart = [its for its in ranges_compared(points) if not its.agree]
    if not apart:
        return None
    said = ", ".join(
        f"{its.first.meter_range} reads {its.difference.relative * 100:+.1f} % of {its.second.meter_range} "
        f"at step {its.step + 1} (± {its.difference.half_width_95_rel * 100:.1f} %)"
        for its in apart
    )
    return Mark("meter ranges", f"The meter's ranges disagree: {said}. Check their calibrations.")


def _common(flow: FlowResult) -> set[str]:
    return {its.name for its in flow.budget if any(_is_part(its.name, name) for name in _OF_THE_BENCH)}


def _is_part(name: str, of: str) -> bool:
    return name == of or name.startswith(f"{of}, ")
