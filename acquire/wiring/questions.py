"""What each number measures, in which unit, over which range and how well: a few questions with a proposal each."""

import re
from collections.abc import Callable, Collection, Mapping, Sequence

from acquire.units import UnitError, kind_of, parse_quantity, units_of
from acquire.values import CHANNEL_KINDS
from acquire.wiring.config_text import Channel, Range
from acquire.wiring.guess import NAMES, fits, meaning, plain_unit, span_in
from acquire.wiring.talk import Talk, agreed, ask_until

_GUESSED = "a cautious guess: put in the 95 % figure of its certificate"
_METER_PERCENT = 3.0
_RANGE = re.compile(r"([-+]?[\d.]+)\s*(?:to|\.\.|,|\s)\s*([-+]?[\d.]+)", re.IGNORECASE)


def choices() -> str:
    """What can be measured, by number."""
    rows = [f"  {i}  {said}" for i, said in enumerate(NAMES.values(), 1)]
    return "\n".join([*rows, "  0  none of these     ?  look at it again, after moving something"])


def ask_channel(
    talk: Talk,
    said: str,
    look: Callable[[], Sequence[float]],
    unit: str,
    resolution: float,
    taken: Collection[str],
) -> tuple[str, dict[str, object], dict[str, str]] | None:
    """What one number is: the channel, its keys, their comments. None for a number that is not used.

    ``look`` gives its numbers as received, the newest last; ``unit`` is what the line says (or empty), ``taken``
    what is measured already.
    """
    values = look()
    talk.say(f"\n{said}: {_span(values, unit)}")
    names = list(NAMES)
    likely = meaning(said, unit, values, taken)

    def which(answer: str) -> str:
        nonlocal values
        if answer == "?":
            values = look()
            raise ValueError(f"now {_span(values, unit)}")
        if answer == "0":
            return ""
        if not answer.isdigit() or int(answer) > len(names):
            raise ValueError(f"A number from 0 to {len(names)}.")
        name = names[int(answer) - 1]
        if name in taken:
            raise ValueError(f"The {NAMES[name]} is measured already.")
        return name

    channel = ask_until(talk, "  it measures", str(names.index(likely) + 1) if likely else "0", which)
    if not channel:
        return None
    its_unit = unit if fits(channel, unit) else _ask_unit(talk, channel)
    span_of = span_in(channel, its_unit)

    def ends(answer: str) -> tuple[float, float]:
        match = _RANGE.fullmatch(answer)
        low, high = (float(match[1]), float(match[2])) if match else (0.0, 0.0)
        if not low < high:
            raise ValueError("Two numbers, the lower first, such as -2 to 60.")
        return low, high

    low, high = ask_until(talk, f"  range ({its_unit})", f"{span_of.low:g} to {span_of.high:g}", ends)
    if values and not low <= values[-1] <= high:
        talk.say(f"  It reads {values[-1]:g} {its_unit} now, outside of that range: such readings are not used.")

    def number(answer: str) -> float:
        if not re.fullmatch(r"\d*\.?\d+", answer):
            raise ValueError("A number, as the certificate says it.")
        return float(answer)

    accuracy = ask_until(talk, f"  accuracy, 95 % ({its_unit})", f"{span_of.accuracy:g}", number)
    keys: dict[str, object] = {"unit": its_unit, "low": low, "high": high, "accuracy": accuracy}
    if resolution:
        keys["resolution"] = resolution
    return channel, keys, {"accuracy": _GUESSED} if accuracy == span_of.accuracy else {}


def _span(values: Sequence[float], unit: str) -> str:
    if not values:
        return "no number came"
    span = f"{min(values):g} to {max(values):g}" if min(values) != max(values) else f"{values[-1]:g}"
    return f"{span} {unit}".rstrip()


def _ask_unit(talk: Talk, channel: str) -> str:
    kind = CHANNEL_KINDS[channel]

    def unit(answer: str) -> str:
        try:
            right = kind_of(answer) == kind
        except UnitError:
            right = False
        if not right:
            raise ValueError(f"One of {', '.join(units_of(kind_of(plain_unit(channel))))}.")
        return answer

    return ask_until(talk, "  unit", plain_unit(channel), unit)


def ask_ranges(talk: Talk) -> tuple[Range, ...]:
    """The meter's ranges from their certificates; none when the first answer is empty."""
    talk.say(
        "\nThe flow meter's ranges, from their certificates: an area such as 600 mm2, or a\n"
        "flow at a pressure such as 60 cfm at 8 inH2O. An empty answer ends."
    )
    found: list[Range] = []
    while True:
        keys = ask_until(talk, f"  range {len(found) + 1}", "", _range)
        if keys is None:
            return tuple(found)
        percent = ask_until(talk, "  its accuracy, 95 % (%)", f"{_METER_PERCENT:g}", _percent)
        lowest, highest = ask_until(talk, "  pressures it may be read at", "0.2 to 16 inH2O", _pressures)
        rest = {"accuracy": f"{percent:g} %", "lowest_pressure": lowest, "highest_pressure": highest}
        comments = {"accuracy": _GUESSED} if percent == _METER_PERCENT else {}
        found.append(Range(f"range {len(found) + 1}", {**keys, **rest}, comments))


def _range(answer: str) -> Mapping[str, object] | None:
    if not answer:
        return None
    flow, at, pressure = answer.partition(" at ")
    try:
        if at:
            parse_quantity(flow, "flow")
            parse_quantity(pressure, "pressure")
            return {"flow": flow.strip(), "at_pressure": pressure.strip()}
        parse_quantity(answer, "area")
    except UnitError as error:
        raise ValueError(f"{error}.") from error
    return {"area": answer}


def _percent(answer: str) -> float:
    text = answer.rstrip("% ")
    if not re.fullmatch(r"\d*\.?\d+", text) or not 0 < float(text) <= 20:
        raise ValueError("A number above 0, at most 20.")
    return float(text)


def _pressures(answer: str) -> tuple[str, str]:
    match = re.fullmatch(r"([\d.]+)\s*to\s*([\d.]+)\s*(\S+)", answer)
    try:
        if match:
            quantities = [f"{match[i]} {match[3]}" for i in (1, 2)]
            if parse_quantity(quantities[0], "pressure") < parse_quantity(quantities[1], "pressure"):
                return quantities[0], quantities[1]
    except ValueError as error:
        raise ValueError(f"{error}.") from error
    raise ValueError("Two pressures, the lower first, such as 0.2 to 16 inH2O.")


def ask_typed(talk: Talk, channels: Sequence[str]) -> list[Channel]:
    """For each channel that nothing measures: whether a person types it."""
    found = []
    for channel in channels:
        if not agreed(talk, f"\nNothing measures the {NAMES[channel]}. Will you read it and type it?"):
            continue
        unit = _ask_unit(talk, channel)
        span = span_in(channel, unit)
        finest = "0.001" if channel == "lift" and unit == "in" else f"{span.accuracy / 5:.1g}"

        def readable(answer: str) -> str:
            if not re.fullmatch(r"\d*\.?\d+", answer) or not float(answer) > 0:
                raise ValueError("A number above zero.")
            return answer

        finest = ask_until(talk, f"  you can read it to ({unit})", finest, readable)
        keys = {
            "unit": unit,
            "low": span.low,
            "high": span.high,
            "reading": f"{finest} {unit}",
            "accuracy": span.accuracy,
        }
        found.append(Channel(channel, keys, {"accuracy": _GUESSED}))
    return found
