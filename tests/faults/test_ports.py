"""Faults of ports and lines through the shipped reader, on real pseudo-terminals and sockets."""

import struct
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acquire.clock import SystemClock
from acquire.config import parse_config
from acquire.daemon.engine import Engine
from acquire.records import LiveEvent
from acquire.units import INCH_M
from drivers.base import Instrument
from drivers.checksum import KINDS
from drivers.modbus import crc
from drivers.registry import make_instrument
from sim.devices import BOOT
from sim.wire import Wire, WireFault, WireKind, at_other_rate
from tests.drivers.far_end import PtyEnd, TcpEnd, reading, wait_for
from tests.faults.live import LiveBench
from tests.faults.table import told
from tests.faults.virtual import own
from tests.whole.test_pulls import request

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
LINE = b"P1 28.0134 P2 6.2213\r\n"
PATTERN = r"P1 (?P<p1>-?\d+\.\d{4}) P2 (?P<p2>-?\d+\.\d{4})"
CHANNELS: dict[str, Any] = {
    "test_pressure": {"field": "p1", "unit": "inH2O", "low": -1.0, "high": 60.0},
    "meter_pressure": {"field": "p2", "unit": "inH2O", "low": -20.0, "high": 20.0},
}


def streamed(port: str, **more: Any) -> Instrument:
    table = {"driver": "lines_streamed", "port": port, "pattern": PATTERN, "channels": CHANNELS, "silent_after_s": 0.3}
    return make_instrument("front_end", table | more)


FOREIGN: dict[str, Callable[[], bytes]] = {
    "foreign": lambda: b"ID 04 WEIGHT 812.5 g\r\n",
    "baud": lambda: at_other_rate(LINE * 4, 3.0),
    "endless": lambda: b"8" * 300,
}


@posix
@pytest.mark.parametrize("row", FOREIGN)
def test_what_is_no_line_of_the_instrument_is_never_a_sample(row: str, tmp_path: Path) -> None:
    end = PtyEnd(tmp_path)
    end.plug()
    with reading(streamed(end.port), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "live", "it is read", lambda: end.send(LINE))
        good = len(got.values)
        wait_for(lambda: "silent" in got.kinds, "it is said", lambda: end.send(FOREIGN[row]()))
        assert all(value in (28.0134, 6.2213) for value in got.values)
        assert len(got.values) <= good + 200
        said = [notice.sentence for notice in got.notices]
        wait_for(lambda: reader.state == "live", "it is read again", lambda: end.send(b"\r\n" + LINE))
    told(row, [*said, *(notice.sentence for notice in got.notices)])
    assert "back" in got.kinds
    end.unplug()


@posix
def test_a_board_that_resets_is_said_and_its_boot_text_is_never_a_sample(tmp_path: Path) -> None:
    end = PtyEnd(tmp_path)
    end.plug()
    with reading(streamed(end.port), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "live", "it is read", lambda: end.send(LINE))
        end.send(LINE[:9] + BOOT)
        wait_for(lambda: "discarded" in got.kinds, "it is said")
        before = len(got.values)
        wait_for(lambda: len(got.values) > before, "it is read again", lambda: end.send(LINE))
    end.unplug()
    assert set(got.values) == {28.0134, 6.2213}
    assert reader.counts.garbage_lines == 3
    told("boots", [notice.sentence for notice in got.notices])


def test_what_a_port_at_another_rate_hears_is_what_a_uart_would() -> None:
    assert at_other_rate(LINE, 1.0) == LINE
    assert at_other_rate(LINE, 1.02) == LINE
    assert at_other_rate(b"U", 2.0) != b"U"


@posix
def test_unplugging_the_front_end_in_a_reading_is_said_and_the_point_is_taken_when_it_is_back(tmp_path: Path) -> None:
    events: list[LiveEvent] = []
    with LiveBench(5, tmp_path, 12.0) as live:
        text = live.config_text
        engine = Engine(parse_config(text, "faults"), text, tmp_path / "archive.db", SystemClock(12.0))
        engine.subscribe(events.append)
        engine.start()
        try:
            engine.begin(request((0.3 * INCH_M,)))
            unplugged: list[float] = []

            def follow() -> None:
                frame = engine.frame()
                if frame.guide.situation not in ("no_pull", "ended"):
                    live.follow(frame.guide.wants.model_dump())
                if not unplugged and frame.standing.state == "settling":
                    unplugged.append(live.t_s)
                    live.do(own("front_end", "unplug", for_s=6.0))

            deadline = time.monotonic() + 60
            while not any(event.kind == "ended" for event in events):
                assert time.monotonic() < deadline, engine.frame().guide.sentence
                follow()
                time.sleep(0.02)
        finally:
            engine.stop()
        truth = live.bench.truth("intake", 0.3 * INCH_M)["flow_m3_s"]
    point = next(event.point for event in events if event.point is not None)
    told("unplugged", [event.sentence for event in events])
    assert any(event.sentence.endswith("is back") for event in events)
    assert abs(point.flow.flow_m3_s - truth) <= point.flow.half_width_95_m3_s
    back_us = next(event.t_us for event in events if event.sentence.endswith("is back"))
    assert point.capture.t_start_us > back_us - 500_000


