"""SCPI over visa:// ports: pyvisa-sim as the far end, and HiSLIP over a real socket by way of pyvisa-py."""

import contextlib
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acquire.clock import SystemClock
from drivers import visa
from drivers.base import Instrument
from drivers.errors import LinkLostError, SettingsError
from drivers.link import open_link
from drivers.registry import make_instrument
from tests.drivers.far_end import Received, reading, wait_for
from tests.drivers.hislip_end import HislipEnd
from tests.drivers.test_scpi import CHANNELS

USB = "visa://USB0::0x1234::0x5678::SN42::INSTR"
LAN = "visa://TCPIP0::192.0.2.20::inst0::INSTR"
OVERFULL = "visa://USB0::0x1234::0x5678::SN43::INSTR"
ANSWERS = {"*IDN?": "Example,L-8,1,1", "SYST:ERR?": '0,"No error"', "FETC?": "0,21.4,99310", "MEAS:PRES? (@1)": "28.5"}


@pytest.fixture
def simulated(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYVISA_LIBRARY", f"{Path(__file__).with_name('simulated_visa.yaml')}@sim")


@pytest.fixture
def lan(monkeypatch: pytest.MonkeyPatch) -> Iterator[HislipEnd]:
    monkeypatch.setenv("PYVISA_LIBRARY", "@py")
    end = HislipEnd(lambda question: ANSWERS.get(question, ""))
    end.plug()
    yield end
    end.unplug()


def make(port: str, **more: Any) -> Instrument:
    table = {"driver": "scpi", "port": port, "channels": CHANNELS, "every_s": 0.02, "reply_within_s": 0.3, **more}
    return make_instrument("logger", table)


def heard(got: Received) -> dict[str, tuple[float, str]]:
    return {s.channel: (s.value, s.source) for batch in got.batches for s in batch}


@pytest.mark.usefixtures("simulated")
@pytest.mark.parametrize("port", [USB, LAN])
def test_a_simulated_instrument_is_read_through_pyvisa(port: str) -> None:
    with reading(make(port), SystemClock()) as (reader, got):
        wait_for(lambda: len(heard(got)) == 3, "all channels came")
    assert heard(got) == {
        "test_pressure": (6974.49, port),
        "room_temperature": (21.4, port),
        "room_pressure": (99310.0, port),
    }
    assert reader.counts.discarded == 0


@pytest.mark.usefixtures("simulated")
def test_an_answer_in_pieces_is_put_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visa, "_PIECE", 3)
    with reading(make(USB), SystemClock()) as (reader, got):
        wait_for(lambda: len(heard(got)) == 3, "all channels came")
    assert heard(got)["room_pressure"] == (99310.0, USB)
    assert reader.counts.discarded == 0


@pytest.mark.usefixtures("simulated")
def test_an_unknown_query_times_out_and_the_queue_says_why_while_the_others_go_on() -> None:
    channels = {**CHANNELS, "test_pressure": {"query": "MAES:PRES?", "unit": "Pa"}}
    with reading(make(USB, channels=channels), SystemClock()) as (reader, got):
        wait_for(lambda: reader.counts.last_discarded == "error -113: Undefined header", "the queue was read")
        before = len(got.batches)
        wait_for(lambda: len(got.batches) > before, "the other query goes on")
    assert reader.counts.no_reply >= 1
    assert set(heard(got)) == {"room_temperature", "room_pressure"}


@pytest.mark.usefixtures("simulated")
def test_a_full_error_queue_and_an_overflow_are_told_and_hold_nothing_up() -> None:
    with reading(make(OVERFULL), SystemClock()) as (reader, got):
        wait_for(lambda: reader.counts.last_discarded == "error -350: Queue overflow", "the queue was read")
        wait_for(lambda: "room_pressure" in heard(got), "the readings go on")
        wait_for(lambda: reader.counts.out_of_range >= 1, "the overflow was seen")
    assert "test_pressure" not in heard(got)


@pytest.mark.usefixtures("simulated")
def test_two_instruments_of_one_manager_do_not_close_each_other() -> None:
    one, other = open_link(make(USB).settings), open_link(make(OVERFULL).settings)
    other.close()
    other.close()
    one.write(b"*IDN?\n")
    assert one.read(0.1) == b"Example Works,L-8,0042,1.0\n"
    one.close()


@pytest.mark.usefixtures("simulated")
def test_an_instrument_that_owes_no_answer_is_not_read() -> None:
    link = open_link(make(USB).settings)
    link._resource.close()  # type: ignore[attr-defined]
    assert link.read(0.001) == b""
    with pytest.raises(LinkLostError, match="was lost"):
        link.write(b"*IDN?\n")
    link.close()


