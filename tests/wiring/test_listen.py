"""Listening finds the speed, asking finds who answers; nothing that talks is overheard and nothing is sent unasked."""

import itertools
import struct
from collections.abc import Callable

import pytest

from acquire.clock import ManualClock
from acquire.wiring.asking import answer_in, ask_modbus, ask_scpi, identity_of, question, registers
from acquire.wiring.listen import SPEEDS, Wire, ask_line, listen, wait_for_press
from drivers.errors import LinkLostError
from drivers.modbus import ModbusParser, ModbusSettings, crc
from tests.wiring.devices import Device, Ports


def streaming(wire: Wire, every_s: float = 0.05, boot: bytes = b"") -> Device:
    numbers = itertools.count(1)
    return Device(wire, lambda: f"P1 {next(numbers) / 7:.4f} P2 6.2210\r\n".encode(), every_s, boot=boot)


@pytest.mark.parametrize(
    "wire",
    [Wire(speed) for speed in SPEEDS] + [Wire(4800, 7, "even"), Wire(2400, 7, "odd"), Wire(9600, 7, "none", 2)],
    ids=str,
)
def test_the_speed_and_bits_of_a_device_that_talks_are_found(wire: Wire) -> None:
    clock = ManualClock()
    ports = Ports(clock, gauge=streaming(wire))
    found = listen("gauge", clock, ports.open)
    assert found.wire == wire
    assert found.heard.kind == "lines"
    assert ports.devices["gauge"].heard == []
    assert clock.t_us() < 40e6


def test_a_board_that_restarts_when_it_is_opened_is_waited_for() -> None:
    clock = ManualClock()
    device = streaming(Wire(115200), boot=b"\x00\xf8\x80front end, firmware 2.3\r\n")
    assert listen("board", clock, Ports(clock, board=device).open).wire == Wire(115200)


def test_a_line_every_two_seconds_is_waited_for() -> None:
    clock = ManualClock()
    found = listen("slow", clock, Ports(clock, slow=streaming(Wire(), every_s=2.0)).open)
    assert found.heard.kind == "lines"


def test_silence_at_two_speeds_is_silence() -> None:
    clock = ManualClock()
    device = Device(Wire())
    assert listen("mute", clock, Ports(clock, mute=device).open).heard.kind == "silence"
    assert [wire.baud for wire in device.opened] == list(SPEEDS[:2])


def test_noise_at_every_speed_is_said_to_be_noise() -> None:
    clock = ManualClock()
    device = Device(Wire(31250), lambda: bytes(range(128, 256)), 0.05)
    assert listen("midi", clock, Ports(clock, midi=device).open).heard.kind == "not text"
    assert [wire.baud for wire in device.opened] == list(SPEEDS)


def test_a_network_port_has_one_speed() -> None:
    clock = ManualClock()
    device = Device(Wire())
    ports = Ports(clock)
    ports.devices["socket://far:1"] = device
    assert listen("socket://far:1", clock, ports.open).heard.kind == "silence"
    assert len(device.opened) == 1
    assert Wire(2400).keys("socket://far:1") == {}
    assert Wire(2400).keys("rfc2217://far:1") == {"baud": 2400}


def test_a_port_that_is_not_there_says_so() -> None:
    clock = ManualClock()
    with pytest.raises(LinkLostError, match="is not there"):
        listen("none", clock, Ports(clock).open)


def test_a_press_is_waited_for_and_one_line_is_enough() -> None:
    clock = ManualClock()
    lines = iter([b"", b"", b"01A+00000.2995\r"])
    device = Device(Wire(2400), lambda: next(lines, b""), 3.0)
    found = wait_for_press("gauge", Wire(2400), clock, Ports(clock, gauge=device).open)
    assert found.heard.kind == "lines"
    assert found.heard.example == "01A+00000.2995"


def test_nobody_who_presses_is_silence_after_a_while() -> None:
    clock = ManualClock()
    found = wait_for_press("gauge", Wire(), clock, Ports(clock, gauge=Device(Wire())).open)
    assert found.heard.kind == "silence"
    assert clock.t_us() == pytest.approx(20e6, abs=0.3e6)


