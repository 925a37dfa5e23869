"""Where a difference lies, and signs of separated flow."""

from dataclasses import replace

import pytest

from acquire.comparison.regions import by_region, region_of, unrest
from acquire.comparison.verdict import Difference, judge
from acquire.units import INCH_M
from tests.sheet.example import point, pull

DIAMETER = 2.02 * INCH_M


def test_borders_are_an_eighth_and_a_quarter_of_the_valve_diameter() -> None:
    # geometry: curtain pi D L equals the head's pi D^2/4 at L/D = 0.25
    assert [region_of(x * DIAMETER, DIAMETER) for x in (0.05, 0.124, 0.126, 0.249, 0.251)] == [
        "low",
        "low",
        "middle",
        "middle",
        "high",
    ]
    with pytest.raises(ValueError, match="valve diameter"):
        region_of(0.005, 0.0)


def test_a_difference_at_low_lift_is_found_there_and_nowhere_else() -> None:
    lifts = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]
    values = [5.0, 4.0, 0.1, -0.1, 0.0, 0.2]
    differences = [Difference(lift * INCH_M, value, 0.5, 40.0, 1.0) for lift, value in zip(lifts, values, strict=True)]
    low, middle, high = by_region(judge(differences), [100.0] * 6, DIAMETER)
    assert (low.region, low.higher, middle.higher, high.higher) == ("low", "A", "", "")
    assert low.mean_rel == pytest.approx(0.045)
    assert "seat" in low.points_to


def test_a_flow_that_falls_or_turns_noisy_with_lift_is_pointed_out() -> None:
    points = [point("intake", step, lift) for step, lift in enumerate((0.3, 0.4, 0.5, 0.6))]
    assert not unrest(pull().points[:6]).any
    loud = replace(points[3], capture=replace(points[3].capture, noise_m2=points[3].capture.area_m2 * 0.009))
    less = replace(points[2], flow=replace(points[2].flow, effective_area_m2=points[1].flow.effective_area_m2 * 0.97))
    found = unrest([points[0], points[1], less, loud])
    assert found.falls_after_m == pytest.approx((0.4 * INCH_M,))
    assert found.noisy_at_m == pytest.approx((0.6 * INCH_M,))