# ---------------------------------------------------------------- lines with a checksum


SPOILING: tuple[WireKind, ...] = ("digit", "lose", "double", "flip")


def checked(kind: str, covered: bytes) -> bytes:
    width = 4 if "16" in kind else 2
    return b"$%s*%0*X\r\n" % (covered, width, KINDS[kind](covered))


@pytest.mark.parametrize(
    ("kind", "value"), [("crc8", 0xF4), ("crc16_modbus", 0x4B37), ("crc16_ccitt", 0x29B1), ("sum", 0xDD), ("xor", 0x31)]
)
def test_checksums_give_the_catalogues_check_values(kind: str, value: int) -> None:
    # G. Cook, Catalogue of parametrised CRC algorithms, from memory; sum and xor by hand
    assert KINDS[kind](b"123456789") == value


@pytest.mark.parametrize("kind", list(KINDS))
def test_with_a_checksum_no_spoilt_byte_is_a_sample(kind: str) -> None:
    pattern = rf"\$(?P<checked>{PATTERN})\*(?P<check>[0-9A-F]+)"
    line = checked(kind, LINE.strip())
    said = []
    for place in range(len(line) - 2):
        for how in SPOILING:
            parser = streamed("/dev/none", pattern=pattern, checksum=kind).parser()
            spoilt = Wire([WireFault(how, 0.0, place=place, by=3)]).carry(line, 1.0)
            parser.reset()
            got = parser.feed(b"\r\n" + line + spoilt + b"\r\n" + line, 1)
            values = {getattr(item, "value", None) for item in got}
            assert values == {28.0134, 6.2213}, (spoilt, values)
            said.append(parser.counts.last_discarded)
    told("checksum", said)


@posix
def test_a_byte_spoilt_at_any_place_on_a_real_port_costs_its_own_line_alone(tmp_path: Path) -> None:
    line = checked("crc8", LINE.strip())
    pattern = rf"\$(?P<checked>{PATTERN})\*(?P<check>[0-9A-F]+)"
    end = PtyEnd(tmp_path)
    end.plug()
    with reading(streamed(end.port, pattern=pattern, checksum="crc8"), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "live", "it is read", lambda: end.send(line))
        end.send(line[: line.index(b"*") + 1] + b"00\r\n")
        wait_for(lambda: reader.counts.garbage_lines == 1, "all before it is used")
        due = reader.counts.samples
        for how in SPOILING:
            wires = [Wire([WireFault(how, 0.0, place=place, by=3)]) for place in range(len(line) - 2)]
            end.send(b"".join(its.carry(line, 1.0) + line for its in wires))
            due += 2 * len(wires)
            wait_for(lambda due=due: reader.counts.samples >= due, "each sound line is used")  # type: ignore[misc]
        end.send(line)
        wait_for(lambda: len(got.values) >= due + 2, "all is handed on")
        assert reader.counts.samples == due + 2
    end.unplug()
    assert set(got.values) == {28.0134, 6.2213}
    told("checksum", [notice.sentence for notice in got.notices])


# ---------------------------------------------------------------- several on one line


class Units(TcpEnd):
    """Modbus units on one line: each answers what it is asked, if it is there."""

    def __init__(self, answers: Callable[[bytes], bytes]) -> None:
        super().__init__()
        self._answers = answers
        self.plug()

    def talk(self) -> None:
        heard = self.asked()
        if heard:
            self.send(self._answers(heard))


def framed(device: int, value: int) -> bytes:
    body = struct.pack(">BBBH", device, 4, 2, value)
    return body + crc(body)


def bus(port: str, reply_within_s: float = 0.02) -> Instrument:
    channels = {
        "test_pressure": {"device": 1, "register": 0, "unit": "Pa"},
        "lift": {"device": 2, "register": 0, "unit": "mm"},
    }
    table = {"driver": "modbus_rtu", "port": port, "every_s": 0.02, "reply_within_s": reply_within_s}
    table["silent_after_s"] = 0.2
    return make_instrument("bus", table | {"channels": channels})


def test_a_silent_modbus_unit_is_named_while_the_others_are_read() -> None:
    end = Units(lambda heard: framed(1, 7000) if heard[0] == 1 else b"")
    with reading(bus(end.port), SystemClock()) as (reader, got):
        wait_for(lambda: "silent" in got.kinds, "the silent unit is said", end.talk)
        assert reader.state == "live"
    end.unplug()
    told("unit silent", [notice.sentence for notice in got.notices])
    assert "device 2 did not answer (lift)" in got.sentence("silent")
    assert set(got.values) == {7000.0}


