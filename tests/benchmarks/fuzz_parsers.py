"""Coverage-guided fuzzing of framing and parsers: nothing but ``DriverError`` may leave them, nothing may grow.

``python -m tests.benchmarks.fuzz_parsers lines --runs 1000000``; targets: framing, lines, modbus, scpi. Needs the
fuzzer: ``python -m pip install atheris`` (Linux and macOS; not among the project's dependencies).
"""

import argparse
import importlib
import math
import sys
from collections.abc import Callable
from typing import Any

from drivers.base import Counts, Parser
from drivers.errors import DriverError
from drivers.framing import LineFramer
from drivers.modbus import crc
from drivers.registry import make_instrument
from drivers.sample import Sample

PRESSURE: dict[str, Any] = {"unit": "Pa", "low": -100.0, "high": 15000.0}
TABLES: dict[str, dict[str, Any]] = {
    "lines": {
        "driver": "lines_streamed",
        "port": "/dev/none",
        "pattern": r"(?P<checked>P (?P<p>[-+ \d.,eE]+)( T (?P<t>\S+))?)(\*(?P<check>\S*))?",
        "button_pattern": r"B (?P<checked>(?P<p>[-+]?\d+\.\d+))(\*(?P<check>\S*))?",
        "channels": {"test_pressure": {"field": "p", **PRESSURE}, "room_temperature": {"field": "t", "unit": "C"}},
    },
    "modbus": {
        "driver": "modbus_rtu",
        "port": "/dev/none",
        "channels": {
            "test_pressure": {"device": 1, "register": 0, "type": "float32", **PRESSURE},
            "meter_pressure": {"device": 1, "register": 9, "type": "float32", "word_order": "little", **PRESSURE},
            "lift": {"device": 2, "register": 0, "type": "int16", "unit": "mm"},
        },
    },
    "scpi": {
        "driver": "scpi",
        "port": "/dev/none",
        "channels": {
            "test_pressure": {"query": "FETC?", **PRESSURE},
            "lift": {"query": "FETC?", "place": 2, "unit": "mm"},
        },
    },
}


def talk(parser: Parser, data: bytes, bounds: dict[str, tuple[float, float]], answer: Callable[[bytes], bytes]) -> None:
    """A conversation: the first byte of each piece says what happens next."""
    t_us, at = 0, 0
    while at < len(data):
        does, size = data[at] & 7, data[at] >> 3
        piece, at = data[at + 1 : at + 1 + size], at + 1 + size
        t_us += 300_000 if does == 7 else 1000
        if does in (0, 1):
            asked = parser.ask()
            piece = answer(piece) if asked and does == 1 else piece
        elif does == 2:
            parser.abandon()
        elif does == 3:
            parser.reset()
        for item in parser.feed(piece, t_us):
            if isinstance(item, Sample):
                low, high = bounds.get(item.channel, (-math.inf, math.inf))
                if not (math.isfinite(item.value) and low <= item.value <= high):
                    raise AssertionError(f"{item} is no reading")


def framing(data: bytes) -> None:
    """Any bytes in any pieces: no line longer than allowed, every byte accounted for, nothing kept beyond a line."""
    counts = Counts()
    framer = LineFramer(counts, 16, joins_midway=bool(data[:1] and data[0] & 1))
    t_us, at = 0, 1
    while at < len(data):
        size = data[at] & 31
        t_us += 2_000_000 if data[at] & 128 else 10
        lines = framer.feed(data[at + 1 : at + 1 + size], t_us)
        if any(len(line) > 16 or b"\n" in line or b"\r" in line for line in lines) or len(framer._half) > 16:
            raise AssertionError("a line is not a line")
        at += 1 + size


def target(name: str) -> Callable[[bytes], None]:
    """What one input is given to."""
    if name == "framing":
        return framing
    bounds = {"test_pressure": (-100.0, 15000.0), "meter_pressure": (-100.0, 15000.0)}
    makers = [make_instrument(name, TABLES[name])]
    if name == "lines":
        makers += [make_instrument(name, TABLES[name] | {"checksum": kind}) for kind in ("xor", "crc16_ccitt")]

    def answer(piece: bytes) -> bytes:
        return piece + crc(piece) if name == "modbus" else piece + b"\n"

    def one(data: bytes) -> None:
        if not data:
            return
        try:
            talk(makers[data[0] % len(makers)].parser(), data[1:], bounds, answer)
        except DriverError:
            return

    return one


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=["framing", *TABLES])
    parser.add_argument("--runs", type=int, default=1_000_000)
    its = parser.parse_args()
    try:
        atheris: Any = importlib.import_module("atheris")
    except ImportError:
        sys.exit("the fuzzer is not installed: python -m pip install atheris")
    if its.target not in ("framing",):
        make_instrument(its.target, TABLES[its.target])
    for module in ("drivers.framing", "drivers.lines", "drivers.checksum", "drivers.modbus", "drivers.scpi"):
        for value in vars(sys.modules[module]).values():
            if isinstance(value, type) and value.__module__ == module:
                _instrument(atheris, value)
    atheris.Setup([sys.argv[0], f"-runs={its.runs}", "-max_len=256", "-print_final_stats=1"], target(its.target))
    atheris.Fuzz()


def _instrument(atheris: Any, cls: type) -> None:
    """Watch which branches of a class's own methods are taken."""
    for name, value in list(vars(cls).items()):
        if callable(value) and hasattr(value, "__code__"):
            setattr(cls, name, atheris.instrument_func(value))


if __name__ == "__main__":
    main()
