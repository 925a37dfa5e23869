"""Bytes that came from a port to what they are: lines of numbers, text, a wrong speed, or nothing. Pure.

What is proposed has been read with the shipped line parser first.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.wiring.shapes import Decimal, Field, Shape, key, shape_of, tokens
from drivers.base import Counts
from drivers.framing import LineFramer
from drivers.lines import LinesStreamed
from drivers.registry import make_instrument
from drivers.sample import Sample

Kind = Literal["lines", "silence", "text", "no lines", "not text"]

_AROUND = " \t\x00\x02\x03"
# a shape is believed when so many of the lines in the later part are of it: boot text comes first
_LEAST_SHARE = 0.5
_LEAST_LINES = 3
_A_SHARE = 0.1
_MOST_SHAPES = 4
_LONGEST_LINE = 256
# a port that sends text at the wrong speed or parity is full of other bytes
_TEXT_SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the lines. ``share`` of the lines in the later part was read, by the shipped parser."""

    shapes: tuple[Shape, ...]
    share: float

    @property
    def fields(self) -> tuple[Field, ...]:
        """Every number, those of the most frequent shape first; names are unlike each other."""
        found: list[Field] = []
        for shape in self.shapes:
            for field in shape.fields:
                name, n = field.name, 2
                while any(name == other.name for other in found):
                    name, n = f"{field.name}_{n}", n + 1
                found.append(Field(name, field.unit, field.decimals, field.texts))
        return tuple(found)

    @property
    def decimal(self) -> Decimal:
        """The decimal sign."""
        return self.shapes[0].decimal

    def pattern(self, names: Sequence[str]) -> str:
        """The ``pattern`` to configure; ``names`` has one entry a field, empty for a number that is not used."""
        parts, start = [], 0
        for shape in self.shapes:
            its = names[start : start + len(shape.fields)]
            start += len(shape.fields)
            if any(its):
                parts.append(shape.pattern({i: name for i, name in enumerate(its) if name}))
        return "|".join(parts)


@dataclass(frozen=True, slots=True)
class Heard:
    """What came from a port. ``readings`` are only there for lines, the likeliest first.

    ``seven_bits``: read with 7 data bits and (parity, stop bits) it would be text.
    """

    kind: Kind
    readings: tuple[Reading, ...] = ()
    seven_bits: tuple[Literal["none", "even", "odd"], Literal[1, 2]] | None = None
    example: str = ""


