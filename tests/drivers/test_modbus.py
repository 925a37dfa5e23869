"""Modbus RTU: frames against published ones, and against another library's server on a real port."""

import asyncio
import itertools
import os
import select
import socket
import struct
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.clock import SystemClock
from drivers.base import Instrument
from drivers.errors import SettingsError
from drivers.modbus import ModbusParser, crc
from drivers.registry import make_instrument
from drivers.sample import Sample
from tests.drivers.far_end import reading, wait_for

if sys.platform != "win32":
    import tty

CHANNELS: dict[str, dict[str, Any]] = {
    "test_pressure": {"device": 17, "table": "holding", "register": 107, "type": "uint16", "unit": "Pa"},
    "meter_pressure": {"device": 17, "table": "holding", "register": 108, "type": "uint16", "unit": "Pa"},
    "lift": {"device": 17, "table": "holding", "register": 109, "type": "uint16", "unit": "mm"},
}


def make(channels: dict[str, dict[str, Any]] = CHANNELS, **more: Any) -> Instrument:
    return make_instrument("bus", {"driver": "modbus_rtu", "port": "/dev/none", "channels": channels, **more})


def parser(channels: dict[str, dict[str, Any]] = CHANNELS) -> ModbusParser:
    made = make(channels).parser()
    assert isinstance(made, ModbusParser)
    return made


def reply(device: int, function: int, *words: int) -> bytes:
    body = struct.pack(">BBB", device, function, 2 * len(words)) + b"".join(struct.pack(">H", word) for word in words)
    return body + crc(body)


# read holding registers 108 to 110 of device 17: the frames printed in many protocol guides (from memory)
ASKED = bytes.fromhex("11 03 006B 0003 7687")
ANSWER = bytes.fromhex("11 03 06 AE41 5652 4340 49AD")


def test_a_request_and_its_answer_are_those_of_the_published_example() -> None:
    its = parser()
    assert its.ask() == ASKED
    found = its.feed(ANSWER, 9)
    assert found == [
        Sample("test_pressure", 9, 0xAE41, "serial:///dev/none"),
        Sample("meter_pressure", 9, 0x5652, "serial:///dev/none"),
        Sample("lift", 9, 0x4340, "serial:///dev/none"),
    ]
    assert (its.counts.good_lines, its.counts.samples, its.counts.discarded) == (1, 3, 0)


@given(cuts=st.lists(st.integers(0, len(ANSWER)), max_size=5))
def test_any_split_gives_the_same_samples(cuts: list[int]) -> None:
    its = parser()
    its.ask()
    edges = [0, *sorted(cuts), len(ANSWER)]
    found = [s for a, b in itertools.pairwise(edges) for s in its.feed(ANSWER[a:b], 9)]
    assert [s.value for s in found if isinstance(s, Sample)] == [0xAE41, 0x5652, 0x4340]


@given(
    position=st.integers(0, len(ANSWER) - 1), kind=st.sampled_from(["flip", "drop", "double"]), bit=st.integers(0, 7)
)
def test_one_damaged_byte_never_becomes_a_number(position: int, kind: str, bit: int) -> None:
    its = parser()
    its.ask()
    byte = ANSWER[position : position + 1]
    put = {"flip": bytes([byte[0] ^ 1 << bit]), "drop": b"", "double": byte * 2}[kind]
    assert its.feed(ANSWER[:position] + put + ANSWER[position + 1 :], 9) == []
    its.abandon()
    its.ask()
    assert len(its.feed(ANSWER, 10)) == 3


@given(data=st.lists(st.binary(max_size=300)))
def test_random_bytes_never_raise_and_never_become_samples(data: list[bytes]) -> None:
    its = parser()
    for chunk in data:
        its.ask()
        its.feed(chunk, 7)
    assert its.counts.samples == 0


@pytest.mark.parametrize(
    "wrong",
    [
        reply(18, 3, 1, 2, 3),  # another device answers
        reply(17, 4, 1, 2, 3),  # another function
        reply(17, 3, 1, 2),  # fewer registers
        ANSWER + b"\x00",  # more than one answer
    ],
)
def test_an_answer_to_another_question_is_not_used(wrong: bytes) -> None:
    its = parser()
    its.ask()
    assert its.feed(wrong, 7) == []
    its.abandon()
    assert its.counts.garbage_lines >= 1


def test_an_answer_that_comes_after_it_was_given_up_is_not_taken_for_the_next() -> None:
    its = parser()
    its.ask()
    its.abandon()
    assert its.feed(ANSWER, 7) == []
    its.ask()
    assert len(its.feed(ANSWER, 8)) == 3


