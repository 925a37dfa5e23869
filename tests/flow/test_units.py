"""Unit factors against NIST SP 811 and definitions; round trips for all units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.units import UnitError, Water, factor, from_si, kind_of, parse_quantity, to_si, units_of

# NIST SP 811 appendix B.8 where printed there, else exact by definition; (unit, SI value, relative tolerance)
FACTORS = [
    ("in", 0.0254, 1e-15),
    ("thou", 2.54e-5, 1e-12),
    ("ft", 0.3048, 1e-15),
    ("cfm", 4.719474e-4, 2e-7),
    ("cfm", 0.3048**3 / 60, 1e-12),
    ("psi", 6894.757293, 1e-9),
    ("inHg", 3386.389, 2e-6),
    ("inHg@0C", 3386.38, 2e-6),
    ("inHg@60F", 3376.85, 2e-6),
    ("inH2O@conventional", 249.08891, 1e-9),
    ("inH2O@4C", 249.082, 3e-6),
    ("inH2O@60F", 248.84, 3e-6),
    # 998.2072 kg/m3 at 20 C, IAPWS-95
    ("inH2O@68F", 248.6423, 1e-6),
    ("mmHg", 133.322387415, 1e-9),
    ("lb/min", 7.5598728e-3, 1e-7),
    ("deg", 1.745329e-2, 1e-6),
    ("ft/s", 0.3048, 1e-15),
]


@pytest.mark.parametrize(("unit", "si", "tolerance"), FACTORS)
def test_factors_agree_with_sp_811(unit: str, si: float, tolerance: float) -> None:
    assert factor(unit) == pytest.approx(si, rel=tolerance)


# 28 inH2O by each water: arithmetic from the SP 811 factors
@pytest.mark.parametrize(
    ("water", "pa"), [("conventional", 6974.489), ("4C", 6974.30), ("60F", 6967.52), ("68F", 6961.99)]
)
def test_an_inch_of_water_is_the_configured_water(water: Water, pa: float) -> None:
    assert parse_quantity("28 inH2O", "pressure", water) == pytest.approx(pa, abs=0.01)
    assert parse_quantity(f"28 inH2O@{water}", "pressure") == pytest.approx(pa, abs=0.01)


# exact: K = (F + 459.67) / 1.8 = C + 273.15
@pytest.mark.parametrize(
    ("text", "kelvin"), [("60 F", 288.7055555556), ("68 F", 293.15), ("95 F", 308.15), ("20 C", 293.15), ("1 K", 1.0)]
)
def test_temperatures_have_an_offset(text: str, kelvin: float) -> None:
    assert parse_quantity(text, "temperature") == pytest.approx(kelvin, abs=1e-9)


def test_a_difference_of_temperatures_has_no_offset() -> None:
    assert 18 * factor("F") == pytest.approx(10.0, rel=1e-12)


ALL_UNITS = [
    unit
    for kind in (
        "pressure",
        "length",
        "flow",
        "mass_flow",
        "temperature",
        "humidity",
        "area",
        "volume",
        "time",
        "ratio",
    )
    for unit in units_of(kind)
]


@given(st.sampled_from(ALL_UNITS), st.floats(-1e6, 1e6), st.sampled_from(["conventional", "4C", "60F", "68F"]))
def test_a_value_comes_back_from_si(unit: str, value: float, water: Water) -> None:
    assert from_si(to_si(value, unit, water), unit, water) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.sampled_from(ALL_UNITS), st.floats(0.001, 1000))
def test_written_quantities_are_read_as_what_they_say(unit: str, value: float) -> None:
    assert parse_quantity(f"{value!r} {unit}", kind_of(unit)) == to_si(value, unit)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("28", "not a number with a unit"),
        ("28 in", "not a pressure"),
        ("28 inh2o", "not a pressure"),
        ("nan Pa", "not a number with a unit"),
        ("1e999 Pa", "too large"),
        ("", "not a number with a unit"),
    ],
)
def test_a_bad_quantity_is_said_in_one_sentence(text: str, part: str) -> None:
    with pytest.raises(UnitError, match=part) as caught:
        parse_quantity(text, "pressure")
    assert "\n" not in str(caught.value)


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(UnitError, match="not known"):
        to_si(1.0, "furlong")
    assert math.isfinite(to_si(1.0, "ft"))
