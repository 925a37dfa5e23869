"""The whole conversation: from ports to a configuration that the daemon's loader takes."""

import struct
import tomllib

import pytest

from acquire.clock import ManualClock
from acquire.config import ConfigError, parse_config
from acquire.wiring.config_text import Bench, Channel, Instrument, Range, bench_text, checked, instruments_text
from acquire.wiring.dialog import PortToWire, Wiring
from acquire.wiring.listen import Wire
from drivers.modbus import crc
from drivers.registry import make_instrument
from drivers.sample import Sample
from tests.wiring.devices import Device, Person, Ports
from tests.wiring.test_listen import modbus, streaming

ENTER = ""
# unit, range, accuracy as proposed
AS_PROPOSED = (ENTER, ENTER, ENTER)


def port(name: str, owner: str = "") -> PortToWire:
    return PortToWire(name, f"usb:1a86:7523:serial={name}", f"{name}  USB Serial", owner)


def wire(person: Person, asks: bool = True, **devices: Device) -> list[Instrument]:
    clock = ManualClock()
    wiring = Wiring(person, clock, Ports(clock, **devices).open, asks=asks)
    return wiring.instruments([port(name) for name in devices])


def lift() -> Device:
    return Device(Wire(4800), lambda: b"+0.2990 in\r", 0.1)


def weather() -> Device:
    said = b"BARO 99.74 kPa T 25.83 C RH 33.5 % TM 25.96 C\r\n"
    return Device(Wire(), answers=lambda asked: said if asked == b"?\r" else b"")


def test_a_bench_is_wired_mostly_with_enter_and_its_file_is_valid() -> None:
    person = Person(
        *(ENTER, ENTER, *AS_PROPOSED, ENTER, *AS_PROPOSED, ENTER),  # board: listen, p1, p2, no button
        *(ENTER, ENTER, "-0.05 to 1", "0.0005", "y"),  # lift: listen, it is the lift, range, accuracy, a button
        *(ENTER, ENTER, "n", "?\\r", *([ENTER] * 12)),  # weather: listen, ask it, no button, request, four numbers
        *("60 cfm at 8 inH2O", "0.7", ENTER, "1800 mm2", ENTER, "0.5 to 8 inH2O", ENTER),  # two ranges
        *("60f", "Bench 2"),
    )
    clock = ManualClock()
    ports = Ports(clock, board=streaming(Wire(115200)), gauge=lift(), air=weather())
    person.button = lambda: ports.devices["gauge"].pressed.append(b"B +0.2990 in\r")
    wiring = Wiring(person, clock, ports.open)
    found = wiring.instruments([port("board"), port("gauge"), port("air")])
    bench = wiring.bench(found)
    assert bench is not None
    text, config = checked(bench, "bench.toml")
    assert (config.name, config.water) == ("Bench 2", "60F")
    assert list(config.instruments) == ["front_end", "lift_indicator", "room_air"]
    front, gauge, air = config.make_instruments()
    assert (front.settings.port, front.settings.baud) == ("usb:1a86:7523:serial=board", 115200)
    assert set(front.settings.channels) == {"test_pressure", "meter_pressure"}
    assert [s.channel for s in front.parser().feed(b"P1 28.0100 P2 6.2210\r\n", 0) if isinstance(s, Sample)] == [
        "test_pressure",
        "meter_pressure",
    ]
    assert (gauge.settings.channels["lift"].low, gauge.settings.channels["lift"].accuracy) == (-0.05, 0.0005)
    assert len(gauge.parser().feed(b"B +0.3000 in\r", 0)) == 2  # a sample and a press
    assert air.asks
    assert set(air.settings.channels) == {
        "room_pressure",
        "room_temperature",
        "room_humidity",
        "meter_temperature",
    }
    ranges = config.meter.ranges
    assert list(ranges) == ["range 1", "range 2"]
    assert text.count("a cautious guess") == 2 + 4 + 1  # only where the proposal was taken


def test_a_port_that_a_daemon_has_open_is_named_and_left_alone() -> None:
    clock = ManualClock()
    ports = Ports(clock, board=streaming(Wire()))
    person = Person()
    assert Wiring(person, clock, ports.open).instruments([port("board", owner="bench 1")]) == []
    assert "The daemon of bench 1 has it open" in person.text
    assert ports.devices["board"].opened == []


def test_a_port_that_is_refused_is_neither_opened_nor_the_end() -> None:
    clock = ManualClock()
    ports = Ports(clock, other=Device(Wire()), gauge=lift())
    person = Person("n", ENTER, ENTER, ENTER, ENTER, ENTER)
    found = Wiring(person, clock, ports.open).instruments([port("other"), port("gauge")])
    assert [its.name for its in found] == ["lift_indicator"]
    assert ports.devices["other"].opened == []