@given(cut=st.integers(0, len(ANSWER) - 1))
def test_half_an_answer_is_forgotten_when_the_link_is_new(cut: int) -> None:
    its = parser()
    its.ask()
    assert its.feed(ANSWER[:cut], 7) == []
    its.reset()
    assert its.feed(ANSWER[cut:], 8) == []  # nothing was asked on this link
    assert its.ask() == ASKED
    assert len(its.feed(ANSWER, 9)) == 3


def test_an_adapter_that_hears_its_own_request_does_no_harm() -> None:
    its = parser()
    assert len(its.feed(b"", 6)) == 0
    request = its.ask()
    assert its.feed(request[:3], 7) == []
    assert len(its.feed(request[3:] + ANSWER, 7)) == 3


def test_a_refusal_is_said_with_its_meaning() -> None:
    its = parser()
    its.ask()
    body = bytes([17, 0x83, 2])
    assert its.feed(body + crc(body), 7) == []
    assert its.counts.last_discarded == ("device 17 has no such register (test_pressure, meter_pressure, lift)")


@pytest.mark.parametrize(
    ("kind", "orders", "words"),
    [
        ("float32", ("big", "big"), (0x41E0, 0x0000)),  # IEEE 754: 28.0 is 41E00000
        ("float32", ("little", "big"), (0x0000, 0x41E0)),
        ("float32", ("big", "little"), (0xE041, 0x0000)),
        ("float32", ("little", "little"), (0x0000, 0xE041)),
        ("int32", ("big", "big"), (0x0000, 0x001C)),
        ("uint32", ("little", "big"), (0x001C, 0x0000)),
        ("int16", ("big", "big"), (0x001C,)),
        ("int16", ("big", "little"), (0x1C00,)),
    ],
)
def test_every_type_and_order_gives_28(kind: str, orders: tuple[str, str], words: tuple[int, ...]) -> None:
    word_order, byte_order = orders
    its = parser(
        {"test_pressure": {"register": 0, "type": kind, "word_order": word_order, "byte_order": byte_order,
                           "unit": "inH2O"}}
    )  # fmt: skip
    its.ask()
    assert [s.value for s in its.feed(reply(1, 4, *words), 7) if isinstance(s, Sample)] == [28.0]


def test_a_negative_number_stays_negative() -> None:
    its = parser({"lift": {"register": 0, "type": "int16", "unit": "mm"}})
    its.ask()
    assert its.feed(reply(1, 4, 0xFFFE), 7)[0] == Sample("lift", 7, -2.0, "serial:///dev/none")


def test_several_devices_are_asked_in_turn_and_neighbours_together() -> None:
    channels = {
        "test_pressure": {"device": 1, "register": 0, "type": "float32", "unit": "Pa"},
        "meter_pressure": {"device": 1, "register": 2, "type": "float32", "unit": "Pa"},
        "lift": {"device": 2, "register": 0, "unit": "mm"},
        "room_temperature": {"device": 1, "register": 40, "unit": "C"},
    }
    its = parser(channels)
    asked = [its.ask()[:6] for _ in range(4)]
    assert asked[0] == bytes([1, 4, 0, 0, 0, 4])
    assert asked[1] == bytes([1, 4, 0, 40, 0, 1])
    assert asked[2] == bytes([2, 4, 0, 0, 0, 1])
    assert asked[3] == asked[0]
    assert make(channels, every_s=0.3).ask_every_s == pytest.approx(0.1)


def test_a_current_loop_is_scaled_and_a_broken_wire_is_told_from_a_low_reading() -> None:
    loop = {"register": 0, "type": "uint16", "scale": 0.001, "signal": "4-20 mA", "at_low": 0.0, "at_high": 40.0}
    its = make({"test_pressure": loop | {"unit": "inH2O"}})
    channel = its.settings.channels["test_pressure"]
    assert channel.quantity(4000) == pytest.approx(0.0)
    assert channel.quantity(15200) == pytest.approx(28.0)
    assert channel.in_range(3900)
    feed = its.parser()
    for microamperes, said in ((0, "broken wire"), (3500, "broken wire"), (21500, "short circuit")):
        feed.ask()
        assert feed.feed(reply(1, 4, microamperes), 7) == []
        assert said in feed.counts.last_discarded
    assert feed.counts.out_of_range == 3


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        ({"unit": "Pa"}, "channels.lift.register: this key is needed"),
        ({"unit": "Pa", "register": 65535, "type": "float32"}, "goes beyond the last register"),
        ({"unit": "Pa", "register": 0, "device": 0}, "channels.lift.device: must be greater than or equal to 1"),
        ({"unit": "Pa", "register": 0, "typ": "int16"}, "did you mean type?"),
        ({"unit": "Pa", "register": 0, "signal": "4-20 mA"}, "needs at_low and at_high"),
        ({"unit": "Pa", "register": 0, "at_low": 0.0, "at_high": 1.0}, "belong to a signal"),
    ],
)
def test_what_cannot_work_is_said_in_one_sentence(channel: dict[str, Any], said: str) -> None:
    with pytest.raises(SettingsError) as error:
        make({"lift": channel})
    assert said in str(error.value)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@contextmanager