def test_an_instrument_that_is_not_there_is_said_in_one_sentence(
    lan: HislipEnd, caplog: pytest.LogCaptureFixture
) -> None:
    lan.unplug()
    for port in (lan.port, "visa://USB0::0x1234::0x5678::SN99::INSTR"):
        said = _why_not_opened(port)
        assert said.startswith(f"{port} cannot be opened (")
        assert "\n" not in said
        assert len(said) < 300
    assert caplog.records == []


@pytest.mark.parametrize("breaks_off", [False, True])
def test_an_attempt_that_failed_leaves_no_socket_open(
    lan: HislipEnd, monkeypatch: pytest.MonkeyPatch, breaks_off: bool
) -> None:
    lan.unplug()
    made: list[socket.socket] = []

    class Kept(socket.socket):
        def __init__(self, *args: Any, **keys: Any) -> None:
            super().__init__(*args, **keys)
            made.append(self)

    with contextlib.ExitStack() as stack:
        if breaks_off:
            listener = stack.enter_context(socket.create_server(("127.0.0.1", lan.number)))
            hanging_up = threading.Thread(target=lambda: listener.accept()[0].close())
            hanging_up.start()
            stack.callback(hanging_up.join)
        monkeypatch.setattr(socket, "socket", Kept)
        with pytest.raises(LinkLostError) as error:
            open_link(make(lan.port).settings)
    assert made
    assert [its.fileno() for its in made] == [-1] * len(made), error.value


def _why_not_opened(port: str) -> str:
    with pytest.raises(LinkLostError) as error:
        open_link(make(port).settings)
    return str(error.value)


@pytest.mark.usefixtures("simulated")
def test_a_library_that_only_returns_its_errors_is_believed_too() -> None:
    # this one opens whatever it is asked for, and says in its answers that there is nothing
    link = open_link(make("visa://USB0::0x1234::0x5678::SN99::INSTR").settings)
    link.write(b"*IDN?\n")
    with pytest.raises(LinkLostError, match="was lost"):
        link.read(0.1)
    link.close()


def test_without_pyvisa_one_sentence_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    instrument = make(USB)  # a kept configuration is read without it
    with pytest.raises(LinkLostError) as error:
        open_link(instrument.settings)
    assert str(error.value) == (
        f'{USB} needs pyvisa, which is not installed: run  python -m pip install "steadydraw[visa]"'
    )


@pytest.mark.parametrize(
    ("port", "said"),
    [
        ("visa://", "must be visa:// and a resource name"),
        ("visa://192.168.0.20", "must be visa:// and a resource name"),
        ("visa://TCPIP0::192.168.0.20::5025::SOCKET", "write socket://host:number"),
        ("visa://ASRL3::INSTR", "write its own name"),
        ("vixa://USB0::1::2::3::INSTR", "no such kind of port vixa://"),
    ],
)
def test_a_name_that_can_never_be_opened_is_refused_at_once(port: str, said: str) -> None:
    with pytest.raises(SettingsError) as error:
        make(port)
    assert said in str(error.value)


@pytest.mark.parametrize(
    "table",
    [
        {"driver": "lines_streamed", "pattern": r"(?P<lift>\d+)", "channels": {"lift": {"unit": "mm"}}},
        {"driver": "modbus_rtu", "channels": {"lift": {"unit": "mm", "register": 0}}},
    ],
)
def test_what_does_not_answer_in_lines_is_refused_on_such_a_port(table: dict[str, Any]) -> None:
    with pytest.raises(SettingsError, match="use the driver scpi or lines_asked"):
        make_instrument("logger", {**table, "port": USB})


@pytest.mark.parametrize("piece", [1 << 16, 2])
def test_an_instrument_on_the_lan_is_read_and_comes_back_after_it_was_gone(lan: HislipEnd, piece: int) -> None:
    lan.piece = piece
    with reading(make(lan.port), SystemClock()) as (reader, got):
        wait_for(lambda: len(heard(got)) == 3, "all channels came", lan.talk)
        lan.unplug()
        wait_for(lambda: reader.state == "lost", "it is missed", lan.talk)
        lan.plug()
        before = len(got.batches)
        wait_for(lambda: len(got.batches) > before + 2, "it is read again", lan.talk)
        assert reader.state == "live"
    assert heard(got)["room_pressure"] == (99310.0, lan.port)
    assert reader.counts.discarded == 0
    assert got.kinds[:3] == ["opened", "lost", "back"]


def test_an_overdue_answer_is_cleared_and_never_taken_for_the_next(lan: HislipEnd) -> None:
    late: list[str] = []

    def answer(question: str) -> str:
        if question == "FETC?" and not late:
            late.append(question)
            return ""
        return ANSWERS[question]

    lan.answer = answer
    with reading(make(lan.port), SystemClock()) as (reader, got):
        wait_for(lambda: len(heard(got)) == 3, "all channels came", lan.talk)
    assert lan.clears >= 1
    assert reader.counts.discarded == 0
    place = lan.asked.index("FETC?")
    assert lan.asked[place + 1 : place + 3] == ["*IDN?", "SYST:ERR?"]
