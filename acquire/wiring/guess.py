"""What a number may measure, from its unit and its size: proposals that a person confirms. Pure."""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from acquire.units import UnitError, factor, from_si, kind_of, to_si
from acquire.values import CHANNEL_KINDS

# how instruments write units, in lower case without blanks, points and degree signs
_UNITS = {
    "inh2o": "inH2O", "inh20": "inH2O", "inwc": "inH2O", "inwg": "inH2O", "iwc": "inH2O", '"h2o': "inH2O",
    '"wc': "inH2O", "pa": "Pa", "hpa": "hPa", "mbar": "mbar", "mb": "mbar", "kpa": "kPa", "bar": "bar",
    "psi": "psi", "inhg": "inHg", '"hg': "inHg", "mmhg": "mmHg", "torr": "mmHg", "mm": "mm", "in": "in",
    "inch": "in", '"': "in", "c": "C", "degc": "C", "f": "F", "degf": "F", "k": "K", "%": "%RH", "%rh": "%RH",
    "rh": "%RH", "rh%": "%RH", "um": "",
}  # fmt: skip

NAMES = {
    "test_pressure": "test pressure",
    "meter_pressure": "meter pressure",
    "lift": "valve lift",
    "room_pressure": "room air pressure (barometer)",
    "room_temperature": "room air temperature",
    "room_humidity": "room air humidity",
    "meter_temperature": "air temperature at the meter",
}
"""The channels as they are asked for, in this order."""

_PLAIN_UNIT = {"pressure": "inH2O", "length": "in", "temperature": "F", "humidity": "%RH"}


def unit_of(text: str) -> str:
    """Our name for a unit as an instrument writes it; empty when it is none that a bench measures in."""
    return _UNITS.get(re.sub(r"[\s.°]", "", text).lower(), "")


def plain_unit(channel: str) -> str:
    """What to propose where the line names no unit."""
    return "inHg" if channel == "room_pressure" else _PLAIN_UNIT[CHANNEL_KINDS[channel]]


# how the words before a number begin
_WORDS = (
    (("baro", "atm", "pabs"), ("room_pressure",)),
    (("rh", "hum"), ("room_humidity",)),
    (("lift", "pos", "disp"), ("lift",)),
    (("t", "temp"), ("room_temperature", "meter_temperature")),
    (("p", "dp", "press", "test"), ("test_pressure", "meter_pressure")),
    (("q", "flow", "meter"), ("meter_pressure",)),
)


def meaning(word: str, unit: str, values: Sequence[float], taken: Collection[str]) -> str:
    """The channel that a number most likely is, or empty; never one of ``taken``.

    ``word`` stands before it in the line; its unit says more, where there is one.
    """
    if not values:
        return ""
    middle = sorted(values)[len(values) // 2]
    for channel in _likely(unit, middle) if unit else _named(word):
        if channel not in taken:
            return channel
    return ""


def _named(word: str) -> tuple[str, ...]:
    bare = word.lower().rstrip("0123456789_")
    for beginnings, channels in _WORDS:
        if any(bare == one or (len(one) > 2 and bare.startswith(one)) for one in beginnings):
            return channels
    return ()


def _likely(unit: str, middle: float) -> tuple[str, ...]:
    kind = kind_of(unit)
    if kind == "pressure":
        # the weather moves between 870 and 1085 hPa at sea level, and shops lie up to 3,500 m high
        absolute = 60e3 < to_si(middle, unit) < 110e3
        return ("room_pressure",) if absolute else ("test_pressure", "meter_pressure")
    return {
        "length": ("lift",),
        "temperature": ("room_temperature", "meter_temperature"),
        "humidity": ("room_humidity",),
    }.get(kind, ())


def fits(channel: str, unit: str) -> bool:
    """Whether a channel may be given in ``unit``."""
    try:
        return kind_of(unit) == CHANNEL_KINDS[channel]
    except UnitError:
        return False


@dataclass(frozen=True, slots=True)
class Span:
    """The range and the cautious 95 % accuracy to propose for a channel, in SI units of its kind."""

    low: float
    high: float
    accuracy: float


# wide enough for any bench and narrow enough for a wrong unit to show; accuracies are those of cheap
# instruments, so that who does not know better states too much and not too little (common practice, no source)
_SPANS = {
    "test_pressure": Span(-500.0, 15000.0, 75.0),
    "meter_pressure": Span(-500.0, 5000.0, 25.0),
    "lift": Span(-0.00254, 0.0305, 0.00005),
    "room_pressure": Span(60e3, 110e3, 200.0),
    "room_temperature": Span(253.15, 328.15, 1.0),
    "room_humidity": Span(0.0, 1.0, 0.05),
    "meter_temperature": Span(253.15, 353.15, 1.0),
}


def span_in(channel: str, unit: str) -> Span:
    """What to propose for a channel, in ``unit``, in round numbers."""
    its = _SPANS[channel]
    low, high = (from_si(value, unit) for value in (its.low, its.high))
    return Span(_round(low), _round(high), _round(its.accuracy / factor(unit)))


def _round(value: float) -> float:
    return float(f"{value:.2g}")
