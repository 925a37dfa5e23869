"""An instrument without a port: a person reads it, or a device types its number as a keyboard does.

Pure: text to a number, and what can be said of the channel. Nothing here is
read from a port; whoever takes the text hands it on as a sample.
"""

import re
from typing import Any

from pydantic import model_validator

from drivers.base import ChannelSettings, Instrument, InstrumentSettings, Parser
from drivers.errors import SettingsError
from drivers.sample import Sample

CHANNELS = ("lift", "test_pressure", "meter_pressure")
"""What can be typed, in the order in which it is asked for: the readings of a point."""

_READING = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*(\S+)\s*", re.ASCII)
_NUMBER = re.compile(r"([+-]?) *(\d+[.,]?\d*|[.,]\d+) *((?:[A-Za-z%].*)?)", re.ASCII)

# the unshifted digit row, from 0 to 9, of layouts that need Shift for a digit: what arrives when a device
# presses the keys of another layout's digits (keyboard charts of the operating systems, from memory)
LAYOUTS = {
    "French": "à&é\"'(-è_ç",
    "Belgian": "à&é\"'(§è!ç",
    "Czech": "é+ěščřžýáí",
    "Slovak": "é+ľščťžýáí",
}
# where the point's or the comma's key of another layout lies on these
_POINTS = ".,;:"
# signs that a finger hits by itself: one alone is a slip and no digit
_SLIPS = frozenset("+-'\"(_!")


class TypedChannel(ChannelSettings):
    """A channel whose number is typed: the quantity itself, in ``unit``.

    ``reading``: how finely it can be read, such as ``"0.05 inH2O"``, in the channel's own unit. A reading
    and its zero are both rounded to it. ``low`` and ``high`` are needed: they catch a slip of the finger.
    """

    reading: str

    @model_validator(mode="before")
    @classmethod
    def _readability(cls, table: Any) -> Any:
        if not isinstance(table, dict) or "reading" not in table:
            return table
        for key in ("resolution", "zero_resolution", "scale", "offset", "signal", "field"):
            if key in table:
                raise ValueError(f"{key} does not belong to a typed channel: leave it out")
        match = _READING.fullmatch(str(table["reading"]))
        if match is None or match[2] != table.get("unit") or not float(match[1]) > 0:
            raise ValueError(
                f"reading = {table['reading']!r} must be a number above zero in the channel's own unit, "
                f"such as '0.05 {table.get('unit', 'inH2O')}'"
            )
        finest = float(match[1])
        return table | {"resolution": finest, "zero_resolution": finest}

    @model_validator(mode="after")
    def _range(self) -> "TypedChannel":
        if self.low is None or self.high is None or not self.low < self.high:
            raise ValueError("a typed channel needs low and high, the ends of its scale, so that a slip is noticed")
        return self


class TypedSettings(InstrumentSettings):
    """Keys of an instrument that is read by a person."""

    port: str = ""
    channels: dict[str, TypedChannel]  # type: ignore[assignment]

    @model_validator(mode="after")
    def _no_port(self) -> "TypedSettings":
        if self.port:
            raise ValueError("port does not belong to a typed instrument: leave it out")
        if not self.channels:
            raise ValueError("channels: at least one is needed")
        return self


class Typed(Instrument):
    """Water columns, a dial, a device that types: its numbers come as text."""

    Settings = TypedSettings
    settings: TypedSettings
    typed = True

    def __init__(self, name: str, settings: TypedSettings) -> None:
        if not settings.source:
            settings = settings.model_copy(update={"source": f"typed://{name}"})
        super().__init__(name, settings)
        for channel in settings.channels:
            if channel not in CHANNELS:
                raise SettingsError(
                    f"channels.{channel}: only {', '.join(CHANNELS)} can be typed; "
                    "for the room's air there are [room] and 'steadydraw air'"
                )

    def parser(self) -> Parser:
        """There is none: nothing arrives as bytes."""
        raise SettingsError(f"{self.name} is typed and has no port to be read")

    def sample(self, channel: str, t_us: int, number: float) -> Sample:
        """The number that was typed, as every other sample."""
        return Sample(channel, t_us, number, self.settings.said_source)


def read_text(text: str) -> tuple[float, str]:
    """Number and unit (empty where none was given) of what was typed.

    A comma is a decimal sign; a sign may stand before the number; full-width
    characters count as their plain ones. A number typed with the unshifted
    digit row of :data:`LAYOUTS` is read if only one number can be meant.
    Raises ``ValueError`` with one sentence.
    """
    plain = "".join(map(_plain, text)).strip()
    match = _NUMBER.fullmatch(plain)
    if match is not None:
        return float(match[1] + match[2].replace(",", ".")), match[3].strip()
    meant = sorted(_as_other_keys(plain))
    if len(meant) == 1:
        return meant[0], ""
    if meant:
        said = " or ".join(f"{number:g}" for number in meant)
        raise ValueError(f"{text!r} may mean {said}: set the keyboard's layout, or type digits")
    raise ValueError(f"{text!r} is not a number: type digits, with a point or a comma")


def _plain(sign: str) -> str:
    if "\uff01" <= sign <= "\uff5e":
        return chr(ord(sign) - 0xFEE0)
    return {"\u2212": "-", "\u3000": " ", "\u00a0": " "}.get(sign, sign)


def _as_other_keys(text: str) -> set[float]:
    """Every number that the keys of another layout can mean."""
    if len(text) == 1 and text in _SLIPS:
        return set()
    found = set()
    for row in LAYOUTS.values():
        found.add(_digits(text, row))
        if text[:1] in ("+", "-"):
            size = _digits(text[1:], row)
            found.add(size if size is None or text[0] == "+" else -size)
    return {number for number in found if number is not None}


def _digits(text: str, row: str) -> float | None:
    points = sum(sign in _POINTS for sign in text)
    if points > 1 or len(text) == points or any(sign not in row and sign not in _POINTS for sign in text):
        return None
    return float("".join("." if sign in _POINTS else str(row.index(sign)) for sign in text))
