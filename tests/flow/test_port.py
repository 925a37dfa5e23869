"""Valve geometry against Heywood, and coefficients on a named area."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.port.geometry import Valve, coefficient, curtain_area_m2, head_area_m2, lift_over_diameter

VALVE = Valve(0.050, 0.002, math.radians(45), 0.044, 0.008)


# Heywood, Internal Combustion Engine Fundamentals, eq. 6.7 to 6.9, worked by hand: lift mm, area mm2
@pytest.mark.parametrize(
    ("lift", "area"), [(1, 103.2970), (2, 208.8155), (4, 426.5168), (8, 953.7205), (12, 1470.2654), (20, 1470.2654)]
)
def test_minimum_area_follows_heywood_s_three_stages(lift: float, area: float) -> None:
    assert VALVE.minimum_area_m2(lift / 1000) * 1e6 == pytest.approx(area, rel=1e-6)


@pytest.mark.parametrize("joint", [0.0040000, 0.0115427])
def test_the_stages_meet(joint: float) -> None:
    assert VALVE.minimum_area_m2(joint - 1e-9) == pytest.approx(VALVE.minimum_area_m2(joint + 1e-9), rel=1e-5)


@given(st.floats(0, 0.02), st.floats(1e-6, 0.005))
def test_the_passage_never_narrows_as_the_valve_opens(lift: float, more: float) -> None:
    assert VALVE.minimum_area_m2(lift + more) >= VALVE.minimum_area_m2(lift) - 1e-12


def test_curtain_and_head_are_equal_at_a_quarter() -> None:
    # geometry: pi D L = pi D^2/4 at L/D 0.25
    assert curtain_area_m2(0.0125, 0.05) == pytest.approx(head_area_m2(0.05), rel=1e-15)
    assert lift_over_diameter(0.0125, 0.05) == 0.25


# 28 inH2O, 101.325 kPa, 20 C dry, Heywood's relation by hand: (effective cm2, lift in, on curtain, on head)
@pytest.mark.parametrize(
    ("area", "lift", "curtain", "head"),
    [(11.39021, 0.5, 0.556407, 0.550898), (11.39021 * 180 / 250, 0.3, 0.667689, 0.396647)],
)
def test_coefficients_agree_with_a_worked_example(area: float, lift: float, curtain: float, head: float) -> None:
    diameter, lift_m = 2.02 * 0.0254, lift * 0.0254
    on_curtain = coefficient(area * 1e-4, curtain_area_m2(lift_m, diameter), "curtain")
    on_head = coefficient(area * 1e-4, head_area_m2(diameter), "valve head")
    assert (on_curtain.value, on_head.value) == pytest.approx((curtain, head), rel=1e-5)
    assert (on_curtain.on, on_curtain.flag, on_head.flag) == ("curtain", "", "")


def test_a_coefficient_above_one_says_what_to_check() -> None:
    flagged = coefficient(2e-4, 1e-4, "curtain")
    assert "above 1 on the curtain area: check the valve diameter, the lift" in flagged.flag
    assert "seat and port" in coefficient(2e-4, 1e-4, "minimum").flag
    assert "leakage" in coefficient(-1e-6, 1e-4, "valve head").flag
    assert "not a number" in coefficient(math.nan, 1e-4, "valve head").flag


def test_geometry_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        curtain_area_m2(0.01, 0.0)
    with pytest.raises(ValueError, match="curtain area must be above zero"):
        coefficient(1e-4, 0.0, "curtain")
    with pytest.raises(ValueError, match="radians"):
        Valve(0.05, 0.002, 45.0, 0.044, 0.008)
    with pytest.raises(ValueError, match="stem"):
        Valve(0.05, 0.002, 0.8, 0.044, 0.044)
    with pytest.raises(ValueError, match="seat must be narrower"):
        Valve(0.05, 0.03, 0.8, 0.044, 0.008)
    assert VALVE.minimum_area_m2(0.0) == 0.0