@pytest.mark.parametrize("answer", [ENTER, "y"])
def test_a_port_that_cannot_be_told_from_another_is_asked_about_and_never_guessed(answer: str) -> None:
    clock = ManualClock()
    ports = Ports(clock, COM7=lift())
    person = Person(*(ENTER, answer), *([ENTER] * 4 if answer else ()))
    found = Wiring(person, clock, ports.open).instruments([PortToWire("COM7", "COM7", "COM7", alike=True)])
    assert [its.keys["port"] for its in found] == (["COM7"] if answer else [])
    assert bool(ports.devices["COM7"].opened) == bool(answer)
    assert "It cannot be told from another" in person.text
    assert person.asked[1] == "  Write it as COM7 all the same? (y/n) [n]"


def test_a_port_that_cannot_be_opened_is_one_sentence_and_the_next_is_looked_at() -> None:
    clock = ManualClock()
    ports = Ports(clock, gauge=lift())
    person = Person(ENTER, ENTER, ENTER, ENTER, ENTER, ENTER)
    found = Wiring(person, clock, ports.open).instruments([port("gone"), port("gauge")])
    assert len(found) == 1
    assert "gone is not there: plug the device in" in person.text


def test_without_asking_no_byte_is_sent_to_any_port() -> None:
    device = weather()
    person = Person(ENTER, "n")
    assert wire(person, asks=False, air=device) == []
    assert device.heard == []
    assert not any("Ask it" in question or "asked with" in question for question in person.asked)


def test_what_is_sent_is_said_before_and_a_no_is_respected() -> None:
    device = weather()
    person = Person(ENTER, "n", "n", ENTER)
    assert wire(person, air=device) == []
    assert device.heard == []
    assert "sends *IDN? and Modbus requests" in person.asked[1]


def test_an_indicator_with_only_a_button_is_wired_by_one_press_a_speed() -> None:
    clock = ManualClock()
    device = Device(Wire(2400))
    ports = Ports(clock, gauge=device)
    person = Person(ENTER, ENTER, ENTER, "3", "in", ENTER, ENTER)
    person.button = lambda: device.pressed.append(b"01A+00000.2995\r")
    (found,) = Wiring(person, clock, ports.open).instruments([port("gauge")])
    instrument = make_instrument(found.name, {**found.keys, "channels": {c.name: dict(c.keys) for c in found.channels}})
    assert (found.keys["driver"], found.keys["baud"]) == ("line_on_button", 2400)
    assert person.text.count("Press its button now") == 2
    assert len(instrument.parser().feed(b"01A-00000.0005\r", 0)) == 2


def test_a_number_can_be_looked_at_again_after_something_was_moved() -> None:
    person = Person(ENTER, "?", "3", ENTER, ENTER, ENTER, "0", ENTER)
    (found,) = wire(person, board=streaming(Wire()))
    assert [channel.name for channel in found.channels] == ["lift"]
    assert any(said.strip().startswith("now ") for said in person.said)


def test_wrong_answers_are_said_and_asked_again() -> None:
    person = Person(ENTER, "9", "x", "1", "kilos", "mm", "inH2O", "5 to 1", "0 to 60", "little", "0.05", "1", "0", "n")
    (found,) = wire(person, board=streaming(Wire()))
    assert found.channels[0].keys == {
        "unit": "inH2O",
        "low": 0.0,
        "high": 60.0,
        "accuracy": 0.05,
        "resolution": 0.0001,
    }
    for refusal in (
        "A number from 0 to 7",
        "One of inH2O, Pa",
        "the lower first",
        "as the certificate says",
        "already",
    ):
        assert refusal in person.text, refusal


def test_what_nothing_measures_can_be_typed() -> None:
    person = Person(ENTER, ENTER, *AS_PROPOSED, ENTER, *AS_PROPOSED, ENTER, ENTER, ENTER, ENTER, "600 mm2")
    clock = ManualClock()
    wiring = Wiring(person, clock, Ports(clock, board=streaming(Wire())).open)
    found = wiring.instruments([port("board")])
    person._answers = iter([ENTER, ENTER, ENTER, "600 mm2", ENTER, ENTER, ENTER, ENTER, ENTER])
    bench = wiring.bench(found)
    assert bench is not None
    _, config = checked(bench, "x.toml")
    assert config.instruments["by_hand"]["driver"] == "typed"
    assert config.instruments["by_hand"]["channels"]["lift"]["reading"] == "0.001 in"


@pytest.mark.parametrize(
    ("answers", "said"),
    [(["n"], "Nothing measures lift"), ([ENTER, ENTER, ENTER, ENTER], "needs a meter range")],
)
def test_a_bench_that_is_not_complete_is_not_made_up(answers: list[str], said: str) -> None:
    person = Person(*answers)
    clock = ManualClock()
    channels = tuple(Channel(name, {"unit": "inH2O"}) for name in ("test_pressure", "meter_pressure"))
    assert Wiring(person, clock).bench([Instrument("board", "", {}, channels)]) is None
    assert said in person.text


