"""A kept budget as lines for a person: what each component does to the stated flow, the largest first."""

import math
from dataclasses import dataclass

from acquire.budget.difference import contributions_m3_s
from acquire.values import Component, FlowResult


@dataclass(frozen=True, slots=True)
class Line:
    """One component: ``contribution_m3_s`` signed, one standard uncertainty of the stated flow.

    ``sensitivity``: m3/s per the input's own SI unit; None for an input known
    exactly. ``share`` of the variance, 0 to 1.
    """

    component: Component
    contribution_m3_s: float
    sensitivity: float | None
    share: float


def budget_lines(flow: FlowResult) -> list[Line]:
    """The lines of a budget, the largest first."""
    contributions = contributions_m3_s(flow)
    variance = math.fsum(c * c for c in contributions)
    lines = [
        Line(
            its,
            c,
            c / its.standard_uncertainty if its.standard_uncertainty > 0.0 else None,
            c * c / variance if variance > 0.0 else 0.0,
        )
        for its, c in zip(flow.budget, contributions, strict=True)
    ]
    return sorted(lines, key=lambda line: -line.share)


def common_and_own_m3_s(lines: list[Line]) -> tuple[float, float]:
    """Standard uncertainty of what all readings of this bench share, and of what is this reading's own."""
    common = math.hypot(*(its.contribution_m3_s for its in lines if its.component.shared))
    return common, math.hypot(*(its.contribution_m3_s for its in lines if not its.component.shared))


# what a shop can do about a component, by the beginning of its name, the longest first
_CURES = (
    ("reading", "the flow's own scatter: a longer wait, or a smaller settling.wanted"),
    ("test pressure, zero", "the test pressure's zero: read it again sooner, set a narrower zero.pressure_shift_limit"),
    ("test pressure, digit", "the test pressure's last digit: a gauge with finer digits"),
    ("test pressure", "the test pressure gauge: calibrate it, or fit a better one"),
    ("meter pressure, zero", "the meter gauge's zero: read it sooner, narrow zero.pressure_shift_limit, smaller range"),
    ("meter pressure, digit", "the meter gauge's last digit: a smaller meter range or finer digits"),
    ("meter pressure", "the meter's gauge: a smaller meter range, or calibrate the gauge"),
    ("lift indicator, zero", "where lift zero is: set it with care, set a narrower zero.lift_shift_limit"),
    ("lift indicator, digit", "the lift indicator's last digit: one with finer digits"),
    ("lift indicator", "the lift indicator: calibrate it, or fit a better one"),
    ("slope over lift", "setting the lift: come nearer to the step, and take the steps below it too"),
    ("leakage (not measured", "leakage that was not measured: run a blank plate"),
    ("leakage", "the leakage: seal better, and run the blank plate again for longer"),
    ("meter temperature (not measured", "the meter's air: fit a thermometer at the meter"),
    ("meter temperature", "the meter's thermometer: calibrate it"),
    ("room", "the room's air: better instruments for it, or enter it more often"),
    ("port between held", "stating the flow away from the test pressure that was held: hold the stated one"),
    ("port at the reference", "stating the flow in reference air: take reference air nearer to the room's"),
    ("bend of the meter's root", "a meter read near zero: a smaller meter range"),
    ("meter", "the meter itself: a better calibration or certificate of it"),
)


def cure(name: str) -> str:
    """What to improve where this component is the largest."""
    return next((text for start, text in _CURES if name.startswith(start)), f"the {name}")
