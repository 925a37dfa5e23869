"""The examples of wired instruments: each is loaded as a bench's own, and reads what its instrument sends."""

import struct
import tomllib
from pathlib import Path
from typing import Any

import pytest

from acquire.bundled import read_bundled
from acquire.config import BenchConfig, parse_config
from acquire.scaling import scale_for
from acquire.units import from_si
from acquire.values import REQUIRED_CHANNELS
from drivers.base import Instrument
from drivers.registry import FAMILIES
from drivers.sample import Sample
from tests.drivers.test_modbus import reply

FOLDER = Path(__file__).parents[2] / "config" / "instruments"
EXAMPLES = sorted(path.name for path in FOLDER.glob("*.toml"))
every_example = pytest.mark.parametrize("name", EXAMPLES)
FILLER = """
[instruments.filler_{channel}]
driver = "lines_streamed"
port = "COM1{number}"
pattern = '(?P<x>\\d+)'
channels.{channel} = {{ field = "x", unit = "{unit}" }}
"""


def loaded(name: str) -> tuple[BenchConfig, Instrument]:
    """The example bench with this file's instrument in place of its own; what it does not measure is filled in."""
    bench, own = read_bundled("example_bench.toml"), read_bundled(f"instruments/{name}")
    text = bench[: bench.index("[instruments.")] + own
    (table,) = tomllib.loads(own)["instruments"].items()
    for number, channel in enumerate(REQUIRED_CHANNELS):
        if channel not in table[1]["channels"]:
            text += FILLER.format(channel=channel, number=number, unit="mm" if channel == "lift" else "Pa")
    config = parse_config(text, name)
    return config, next(its for its in config.make_instruments() if its.name == table[0])


def words(code: str, *numbers: float) -> list[int]:
    data = struct.pack(f">{len(numbers)}{code}", *numbers)
    return list(struct.unpack(f">{len(data) // 2}H", data))


def little(code: str, number: float) -> list[int]:
    return words(code, number)[::-1]


IDENTITY = {"logger": b"Example Works,L-8,0042,1.0\n", "thermometer": b"Example Works,T-40,7,2.1\n"}
# what the wire carries, answer by answer, and what it means, in the channel's own unit
READ: dict[str, tuple[list[bytes], dict[str, float]]] = {
    "current_loop.toml": (
        [reply(1, 4, 15200, 16800)],  # 11.2 and 12.8 of the 16 mA
        {"test_pressure": 28.0, "meter_pressure": 8.0},
    ),
    "data_button.toml": ([b"01A+00000.2995\r"], {"lift": 0.2995}),
    "encoder_lines.toml": ([b"\r\nC=999999\r\n", b"C=1500\r\n"], {"lift": 7.5}),
    "encoder_register.toml": ([reply(4, 4, *words("i", -25000))], {"lift": 0.5}),
    "lines_asked.toml": (
        [b"29.92 71.4 74.0\r\n"],
        {"room_pressure": 29.92, "room_temperature": 71.4, "meter_temperature": 74.0},
    ),
    "lines_streamed.toml": ([b"\r\ndp=28.013 q=6.221\r\n"], {"test_pressure": 28.013, "meter_pressure": 6.221}),
    "modbus_over_tcp.toml": (
        [reply(1, 4, *words("f", 6974.5)), reply(2, 4, *words("f", 1992.75))],
        {"test_pressure": 6974.5, "meter_pressure": 1992.75},
    ),
    "modbus_rtu.toml": (
        [reply(1, 4, *words("f", 6974.5)), reply(2, 4, *little("f", 1992.75))],
        {"test_pressure": 6974.5, "meter_pressure": 1992.75},
    ),
    "ratiometric.toml": ([b"\r\nv1=1.734 v2=2.903\r\n"], {"test_pressure": 12.34, "meter_pressure": 6.0075}),
    "scpi_serial.toml": ([b"+2.14E+01\n"], {"meter_temperature": 21.4}),
    "scpi_tcp.toml": ([b"3.5533\n", b"0.451\n"], {"room_pressure": 1013.198, "room_humidity": 45.1}),
    "visa.toml": ([b"6974.5,1992.75\n"], {"test_pressure": 6974.5, "meter_pressure": 1992.75}),
}


@every_example
def test_an_example_loads_as_a_bench_and_reads_what_its_instrument_sends(name: str) -> None:
    config, instrument = loaded(name)
    parser = instrument.parser()
    answers, means = READ[name]
    if instrument.name in IDENTITY:
        answers = [IDENTITY[instrument.name], b'0,"No error"\n', *answers]
    parser.reset()
    latest: dict[str, Sample] = {}
    for answer in answers:
        parser.ask()
        latest |= {its.channel: its for its in parser.feed(answer, 7) if isinstance(its, Sample)}
    channels, water = instrument.settings.channels, config.water
    got = {
        name: from_si(scale_for(channels[name], water).si(its.value), channels[name].unit, water)
        for name, its in latest.items()
    }
    assert got == pytest.approx(means)
    assert set(means) == set(channels)
    assert parser.counts.discarded == 0


def test_every_driver_with_a_wire_has_an_example_and_every_example_its_reading() -> None:
    drivers = {str(table["driver"]) for name in EXAMPLES for table in tables(name).values()}
    assert drivers == {name for name, its in FAMILIES.items() if not its.typed}
    assert set(READ) == set(EXAMPLES)


def tables(name: str) -> dict[str, dict[str, Any]]:
    its: dict[str, dict[str, Any]] = tomllib.loads(read_bundled(f"instruments/{name}"))["instruments"]
    return its


@every_example
def test_an_example_tells_wires_settings_and_cautions_before_its_tables(name: str) -> None:
    text = read_bundled(f"instruments/{name}")
    head = " ".join(text[: text.index("[instruments.")].split())
    assert all(said in head for said in ("# Wiring. ", "must be set to", "# Caution. "))
    if tables(name) and any(its["driver"] == "modbus_rtu" for its in tables(name).values()):
        assert "RS-485" in head
        assert "120 ohm" in head or "modbus_rtu.toml" in head
    assert max(map(len, text.splitlines())) <= 120