def test_a_modbus_unit_that_answers_for_another_is_never_read() -> None:
    end = Units(lambda heard: framed(1, 7000) if heard[0] == 1 else framed(3, 41))
    # time enough for each answer: one that a busy machine sends late would stand for another question
    with reading(bus(end.port, reply_within_s=1.0), SystemClock()) as (_, got):
        wait_for(lambda: "discarded" in got.kinds and len(got.values) > 5, "it is said", end.talk)
    end.unplug()
    told("unit for another", [notice.sentence for notice in got.notices])
    assert set(got.values) == {7000.0}


@pytest.mark.parametrize("others", [True, False])
def test_a_wire_that_breaks_in_a_current_loop_is_said_and_never_read_as_a_pressure(others: bool) -> None:
    loop = {"type": "uint16", "scale": 0.001, "signal": "4-20 mA", "at_low": 0.0, "at_high": 40.0, "unit": "inH2O"}
    channels = {"test_pressure": loop | {"device": 1, "register": 0}}
    if others:
        channels |= {"meter_pressure": loop | {"device": 2, "register": 0}}
    microamperes = {1: 15200, 2: 12000}
    end = Units(lambda heard: framed(heard[0], microamperes[heard[0]]))
    table = {"driver": "modbus_rtu", "port": end.port, "every_s": 0.02, "silent_after_s": 0.2, "reply_within_s": 1.0}
    with reading(make_instrument("module", table | {"channels": channels}), SystemClock()) as (_, got):
        wait_for(lambda: {15200.0, *([12000.0] if others else [])} <= set(got.values), "it is read", end.talk)
        microamperes[1] = 0
        wait_for(lambda: "silent" in got.kinds, "it is said", end.talk)
    end.unplug()
    told("loop broken", [got.sentence("silent")])
    assert set(got.values) <= {15200.0, 12000.0}


def test_a_late_modbus_answer_never_passes_for_that_of_a_question_alike() -> None:
    channels = {
        "test_pressure": {"device": 1, "register": 0, "unit": "Pa"},
        "meter_pressure": {"device": 1, "register": 100, "unit": "Pa"},
    }
    table: dict[str, Any] = {"driver": "modbus_rtu", "port": "/dev/none", "channels": channels}
    parser = make_instrument("bus", table).parser()
    parser.ask()
    parser.abandon()
    assert parser.ask() == b""
    assert parser.feed(framed(1, 41), 2) == []
    assert parser.counts.last_discarded == "device 1 answered too late: raise reply_within_s"


# ---------------------------------------------------------------- SCPI

SCPI_ANSWERS = {
    b"*IDN?": b"Example Works,L-8,0042,1.0\n",
    b"SYST:ERR?": b'0,"No error"\n',
    b"MEAS:PRES?": b"6974.5\n",
    b"MEAS:LIFT?": b"7.62\n",
}


def scpi(port: str) -> Instrument:
    channels = {
        "test_pressure": {"query": "MEAS:PRES?", "unit": "Pa"},
        "lift": {"query": "MEAS:LIFT?", "unit": "mm"},
    }
    table = {"driver": "scpi", "port": port, "every_s": 0.02, "reply_within_s": 0.1, "channels": channels}
    return make_instrument("logger", table)


def test_late_scpi_answers_are_never_taken_for_the_next_ones() -> None:
    late: list[bytes] = []
    slow = [5]

    def answers(heard: bytes) -> bytes:
        asked = [line for line in heard.split(b"\n") if line]
        late.extend(SCPI_ANSWERS[one] for one in asked)
        if slow[0] and b"MEAS:PRES?" in asked:
            slow[0] -= 1
            return b""  # comes before the answer to the next question
        out = b"".join(late)
        late.clear()
        return out

    end = Units(answers)
    with reading(scpi(end.port), SystemClock()) as (reader, got):
        wait_for(lambda: slow[0] == 0 and got.values.count(7.62) > 5, "it is read after late answers", end.talk)
        assert reader.counts.no_reply == 5
    end.unplug()
    for batch in got.batches:
        for sample in batch:
            assert sample.value == (6974.5 if sample.channel == "test_pressure" else 7.62)


def test_a_full_error_queue_is_said_and_the_readings_go_on() -> None:
    end = Units(
        lambda heard: b"".join(
            b'-350,"Queue overflow"\n' if one == b"SYST:ERR?" else SCPI_ANSWERS[one]
            for one in heard.split(b"\n")
            if one
        )
    )
    with reading(scpi(end.port), SystemClock()) as (reader, got):
        wait_for(lambda: got.values.count(6974.5) > 2 and "discarded" in got.kinds, "it is read", end.talk)
    end.unplug()
    told("error queue", [*(notice.sentence for notice in got.notices), reader.counts.last_discarded])