def test_an_instrument_that_speaks_scpi_is_wired_through_the_shipped_driver() -> None:
    def answers(asked: bytes) -> bytes:
        known = {b"*IDN?": b"Example,L-8,1,1.0", b"SYST:ERR?": b'0,"No error"', b"MEAS:PRES?": b"+9.974E+04"}
        return known.get(asked.strip(), b"") + b"\n" if asked.strip() in known else b""

    person = Person(ENTER, ENTER, "MEAS:NONE?", "no question", "MEAS:PRES?", "4", "Pa", ENTER, ENTER, ENTER)
    (found,) = wire(person, logger=Device(Wire(), answers=answers))
    assert "No number came back" in person.text
    assert found.keys["identity"] == "Example,L-8"
    table = {**found.keys, "channels": {c.name: dict(c.keys) for c in found.channels}}
    assert make_instrument("logger", table).settings.channels["room_pressure"].unit == "Pa"


def test_modbus_devices_are_wired_through_the_shipped_driver() -> None:
    high, low = struct.unpack(">HH", struct.pack(">f", 6.25))
    person = Person(ENTER, ENTER, "input 0", "2:input 4 float32", "2", "inH2O", ENTER, ENTER, ENTER)
    device = Device(Wire(9600), answers=modbus(2, {**dict.fromkeys(range(4), 7), 4: high, 5: low}))
    (found,) = wire(person, bus=device)
    assert "as float32 6.25" in person.text
    assert "6.25" in next(said for said in person.said if "2 input 4 float32" in said)
    table = {**found.keys, "channels": {c.name: dict(c.keys) for c in found.channels}}
    settings = make_instrument("bus", table).settings
    assert (settings.baud, settings.parity) == (9600, "none")
    assert crc(device.heard[-1][:-2]) == device.heard[-1][-2:]


@pytest.mark.parametrize(
    ("said", "form", "orders"),
    [
        ("", ">HH", ("big", "big")),
        (" swapped", ">HH", ("little", "big")),
        (" low byte first", "<HH", ("big", "little")),
        (" swapped low byte first", "<HH", ("little", "little")),
    ],
)
def test_a_modbus_device_of_any_word_and_byte_order_can_be_wired(said: str, form: str, orders: tuple[str, str]) -> None:
    words = struct.unpack(form, struct.pack(">f", 6.25))
    high, low = words if orders[0] == "big" else words[::-1]
    person = Person(ENTER, ENTER, f"2:input 4 float32{said}", "2", "inH2O", ENTER, ENTER, ENTER)
    (found,) = wire(person, bus=Device(Wire(9600), answers=modbus(2, {**dict.fromkeys(range(4), 7), 4: high, 5: low})))
    assert "6.25" in next(its for its in person.said if "2 input 4 float32" in its)
    keys = found.channels[0].keys
    assert (keys.get("word_order", "big"), keys.get("byte_order", "big")) == orders


def bench(**keys: object) -> Bench:
    channels = tuple(
        Channel(name, {"unit": unit, "low": -1.0, "high": 60.0, **keys}, {"low": "why"})
        for name, unit in (("test_pressure", "inH2O"), ("meter_pressure", "inH2O"), ("lift", "in"))
    )
    pattern = r"(?P<test_pressure>\d+)'(?P<meter_pressure>\d+)" + '"' + r"\t(?P<lift>\d+)°"
    table = {"driver": "lines_streamed", "port": "COM3", "pattern": pattern}
    one = Instrument("it's", "Sends lines", table, channels)
    return Bench('The "old" one', "4C", (one,), (Range("a b", {"area": "600 mm2", "accuracy": "1 %",
        "lowest_pressure": "0.2 inH2O", "highest_pressure": "8 inH2O"}),))  # fmt: skip


def test_whatever_stands_in_a_pattern_or_a_name_comes_back_from_the_file() -> None:
    data = tomllib.loads(bench_text(bench()))
    assert data["name"] == 'The "old" one'
    assert data["instruments"]["it's"]["pattern"].endswith('"\\t(?P<lift>\\d+)°')
    assert parse_config(bench_text(bench()), "x").name == 'The "old" one'


def test_what_the_loader_would_refuse_is_not_handed_on() -> None:
    with pytest.raises(ConfigError, match=r"bench\.toml: instruments"):
        checked(bench(signal="4-20 mA"), "bench.toml")


def test_the_entries_alone_are_toml_too() -> None:
    assert set(tomllib.loads(instruments_text(bench().instruments))["instruments"]) == {"it's"}


def test_every_line_that_is_said_or_asked_fits_the_terminal() -> None:
    person = Person(ENTER, ENTER, *AS_PROPOSED, ENTER, *AS_PROPOSED, ENTER)
    wire(person, board=streaming(Wire()))
    lines = [line for said in (*person.said, *person.asked) for line in said.splitlines()]
    assert max(map(len, lines)) <= 80
