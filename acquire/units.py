"""Trade units at the edges, SI inside: the one place where units are converted.

Factors: NIST SP 811 appendix B.8 where they are not exact by definition. The
inch of water names the water: conventional (1000 kg/m3, 9.80665 m/s2), 4 C,
60 F or 68 F. ``inH2O`` alone means the definition that the bench's
configuration names; ``inH2O@60F`` and its like say it themselves.
"""

import math
import re
from typing import Literal

Kind = Literal[
    "pressure", "length", "flow", "mass_flow", "temperature", "humidity", "area", "volume", "time", "ratio",
    "angle", "speed",
]  # fmt: skip
Water = Literal["conventional", "4C", "60F", "68F"]

INCH_M = 0.0254
CFM_M3_S = 4.719474432e-4
STANDARD_GRAVITY_M_S2 = 9.80665
INH2O_PA: dict[Water, float] = {
    "conventional": 249.08891,
    "4C": 249.082,
    "60F": 248.84,
    # 998.2072 kg/m3 at 20 C (IAPWS-95); SP 811 does not list this one
    "68F": 998.2072 * STANDARD_GRAVITY_M_S2 * INCH_M,
}

_FACTORS: dict[str, tuple[Kind, float]] = {
    "Pa": ("pressure", 1.0),
    "hPa": ("pressure", 100.0),
    "mbar": ("pressure", 100.0),
    "kPa": ("pressure", 1000.0),
    "bar": ("pressure", 1e5),
    "psi": ("pressure", 6894.757293168361),
    "inHg": ("pressure", 3386.389),
    "inHg@0C": ("pressure", 3386.38),
    "inHg@60F": ("pressure", 3376.85),
    "mmHg": ("pressure", 133.322387415),
    "inH2O@conventional": ("pressure", INH2O_PA["conventional"]),
    "inH2O@4C": ("pressure", INH2O_PA["4C"]),
    "inH2O@60F": ("pressure", INH2O_PA["60F"]),
    "inH2O@68F": ("pressure", INH2O_PA["68F"]),
    "m": ("length", 1.0),
    "mm": ("length", 1e-3),
    "cm": ("length", 1e-2),
    "in": ("length", INCH_M),
    "thou": ("length", INCH_M / 1000),
    "ft": ("length", 0.3048),
    "m3/s": ("flow", 1.0),
    "m3/h": ("flow", 1 / 3600),
    "l/s": ("flow", 1e-3),
    "l/min": ("flow", 1e-3 / 60),
    "cfm": ("flow", CFM_M3_S),
    "kg/s": ("mass_flow", 1.0),
    "g/s": ("mass_flow", 1e-3),
    "kg/h": ("mass_flow", 1 / 3600),
    "lb/min": ("mass_flow", 0.45359237 / 60),
    "m2": ("area", 1.0),
    "mm2": ("area", 1e-6),
    "cm2": ("area", 1e-4),
    "in2": ("area", INCH_M**2),
    "m3": ("volume", 1.0),
    "cc": ("volume", 1e-6),
    "in3": ("volume", INCH_M**3),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "h": ("time", 3600.0),
    "d": ("time", 86400.0),
    "1": ("ratio", 1.0),
    "%": ("ratio", 0.01),
    "%RH": ("humidity", 0.01),
    "deg": ("angle", math.pi / 180),
    "rad": ("angle", 1.0),
    "m/s": ("speed", 1.0),
    "ft/s": ("speed", 0.3048),
}

# unit -> (scale to K, offset in K)
_TEMPERATURES: dict[str, tuple[float, float]] = {
    "K": (1.0, 0.0),
    "C": (1.0, 273.15),
    "F": (1 / 1.8, 459.67 / 1.8),
}

SI_UNIT: dict[Kind, str] = {
    "pressure": "Pa",
    "length": "m",
    "flow": "m3/s",
    "mass_flow": "kg/s",
    "temperature": "K",
    "humidity": "1",
    "area": "m2",
    "volume": "m3",
    "time": "s",
    "ratio": "1",
    "angle": "rad",
    "speed": "m/s",
}


class UnitError(ValueError):
    """A unit that is unknown, or measures another kind of quantity."""


def units_of(kind: Kind) -> list[str]:
    """The units in which a quantity of this kind may be given."""
    if kind == "temperature":
        return list(_TEMPERATURES)
    names = [name for name, (its_kind, _) in _FACTORS.items() if its_kind == kind]
    return ["inH2O", *names] if kind == "pressure" else names


def kind_of(unit: str) -> Kind:
    """What a unit measures. Raises :class:`UnitError` for an unknown one."""
    if unit == "inH2O":
        return "pressure"
    if unit in _TEMPERATURES:
        return "temperature"
    if unit in _FACTORS:
        return _FACTORS[unit][0]
    raise UnitError(f"unit {unit!r} is not known")


def factor(unit: str, water: Water = "conventional") -> float:
    """SI units in one of ``unit`` (a difference, for temperatures)."""
    if unit == "inH2O":
        return INH2O_PA[water]
    if unit in _TEMPERATURES:
        return _TEMPERATURES[unit][0]
    kind_of(unit)
    return _FACTORS[unit][1]


def to_si(value: float, unit: str, water: Water = "conventional") -> float:
    """``value`` in ``unit`` as SI (Pa, m, m3/s, kg/s, K, fraction)."""
    if unit in _TEMPERATURES:
        scale, offset = _TEMPERATURES[unit]
        return value * scale + offset
    return value * factor(unit, water)


def from_si(value: float, unit: str, water: Water = "conventional") -> float:
    """An SI ``value`` in ``unit``: the inverse of :func:`to_si`."""
    if unit in _TEMPERATURES:
        scale, offset = _TEMPERATURES[unit]
        return (value - offset) / scale
    return value / factor(unit, water)


_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-z%1][\w%/@]*)\s*")


def parse_quantity(text: str, kind: Kind, water: Water = "conventional") -> float:
    """``"28 inH2O"`` to SI. Raises :class:`UnitError` with what is accepted."""
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"{text!r} is not a number with a unit, such as {_EXAMPLE[kind]!r}")
    unit = match.group(2)
    try:
        its_kind = kind_of(unit)
    except UnitError:
        its_kind = None
    if its_kind != kind:
        raise UnitError(f"{text!r} is not a {kind.replace('_', ' ')}: use one of {', '.join(units_of(kind))}")
    value = to_si(float(match.group(1)), unit, water)
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is too large")
    return value


def parse_difference(text: str, kind: Kind, water: Water = "conventional") -> float:
    """``"0.9 F"`` as a difference, in SI: 0.5 K. Raises :class:`UnitError`."""
    value = parse_quantity(text, kind, water)
    match = _QUANTITY.fullmatch(text)
    assert match is not None  # it was read above
    return value - to_si(0.0, match.group(2), water)


_EXAMPLE: dict[Kind, str] = {
    "pressure": "28 inH2O",
    "length": "0.300 in",
    "flow": "250 cfm",
    "mass_flow": "0.14 kg/s",
    "temperature": "68 F",
    "humidity": "45 %RH",
    "area": "2.5 in2",
    "volume": "62 cc",
    "time": "60 s",
    "ratio": "0.3 %",
    "angle": "45 deg",
    "speed": "90 m/s",
}
