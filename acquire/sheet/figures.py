"""How a number is printed: rounding, units, and what stands for a missing one.

An interval is rounded after EA-4/02 M:2022 clause 6.3 (wording from memory):
at most two significant digits, the value to the same place, and where
rounding would bring the interval down by more than 5 %, up instead.
"""

import math
from collections.abc import Iterable
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from acquire.units import Water, factor, from_si

NOT_GIVEN = "not given"
MINUS = "\N{MINUS SIGN}"
NBSP = "\N{NO-BREAK SPACE}"

# the finest step worth printing, in SI
PRESSURE_STEP_PA = 2.5
BAROMETER_STEP_PA = 35.0
LIFT_STEP_M = 2.54e-5

_PRINTED_UNIT = {
    "inH2O": "inH₂O",
    "inH2O@conventional": "inH₂O",
    "inH2O@4C": "inH₂O (4 °C)",
    "inH2O@60F": "inH₂O (60 °F)",
    "inH2O@68F": "inH₂O (68 °F)",
    "inHg@0C": "inHg (0 °C)",
    "inHg@60F": "inHg (60 °F)",
    "C": "°C",
    "F": "°F",
    "m3/s": "m³/s",
    "m3/h": "m³/h",
    "cc": "cm³",
}


def printed_unit(unit: str) -> str:
    """A unit's name as it is printed: ``inH2O`` becomes ``inH₂O``."""
    return _PRINTED_UNIT.get(unit, unit)


def quantity(text: str, unit: str) -> str:
    """A printed number with its unit, never parted at a line's end; "not given" stays so."""
    return text if text == NOT_GIVEN else f"{text}{NBSP}{unit}"


def signed(text: str) -> str:
    """A printed number with its sign; zero has none."""
    return text if text[0] not in "0123456789" or not text.strip("0.") else f"+{text}"


def _fixed(value: Decimal, exponent: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    rounded = value.quantize(Decimal(1).scaleb(exponent), rounding=rounding)
    return rounded if exponent <= 0 else rounded.quantize(Decimal(1))


def _text(value: Decimal) -> str:
    if value == 0:
        value = abs(value)  # no "-0.0" on paper
    return f"{value:f}".replace("-", MINUS)


def with_interval(value: float | None, half_width: float | None) -> tuple[str, str]:
    """A value and its 95 % half-width, both rounded to the same place.

    Two significant digits where the half-width begins with 1 or 2, else one.
    What is missing, not finite, or a half-width that is not above zero, is
    printed as "not given"; the value then keeps four significant digits.
    """
    if value is None or not math.isfinite(value):
        return NOT_GIVEN, NOT_GIVEN
    if half_width is None or not math.isfinite(half_width) or half_width <= 0:
        return significant(value, 4), NOT_GIVEN
    exact = Decimal(repr(float(half_width)))
    first = exact.adjusted()
    leading = int(exact.scaleb(-first))
    exponent = first - 1 if leading < 3 else first
    rounded = _fixed(exact, exponent)
    if rounded < exact * Decimal("0.95"):
        rounded = _fixed(exact, exponent, ROUND_CEILING)
    return _text(_fixed(Decimal(repr(float(value))), exponent)), _text(rounded)


def number(value: float | None, decimals: int) -> str:
    """A value with a fixed number of decimals, or "not given"."""
    if value is None or not math.isfinite(value):
        return NOT_GIVEN
    return _text(_fixed(Decimal(repr(float(value))), -decimals))


def significant(value: float, digits: int) -> str:
    """A finite value with so many significant digits, trailing zeros dropped."""
    if value == 0:
        return "0"
    exact = Decimal(repr(float(value)))
    rounded = _fixed(exact, exact.adjusted() - digits + 1)
    text = _text(rounded)
    return text.rstrip("0").rstrip(".") if "." in text else text


def decimals_for(step_si: float, unit: str, water: Water) -> int:
    """The decimals that show ``step_si`` (SI) in ``unit``."""
    return max(0, math.ceil(-math.log10(step_si / factor(unit, water)) - 0.01))


def lift_decimals(lifts_m: Iterable[float], unit: str, water: Water) -> int:
    """The fewest decimals that print every lift of a schedule truly, two more at most."""
    least = decimals_for(LIFT_STEP_M, unit, water)
    values = [from_si(lift, unit, water) for lift in lifts_m]
    for decimals in range(least, least + 2):
        if all(abs(value - round(value, decimals)) <= 1e-6 * abs(value) for value in values):
            return decimals
    return least + 2
