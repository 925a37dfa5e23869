"""How numbers are rounded and printed."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.sheet.figures import (
    NOT_GIVEN,
    decimals_for,
    lift_decimals,
    number,
    printed_unit,
    quantity,
    significant,
    with_interval,
)
from acquire.units import INCH_M

VALUES = st.floats(-1e5, 1e5, allow_nan=False)
HALF_WIDTHS = st.floats(1e-4, 1e4, allow_nan=False)


def _digits(text: str) -> int:
    return len(text.replace(".", "").lstrip("0").rstrip("0")) or 1


def _plain(text: str) -> Decimal:
    return Decimal(text.replace("\N{MINUS SIGN}", "-"))


def test_the_worked_example_of_the_guide_to_uncertainty_comes_out() -> None:
    # JCGM 100:2008, 7.2.6: y = 10,057 62 ohm with 27 milliohm is rounded to 10,058 ohm (from memory)
    assert with_interval(10.05762, 0.027) == ("10.058", "0.027")


@pytest.mark.parametrize(
    ("value", "half_width", "printed"),
    [
        (254.3712, 0.83, ("254.4", "0.8")),
        (254.3712, 1.2649, ("254.4", "1.3")),
        (254.3712, 4.3, ("254", "5")),  # 4 would be 7 % too small
        (62.4049, 0.31, ("62.4", "0.3")),
        (62.4049, 0.96, ("62.4", "1.0")),
        (2254.0, 35.0, ("2250", "40")),
        (-0.04, 0.21, ("\N{MINUS SIGN}0.04", "0.21")),
        (-0.001, 0.2, ("0.00", "0.20")),
    ],
)
def test_a_flow_and_its_interval_share_their_last_place(
    value: float, half_width: float, printed: tuple[str, str]
) -> None:
    assert with_interval(value, half_width) == printed


@given(VALUES, HALF_WIDTHS)
def test_an_interval_has_at_most_two_digits_and_is_never_five_percent_too_small(
    value: float, half_width: float
) -> None:
    _, printed = with_interval(value, half_width)
    assert _digits(printed) <= 2
    assert float(_plain(printed)) >= 0.95 * half_width * (1 - 1e-12)
    assert float(_plain(printed)) <= 1.34 * half_width


@given(VALUES, HALF_WIDTHS)
def test_a_flow_ends_at_the_interval_s_last_place(value: float, half_width: float) -> None:
    flow, printed = with_interval(value, half_width)
    places = -int(_plain(printed).as_tuple().exponent)
    assert -int(_plain(flow).as_tuple().exponent) == places
    # rounding the flow moves it by less than the interval itself
    assert abs(float(_plain(flow)) - value) <= 0.5 * half_width + 1e-9


@pytest.mark.parametrize("missing", [None, math.nan, math.inf])
def test_a_missing_number_is_said_in_words(missing: float | None) -> None:
    assert with_interval(missing, 1.0) == (NOT_GIVEN, NOT_GIVEN)
    assert with_interval(250.0, missing) == ("250", NOT_GIVEN)
    assert number(missing, 2) == NOT_GIVEN
    assert quantity(number(missing, 2), "cfm") == NOT_GIVEN


def test_an_interval_of_zero_is_not_claimed() -> None:
    assert with_interval(250.123, 0.0) == ("250.1", NOT_GIVEN)


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_a_printed_number_is_never_farther_than_half_its_last_place(value: float, decimals: int) -> None:
    assert abs(float(_plain(number(value, decimals))) - value) <= 0.5000001 * 10.0**-decimals + 1e-6


def test_no_minus_zero_is_printed() -> None:
    assert number(-0.001, 2) == "0.00"


def test_decimals_follow_the_unit() -> None:
    assert decimals_for(2.5, "inH2O", "conventional") == 2
    assert decimals_for(2.5, "kPa", "conventional") == 3
    assert decimals_for(2.5, "Pa", "conventional") == 0


def test_every_lift_of_a_schedule_is_printed_truly() -> None:
    assert lift_decimals([0.1 * INCH_M, 0.2 * INCH_M], "in", "conventional") == 3
    assert lift_decimals([0.3125 * INCH_M], "in", "conventional") == 4
    assert lift_decimals([0.1 * INCH_M, 0.8 * INCH_M], "mm", "conventional") == 2


def test_significant_digits_drop_needless_zeros() -> None:
    assert significant(28.0000001, 5) == "28"
    assert significant(101.325, 6) == "101.325"
    assert significant(0.0, 3) == "0"


def test_units_are_printed_as_people_write_them() -> None:
    assert printed_unit("inH2O") == "inH₂O"
    assert printed_unit("l/s") == "l/s"
