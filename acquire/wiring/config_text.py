"""What was found as the text of a configuration, with a comment on what is still to be put in. Pure."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from acquire.config import BenchConfig, parse_config
from acquire.values import REQUIRED_CHANNELS


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of an instrument: the keys of its table, and comments by key."""

    name: str
    keys: Mapping[str, object]
    comments: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument: what it is in a line of comment, the keys of its table, its channels."""

    name: str
    said: str
    keys: Mapping[str, object]
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class Range:
    """A range of the flow meter, as quantities: ``area``, or ``flow`` and ``at_pressure``."""

    name: str
    keys: Mapping[str, object]
    comments: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bench:
    """All of it."""

    name: str
    water: str
    instruments: tuple[Instrument, ...]
    ranges: tuple[Range, ...]


def missing(instruments: Sequence[Instrument]) -> list[str]:
    """The channels that a bench must have and that nothing measures."""
    there = {channel.name for its in instruments for channel in its.channels}
    return [name for name in REQUIRED_CHANNELS if name not in there]


def instruments_text(instruments: Sequence[Instrument]) -> str:
    """Their entries, to be pasted into a configuration."""
    return "\n".join(_instrument(its) for its in instruments)


def bench_text(bench: Bench) -> str:
    """The whole file."""
    parts = [
        "# Written by steadydraw wire. Every quantity is a string of number and unit; channels\n"
        "# take plain numbers in the unit that they name. config/example_bench.toml shows all\n"
        "# that can be set; what is left out here is as it says there.\n",
        f"name = {_value(bench.name)}\n",
        "# The inch of water your gauges are marked in: conventional, 4C, 60F or 68F.\n"
        f"water = {_value(bench.water)}\n",
        '[shop]                        # printed on every flow sheet\nname = ""\naddress = ""\ncontact = ""\n',
        "# Where the upstream tap of the flow meter sits: plenum (the bore side of the port),\n"
        "# room, or above_plenum (a meter between blower and plenum). Look at your bench.\n"
        '[meter]\nupstream_intake = "plenum"\nupstream_exhaust = "above_plenum"\n',
        *(_range(its) for its in bench.ranges),
        '# Leakage that is carried in the ± until a blank-plate run was made.\n[leakage]\nallowance_area = "8 mm2"\n',
        '[schedules."by 0.100 in"]\nlifts = ["0.100 in", "0.200 in", "0.300 in", "0.400 in", "0.500 in", "0.600 in"]\n',
        instruments_text(bench.instruments),
    ]
    return "\n".join(parts)


def checked(bench: Bench, where: str) -> tuple[str, BenchConfig]:
    """The text, read by the loader that the daemon uses. Raises ``ConfigError``."""
    text = bench_text(bench)
    return text, parse_config(text, where)


def _range(its: Range) -> str:
    return f"[meter.ranges.{_key(its.name)}]\n{_keys(its.keys, its.comments)}"


def _instrument(its: Instrument) -> str:
    head = f"# {its.said}\n[instruments.{_key(its.name)}]\n{_keys(its.keys, {})}"
    return "\n".join(
        [
            head,
            *(f"[instruments.{_key(its.name)}.channels.{c.name}]\n{_keys(c.keys, c.comments)}" for c in its.channels),
        ]
    )


def _keys(keys: Mapping[str, object], comments: Mapping[str, str]) -> str:
    lines = []
    for key, value in keys.items():
        line = f"{key} = {_value(value)}"
        lines.append(f"{line:<29} # {comments[key]}" if key in comments else line)
    return "".join(f"{line}\n" for line in lines)


def _key(name: str) -> str:
    plain = name and all(c.isascii() and (c.isalnum() or c in "_-") for c in name)
    return name if plain else _value(name)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    text = str(value)
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    # what JSON writes in quotes TOML reads the same, but for the delete character
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