def test_a_device_that_is_asked_answers_with_its_line() -> None:
    clock = ManualClock()
    device = Device(Wire(), answers=lambda asked: b"29.92 71.4\r\n" if asked == b"#01\r" else b"")
    found = ask_line("meter", Wire(), b"#01\r", clock, Ports(clock, meter=device).open)
    assert found.heard.kind == "lines"
    assert len(found.heard.readings[0].fields) == 2


# the form of the answer: IEEE 488.2-1992, 10.14.3, four fields
@pytest.mark.parametrize(
    ("data", "identity"),
    [
        (b"Example,L-8,1234,1.02\r\n", "Example,L-8,1234,1.02"),
        (b"*IDN?\r\nExample,L-8,0,1.02\n", "Example,L-8,0,1.02"),
        (b"28.01,6.22,1\r\n", ""),
        (b"ERROR\r\n", ""),
        (b"", ""),
        (b"\xff\xfe,a,b,c\n", ""),
    ],
)
def test_only_an_identity_is_taken_for_one(data: bytes, identity: str) -> None:
    assert identity_of(data) == identity


def test_an_instrument_that_knows_its_name_is_found_at_its_speed() -> None:
    clock = ManualClock()
    device = Device(Wire(115200), answers=lambda q: b"Example,L-8,1,1.0\n" if q == b"*IDN?\n" else b"")
    answered = ask_scpi("logger", clock, Ports(clock, logger=device).open)
    assert answered is not None
    assert (answered.wire, answered.identity) == (Wire(115200), "Example,L-8,1,1.0")


def modbus(unit: int, held: dict[int, int], echo: bool = False) -> Callable[[bytes], bytes]:
    """A device as of the Modbus Application Protocol V1.1b3, 6.4 and 7: answers, refuses, or is silent."""

    def answer(asked: bytes) -> bytes:
        if crc(asked[:-2]) != asked[-2:] or asked[0] != unit:
            return asked if echo else b""
        function, first, count = struct.unpack(">BHH", asked[1:6])
        known = function == 4 and all(n in held for n in range(first, first + count))
        values = b"".join(held[n].to_bytes(2) for n in range(first, first + count)) if known else b""
        body = bytes([unit, function, len(values)]) + values if known else bytes([unit, function | 0x80, 2])
        return (asked if echo else b"") + body + crc(body)

    return answer


@pytest.mark.parametrize("echo", [False, True])
@pytest.mark.parametrize("wire", [Wire(19200, parity="even"), Wire(9600), Wire(19200)], ids=str)
def test_modbus_devices_are_found_by_any_whole_answer(wire: Wire, echo: bool) -> None:
    clock = ManualClock()
    device = Device(wire, answers=modbus(3, {0: 12000, 1: 17}, echo))
    ports = Ports(clock, bus=device)
    answered = ask_modbus("bus", clock, ports.open)
    assert answered is not None
    assert (answered.wire, answered.units) == (wire, (3,))
    assert [(r.table, r.number, r.value) for r in registers("bus", wire, 3, clock, ports.open)] == [
        ("input", 0, 12000),
        ("input", 1, 17),
    ]


def test_a_device_that_has_no_such_register_is_there_all_the_same() -> None:
    clock = ManualClock()
    answered = ask_modbus("bus", clock, Ports(clock, bus=Device(Wire(9600), answers=modbus(1, {}))).open)
    assert answered is not None
    assert answered.units == (1,)


def test_an_echo_alone_is_no_device_and_only_reading_is_asked() -> None:
    clock = ManualClock()
    device = Device(Wire(9600), answers=lambda asked: asked)
    assert ask_modbus("bus", clock, Ports(clock, bus=device).open) is None
    assert {asked[1] for asked in device.heard} == {4}


def test_the_question_is_the_one_that_the_shipped_driver_asks() -> None:
    channels = {"one": {"unit": "1", "device": 7, "table": "holding", "register": 300}}
    settings = ModbusSettings.model_validate({"driver": "modbus_rtu", "port": "COM1", "channels": channels})
    assert ModbusParser(settings).ask() == question(7, "holding", 300)


@pytest.mark.parametrize("damage", range(7))
def test_a_damaged_answer_is_none(damage: int) -> None:
    asked = question(1, "input", 0)
    answer = bytearray(modbus(1, {0: 4660})(asked))
    assert answer_in(bytes(answer), asked) == 4660
    answer[damage] ^= 0x10
    assert answer_in(bytes(answer), asked) is None