def recognise(data: bytes, *, streams: bool = True) -> Heard:
    """What ``data`` is. ``streams`` false: answers or presses, of which one line is enough, whole from its start."""
    if not data.strip(b"\x00"):
        return Heard("not text" if data else "silence")
    if (seven := _seven_bits(data)) is not None:
        return Heard("not text", seven_bits=seven)
    lines = _lines(data, streams=streams)
    printable = [line for line in lines if _printable(line)]
    if sum(map(_is_text, data)) < _TEXT_SHARE * len(data) and len(printable) < _LEAST_SHARE * len(lines) + 1:
        return Heard("not text")
    if not printable:
        return Heard("no lines" if not lines else "not text", example=_start(data))
    later = lines[len(lines) // 3 :] if streams else lines
    readings = _readings(later, least=_LEAST_LINES if streams else 1)
    checked = [reading for reading in readings if _proven(reading, later)]
    return Heard("lines" if checked else "text", tuple(checked), example=printable[-1][:60])


def _is_text(byte: int) -> bool:
    return 32 <= byte < 127 or byte in b"\r\n\t\x02\x03\xb0"


def _start(data: bytes) -> str:
    return "".join(c if c.isprintable() else "?" for c in data[:60].decode("latin-1"))


def _lines(data: bytes, *, streams: bool) -> list[str]:
    framer = LineFramer(Counts(), _LONGEST_LINE, joins_midway=streams)
    framer.reset()
    found = []
    for line in framer.feed(data, 0):
        try:
            text = line.decode()
        except UnicodeDecodeError:
            text = line.decode("latin-1")
        found.append(text.strip(_AROUND))
    return [line if _printable(line) else "\x00" for line in found if line]


def _printable(line: str) -> bool:
    return line.replace("\t", "").isprintable()


def _seven_bits(data: bytes) -> tuple[Literal["none", "even", "odd"], Literal[1, 2]] | None:
    high = sum(byte > 127 for byte in data)
    text = sum(_is_text(byte & 127) for byte in data) >= 0.97 * len(data)
    if len(data) < 8 or not text or high < 0.1 * len(data):
        return None
    if high == len(data):
        return "none", 2  # the second stop bit was read as the eighth of data
    even = sum(byte.bit_count() % 2 == 0 for byte in data)
    return ("even", 1) if even >= 0.97 * len(data) else ("odd", 1) if even <= 0.03 * len(data) else None


def _readings(lines: list[str], least: int) -> list[Reading]:
    plain = _reading(lines, ".", least)
    glued = _reading(lines, ".", least, glued=True)
    found = [reading for reading in (plain, glued) if reading is not None]
    # digits after letters are numbers only where nothing else reads the lines
    found = found[:1] if plain is not None and (glued is None or glued.share <= plain.share + 0.2) else found[::-1][:1]
    comma = _reading(lines, ",", least) if any("," in line for line in lines) else None
    if comma is not None and _comma_is_decimal(comma):
        separates = any("." in text for reading in found for field in reading.fields for text in field.texts)
        if not separates:
            return [comma, *found]
    return found


def _comma_is_decimal(reading: Reading) -> bool:
    """Every comma stands between digits, with as many digits after it in every line and no second one beside it."""
    fields = [field for field in reading.fields if any("," in text for text in field.texts)]
    lines = [line for shape in reading.shapes for line in shape.lines]
    widths = [{len(text.partition(",")[2]) for text in field.texts} for field in fields]
    inside = sum(text.count(",") for field in fields for text in field.texts)
    return bool(fields) and all(len(w) == 1 and 0 not in w for w in widths) and inside == _commas(lines)


def _commas(lines: Sequence[str]) -> int:
    return sum(line.count(",") for line in lines)


def _reading(lines: list[str], decimal: Decimal, least: int, *, glued: bool = False) -> Reading | None:
    parts = [tokens(line, decimal, glued=glued) for line in lines]
    keys = [key(part) for part in parts]
    counts = Counter(k for k in keys if "\0number" in k)
    chosen = [k for k, n in counts.most_common(_MOST_SHAPES) if n >= least and n >= _A_SHARE * len(lines)]
    shapes = tuple(
        shape_of(
            [line for line, k in zip(lines, keys, strict=True) if k == one],
            [part for part, k in zip(parts, keys, strict=True) if k == one],
            decimal,
        )
        for one in chosen
    )
    share = sum(counts[one] for one in chosen) / max(len(lines), 1)
    return Reading(shapes, share) if shapes and share >= _LEAST_SHARE else None


def _proven(reading: Reading, lines: list[str]) -> bool:
    """Whether the shipped parser reads as many numbers from the lines as were found in them, with the same values."""
    names = [field.name for field in reading.fields]
    samples = read(reading, names, "".join(f"{line}\n" for line in lines).encode())
    for field in reading.fields:
        seen = [_value(text, reading.decimal) for text in field.texts]
        if [sample.value for sample in samples if sample.channel == field.name] != seen:
            return False
    return True


def _value(text: str, decimal: Decimal) -> float:
    return float(text.replace(" ", "").replace(decimal, "."))


def parser_settings(reading: Reading, names: Sequence[str]) -> dict[str, object]:
    """The keys of a configuration that read the lines; ``names`` as in :meth:`Reading.pattern`."""
    settings: dict[str, object] = {"pattern": reading.pattern(names)}
    if reading.decimal == ",":
        settings["decimal"] = ","
    return settings


def read(reading: Reading, names: Sequence[str], data: bytes) -> list[Sample]:
    """What the shipped line parser makes of ``data``: the numbers as samples, named as in ``names``."""
    channels = {name: {"field": name, "unit": "1"} for name in names if name}
    table = {"driver": "lines_streamed", "port": "loop://", "channels": channels, **parser_settings(reading, names)}
    instrument = make_instrument("wire", table)
    assert isinstance(instrument, LinesStreamed)
    parser = instrument.parser()
    return [item for item in parser.feed(data, 0) if isinstance(item, Sample)]


def press_pattern(data: bytes, reading: Reading, names: Sequence[str]) -> str:
    """Of a device that streams, the pattern of the line that its data button sends; empty when there was none.

    It is a line that the device does not send otherwise, with the same numbers in it.
    """
    ordinary = re.compile(reading.pattern(["" for _ in names[:-1]] + ["x"]), re.ASCII)
    others = [line for line in _lines(data, streams=True) if not ordinary.fullmatch(line)]
    found = _reading(others[-1:], reading.decimal, 1) if others else None
    if found is None or len(found.fields) != len(names) or len(reading.shapes) > 1:
        return ""
    return found.pattern(names)