def bridged(folder: Path) -> Iterator[tuple[str, str]]:
    """Two pseudo-terminals as the two ends of one serial line."""
    ends = [os.openpty() for _ in range(2)]
    for _, slave in ends:
        tty.setraw(slave)
    masters = [master for master, _ in ends]
    stopping = threading.Event()

    def copy() -> None:
        while not stopping.is_set():
            for ready in select.select(masters, [], [], 0.05)[0]:
                os.write(masters[1 - masters.index(ready)], os.read(ready, 4096))

    thread = threading.Thread(target=copy)
    thread.start()
    try:
        yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    finally:
        stopping.set()
        thread.join()
        for pair in ends:
            for end in pair:
                os.close(end)


@contextmanager
def served(make_server: Callable[[list[Any]], Any]) -> Iterator[None]:
    """Another library's server: device 1 has 28.0 and -3, device 2 has 7620, device 3 is silent."""
    from pymodbus.simulator import DataType, SimData, SimDevice

    one = [SimData(0, values=28.0, datatype=DataType.FLOAT32), SimData(2, values=-3, datatype=DataType.INT16)]
    devices = [SimDevice(1, one), SimDevice(2, [SimData(0, values=7620, datatype=DataType.INT16)])]
    loop, started, made = asyncio.new_event_loop(), threading.Event(), []

    async def run() -> None:
        made.append(make_server(devices))
        await made[0].serve_forever(background=True)
        started.set()
        await made[0].serving

    thread = threading.Thread(target=lambda: loop.run_until_complete(run()), daemon=True)
    thread.start()
    assert started.wait(10)
    try:
        yield
    finally:
        asyncio.run_coroutine_threadsafe(made[0].shutdown(), loop).result(10)
        thread.join(10)
        loop.close()


def device_3_is_silent(sending: bool, data: bytes) -> bytes:
    return b"" if sending and data[:1] == b"\x03" else data


BUS: dict[str, dict[str, Any]] = {
    "test_pressure": {"device": 1, "register": 0, "type": "float32", "unit": "inH2O"},
    "meter_pressure": {"device": 1, "register": 2, "unit": "inH2O"},
    "lift": {"device": 2, "register": 0, "scale": 0.001, "unit": "mm"},
    "room_pressure": {"device": 3, "register": 0, "unit": "Pa"},
}


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize("line", ["serial", "tcp"])
def test_another_librarys_server_is_read_and_a_silent_device_does_not_stop_the_others(
    line: str, tmp_path: Path
) -> None:
    from pymodbus import FramerType
    from pymodbus.server import ModbusSerialServer, ModbusTcpServer

    with ExitStack() as stack:
        if line == "serial":
            theirs, ours = stack.enter_context(bridged(tmp_path))
            stack.enter_context(served(lambda devices: ModbusSerialServer(
                devices, framer=FramerType.RTU, port=theirs, baudrate=19200, trace_packet=device_3_is_silent
            )))  # fmt: skip
        else:
            number = free_port()
            ours = f"socket://127.0.0.1:{number}"
            stack.enter_context(served(lambda devices: ModbusTcpServer(
                devices, framer=FramerType.RTU, address=("127.0.0.1", number), trace_packet=device_3_is_silent
            )))  # fmt: skip
        instrument = make(BUS, port=ours, every_s=0.02, reply_within_s=0.1, parity="none")
        reader, got = stack.enter_context(reading(instrument, SystemClock()))
        wait_for(lambda: len(got.batches) > 5, "answers come")
        seen = {sample.channel: sample.value for batch in got.batches for sample in batch}
        assert seen == {"test_pressure": 28.0, "meter_pressure": -3.0, "lift": 7620.0}
        wait_for(lambda: reader.counts.no_reply > 1, "the silent device is counted")
        assert reader.state == "live"
