"""Where a difference lies, by lift over valve diameter, and what such a place usually points to.

The borders are geometry: at a quarter of the valve's diameter the curtain is
as large as the head's own area, below an eighth it is less than half of it.
What each region points to is common practice, no source.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.comparison.verdict import CurveVerdict, LiftVerdict
from acquire.values import Point

Region = Literal["low", "middle", "high"]

LOW_BELOW = 0.125
HIGH_ABOVE = 0.25

POINTS_TO: dict[Region, str] = {
    "low": "seat and valve angles, chamber wall near the valve (shrouding)",
    "middle": "the bowl under the valve, throat and short side of the turn",
    "high": "the port's section and its narrowest place",
}

# the flow's own scatter at one lift against that of all lifts together: above this it is another flow
_NOISY = 2.0


@dataclass(frozen=True, slots=True)
class RegionFinding:
    """What the lifts of one region show together.

    ``mean_rel`` is the mean difference A - B over the mean of both flows;
    ``higher`` names who was found higher at one lift or more, empty when no
    difference was shown; ``both`` at different lifts of the region.
    """

    region: Region
    lifts_m: tuple[float, ...]
    mean_rel: float
    higher: Literal["", "A", "B", "both"]
    points_to: str


@dataclass(frozen=True, slots=True)
class Unrest:
    """Signs of separated flow in one head: the lifts at which it falls, or turns noisy."""

    falls_after_m: tuple[float, ...]
    noisy_at_m: tuple[float, ...]

    @property
    def any(self) -> bool:
        """Whether there is a sign at all."""
        return bool(self.falls_after_m or self.noisy_at_m)


def region_of(lift_m: float, valve_diameter_m: float) -> Region:
    """Low, middle or high. Raises ``ValueError`` for a diameter that is not above zero."""
    if not valve_diameter_m > 0.0:
        raise ValueError("the valve diameter must be above zero: give it with the head")
    ratio = lift_m / valve_diameter_m
    return "low" if ratio < LOW_BELOW else "high" if ratio > HIGH_ABOVE else "middle"


def by_region(
    verdict: CurveVerdict, mean_flow_m3_s: Sequence[float], valve_diameter_m: float
) -> tuple[RegionFinding, ...]:
    """The regions that were flowed; ``mean_flow_m3_s`` of both heads at each lift of the verdict."""
    found = []
    pairs = list(zip(verdict.at, mean_flow_m3_s, strict=True))
    for region in POINTS_TO:
        inside = [(at, flow) for at, flow in pairs if region_of(at.difference.lift_m, valve_diameter_m) == region]
        if inside:
            share = sum(at.difference.value for at, _ in inside) / sum(flow for _, flow in inside)
            lifts = tuple(at.difference.lift_m for at, _ in inside)
            found.append(RegionFinding(region, lifts, share, _who([at for at, _ in inside]), POINTS_TO[region]))
    return tuple(found)


def _who(inside: Sequence[LiftVerdict]) -> Literal["", "A", "B", "both"]:
    a = any(at.verdict == "A higher" for at in inside)
    b = any(at.verdict == "B higher" for at in inside)
    return "both" if a and b else "A" if a else "B" if b else ""


def unrest(points: Sequence[Point]) -> Unrest:
    """Where the flow of one head falls with lift beyond doubt, or scatters more than at its other lifts.

    Scatter is the flow signal's own relative standard deviation, as it was
    judged when the point was taken; points by rising lift.
    """
    lifted = sorted((p for p in points if p.step_lift_m is not None), key=lambda p: p.step_lift_m or 0.0)
    falls = []
    for here, there in itertools.pairwise(lifted):
        drop = here.flow.effective_area_m2 - there.flow.effective_area_m2
        # what both share does not make a fall: the readings' own scatter must not explain it
        doubt = (here.capture.standard_uncertainty_m2**2 + there.capture.standard_uncertainty_m2**2) ** 0.5
        if drop > 2.0 * doubt:
            falls.append(here.step_lift_m or 0.0)
    noise = [p.capture.noise_m2 / p.capture.area_m2 if p.capture.area_m2 > 0 else 0.0 for p in lifted]
    usual = sorted(noise)[len(noise) // 2] if noise else 0.0
    noisy = [p.step_lift_m or 0.0 for p, its in zip(lifted, noise, strict=True) if usual > 0 and its > _NOISY * usual]
    return Unrest(tuple(falls), tuple(noisy))
