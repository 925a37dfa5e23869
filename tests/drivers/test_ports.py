"""Real bytes through real pseudo-terminals and sockets, plugged in and out."""

import fcntl
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from itertools import count, pairwise
from pathlib import Path

import pytest

from acquire.clock import ManualClock, SystemClock
from drivers.base import Instrument
from drivers.reader import PortReader
from drivers.registry import make_instrument
from tests.drivers import far_end as far_ends
from tests.drivers.families import FAMILIES, Family, line
from tests.drivers.far_end import FarEnd, PtyEnd, Received, TcpEnd, reading, wait_for

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

STREAMED, ASKED, BUTTON = FAMILIES
every_family = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.driver)


@pytest.fixture(autouse=True, params=["together", "alone"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in the daemon, and as where the system cannot wait for this port beside others."""
    if request.param == "alone":
        monkeypatch.setattr(far_ends, "together_with", lambda _clock: None)


@pytest.fixture(params=["pty", "tcp"])
def far_end(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[FarEnd]:
    end: FarEnd = PtyEnd(tmp_path) if request.param == "pty" else TcpEnd()
    yield end
    end.unplug()


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[PtyEnd]:
    end = PtyEnd(tmp_path)
    end.plug()
    yield end
    end.unplug()


def talking(end: FarEnd, family: Family) -> Callable[[], None]:
    """The instrument's side: rising numbers, by itself or for every request."""
    numbers = count(1)

    def talk() -> None:
        asked = end.asked()
        if not family.request or family.request in asked:
            end.send(line(next(numbers) % 20) + b"\r\n")

    return talk


@every_family
def test_every_family_is_read_and_comes_back_by_itself_after_unplugging(far_end: FarEnd, family: Family) -> None:
    far_end.plug()
    with reading(family.make(far_end.port), SystemClock()) as (reader, got):
        wait_for(lambda: len(got.values) > 3, "samples come", talking(far_end, family))
        assert (reader.state, reader.sentence) == ("live", "")
        assert got.kinds == ["opened"]
        assert bool(got.presses) == family.presses
        assert {(later - earlier) % 20 for earlier, later in pairwise(got.values)} == {1.0}

        far_end.unplug()
        wait_for(lambda: reader.state == "lost", "the loss is noticed")
        said = got.sentence("lost")
        assert said.startswith("gauge: ")
        assert far_end.port in said
        assert reader.sentence

        samples = len(got.values)
        far_end.plug()
        wait_for(lambda: len(got.values) > samples, "samples come again", talking(far_end, family))
        wait_for(lambda: reader.state == "live", "it says so")
        assert reader.sentence == ""
        assert got.kinds == ["opened", "lost", "back"]
        assert reader.counts.reconnects == 1
    assert (reader.state, reader.sentence) == ("lost", "gauge: reading was stopped")


def test_a_port_missing_at_the_start_is_said_once_and_opened_when_it_appears(far_end: FarEnd) -> None:
    with reading(STREAMED.make(far_end.port), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "lost", "the missing port is noticed")
        assert far_end.port in reader.sentence
        far_end.plug()
        wait_for(lambda: reader.state == "live", "it is opened", talking(far_end, STREAMED))
    assert got.kinds == ["lost", "opened", "back"]
    assert reader.counts.reconnects == 0


def test_the_rest_of_a_line_after_opening_is_dropped_quietly(pty: PtyEnd) -> None:
    with reading(STREAMED.make(pty.port), SystemClock()) as (reader, got):
        wait_for(lambda: "opened" in got.kinds, "the port is open")
        pty.send(b"2.345 mm\r\n" + line(1.0) + b"\r\n")
        wait_for(lambda: got.values, "the first whole line comes")
    assert got.values == [1.0]
    assert got.kinds == ["opened"]
    assert reader.counts.discarded == 0


def test_one_read_is_one_batch_with_one_stamp_of_the_injected_clock(pty: PtyEnd) -> None:
    clock = ManualClock(t_us=123_456)
    with reading(STREAMED.make(pty.port), clock) as (_, got):
        wait_for(lambda: "opened" in got.kinds, "the port is open")
        pty.send(b"\n" + b"".join(line(i) + b"\r\n" for i in range(20)))
        wait_for(lambda: len(got.values) == 20, "all lines come")
    assert len(got.batches) == 1
    assert {sample.t_us for sample in got.batches[0]} == {123_456}


def test_silence_is_said_once_and_so_is_its_end(pty: PtyEnd) -> None:
    clock = ManualClock()
    with reading(STREAMED.make(pty.port, silent_after_s=3), clock) as (reader, got):
        wait_for(lambda: reader.state == "live", "it talks", talking(pty, STREAMED))
        wait_for(lambda: reader.state == "silent", "silence is noticed", lambda: clock.advance(1.0))
        assert got.sentence("silent") == reader.sentence
        assert "nothing for 3 s" in reader.sentence
        clock.advance(100.0)
        wait_for(lambda: reader.state == "live", "it talks again", talking(pty, STREAMED))
    assert got.kinds == ["opened", "silent", "back"]


def test_an_indicator_with_a_button_may_be_silent_for_as_long_as_it_likes(pty: PtyEnd) -> None:
    clock = ManualClock()
    with reading(BUTTON.make(pty.port), clock) as (reader, got):
        wait_for(lambda: reader.state == "live", "the port is open")
        clock.advance(86400.0)
        pty.send(line(1.5) + b"\r")
        wait_for(lambda: got.presses, "the press comes")
    assert got.kinds == ["opened"]
    assert got.presses[0].t_us == got.batches[0][0].t_us == 86_400_000_000


def test_another_devices_text_is_shown_with_its_text_and_its_silence_says_that_bytes_came(pty: PtyEnd) -> None:
    clock = ManualClock()
    with reading(STREAMED.make(pty.port), clock) as (reader, got):
        wait_for(lambda: "opened" in got.kinds, "the port is open")
        wait_for(lambda: "discarded" in got.kinds, "it is said", lambda: pty.send(b"$GPGGA,1,2*00\r\n"))
        pty.send(b"$GPGGA,3,4*00\r\n" * 5)
        wait_for(lambda: reader.counts.garbage_lines > 5, "more of it comes")
        clock.advance(2.5)
        wait_for(lambda: reader.state == "silent", "nothing usable came")
        assert "bytes came" in reader.sentence
        assert got.kinds == ["opened", "discarded", "silent"], "not a notice for every line"
        clock.advance(2.5)
        wait_for(lambda: got.kinds.count("discarded") == 2, "the rest is said later")
    assert "$GPGGA" in got.sentence("discarded")
    assert got.values == []


def test_a_request_without_reply_is_counted_and_asked_again(pty: PtyEnd) -> None:
    with reading(ASKED.make(pty.port, silent_after_s=0.5), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "silent", "no reply is noticed")
        assert reader.counts.no_reply >= 1
        wait_for(lambda: reader.state == "live", "it answers", talking(pty, ASKED))
    assert got.kinds == ["opened", "silent", "back"]


def test_the_rest_of_an_overdue_reply_is_not_taken_for_a_reply(pty: PtyEnd) -> None:
    clock = ManualClock()
    # a pattern so loose that the rest alone would match
    table = ASKED.table(pty.port, pattern=r"(?P<l>\d+\.\d+)", reply_within_s=0.2)
    with reading(make_instrument("gauge", table), clock) as (reader, got):
        wait_for(lambda: b"?" in pty.asked(), "it is asked")
        pty.send(b"1")
        wait_for(lambda: reader.counts.bytes == 1, "the first part comes")
        clock.advance(0.2)
        wait_for(lambda: b"?" in pty.asked(), "it is asked again")
        pty.send(b"2.345\r\n3.5\r\n")
        wait_for(lambda: got.values, "the next reply comes")
    assert got.values == [3.5]
    assert reader.counts.no_reply == 1


def test_it_is_asked_no_faster_than_configured(pty: PtyEnd) -> None:
    clock = ManualClock()
    requests: list[bytes] = []
    with reading(ASKED.make(pty.port, every_s=1), clock) as (reader, _):

        def answer() -> None:
            if asked := pty.asked():
                requests.append(asked)
                pty.send(line(1.0) + b"\r")

        wait_for(lambda: reader.counts.samples == 1, "the first reply comes", answer)
        reads = reader.counts.bytes
        clock.advance(0.999)
        pty.send(line(2.0) + b"\r")  # proves that the reader went round since
        wait_for(lambda: reader.counts.bytes > reads, "the reader went on", answer)
        assert requests == [b"?\r"]
        clock.advance(0.001)
        wait_for(lambda: len(requests) == 2, "the second request comes", answer)
    assert requests == [b"?\r", b"?\r"]


def test_a_port_in_use_by_another_program_is_said(pty: PtyEnd) -> None:
    other = os.open(pty.port, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    try:
        with reading(STREAMED.make(pty.port), SystemClock()) as (reader, _):
            wait_for(lambda: reader.state == "lost", "it is refused")
            assert reader.sentence == f"gauge: {pty.port} is in use by another program: close that program"
    finally:
        os.close(other)


def test_what_is_no_serial_port_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("L=+01.000 mm\n")
    with reading(STREAMED.make(str(tmp_path / "file")), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "lost", "it is refused")
    assert "cannot be opened" in got.sentence("lost")


class Failing:
    """A consumer that fails while told to."""

    def __init__(self, instrument: Instrument) -> None:
        self.fails = True
        self.got = Received()
        self.instrument = instrument

    def __call__(self, item: object) -> None:
        if self.fails:
            raise RuntimeError("disk full")


@pytest.mark.parametrize("which", ["on_samples", "on_press"])
def test_a_consumer_that_fails_is_seen_and_recovers(pty: PtyEnd, which: str) -> None:
    failing, got = Failing(BUTTON.make(pty.port)), Received()
    callbacks = {"on_samples": got.batches.append, "on_press": got.presses.append, which: failing}
    clock = SystemClock()
    reader = PortReader(
        failing.instrument,
        clock,
        on_notice=got.notices.append,
        together=far_ends.together_with(clock),
        **callbacks,  # type: ignore[arg-type]
    )
    reader.start()
    try:
        wait_for(lambda: reader.state == "lost", "the failure is seen", lambda: pty.send(line(1.0) + b"\r"))
        assert "disk full" in reader.sentence
        failing.fails = False
        wait_for(lambda: reader.state == "live", "it recovers", lambda: pty.send(line(2.0) + b"\r"))
    finally:
        reader.stop()
    assert got.kinds == ["opened", "lost", "back"]


def test_a_fault_inside_a_driver_is_seen_and_does_not_end_the_reading(
    pty: PtyEnd, monkeypatch: pytest.MonkeyPatch
) -> None:
    with reading(STREAMED.make(pty.port), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "live", "it talks", talking(pty, STREAMED))
        with monkeypatch.context() as patch:
            patch.setattr("drivers.lines.LineParser.feed", lambda *_: 1 / 0)
            wait_for(lambda: reader.state == "lost", "the fault is seen", talking(pty, STREAMED))
            assert "ZeroDivisionError" in reader.sentence
        wait_for(lambda: reader.state == "live", "it goes on", talking(pty, STREAMED))
    assert got.kinds == ["opened", "lost", "back"]


def test_stopping_is_harmless_twice_before_the_start_and_from_a_callback(pty: PtyEnd) -> None:
    got = Received()
    own: list[PortReader] = []

    def stop(_: object) -> None:
        own[0].stop()

    clock = SystemClock()
    own.append(
        PortReader(
            STREAMED.make(pty.port), clock, stop, got.presses.append, got.notices.append, far_ends.together_with(clock)
        )
    )
    own[0].start()
    wait_for(lambda: own[0].sentence.endswith("was stopped"), "it stops itself", talking(pty, STREAMED))
    own[0].stop()
    own[0].stop()
    assert own[0].state == "lost"
    assert got.kinds == ["opened"]
    never = PortReader(STREAMED.make(pty.port), SystemClock(), got.batches.append, got.presses.append, print)
    never.stop()
    never.stop()
    assert got.batches == []


class Underway:
    """A link that is opened while a line is on its way."""

    fd: int | None = None

    def __init__(self) -> None:
        self._reads = [b"L=+0", b"2.345 mm\r\n", b"", line(1.0) + b"\r\n"]

    def read(self, wait_s: float) -> bytes:
        return self._reads.pop(0) if self._reads else b""

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


@pytest.mark.parametrize("family", [ASKED, BUTTON], ids=lambda family: family.driver)
def test_a_line_underway_while_the_port_is_opened_is_neither_sample_nor_press(
    family: Family, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.reader.open_link", lambda _: Underway())
    with reading(family.make(), SystemClock()) as (reader, got):
        wait_for(lambda: got.values, "the next line comes")
        wait_for(lambda: len(got.presses) == family.presses, "and its press, if it is one")
    assert got.values == [1.0]
    assert reader.counts.discarded == 0


def test_the_port_is_free_again_after_stopping(pty: PtyEnd) -> None:
    for _ in range(3):
        with reading(STREAMED.make(pty.port), SystemClock()) as (reader, got):
            wait_for(lambda: reader.state == "live", "it talks", talking(pty, STREAMED))
        assert got.kinds == ["opened"]


def test_a_flood_arrives_whole(pty: PtyEnd) -> None:
    wanted = [i % 20000 / 1000 for i in range(5000)]
    sent = b"\n" + b"".join(line(value) + b"\n" for value in wanted)
    position = 0

    def pour() -> None:
        nonlocal position
        try:
            position += os.write(pty.master, sent[position : position + 4000])
        except BlockingIOError:
            return

    with reading(STREAMED.make(pty.port), SystemClock()) as (reader, got):
        wait_for(lambda: "opened" in got.kinds, "the port is open")
        wait_for(lambda: len(got.values) == len(wanted), "all lines come", pour)
    assert got.values == wanted
    assert reader.counts.discarded == 0


@pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed")
def test_a_port_served_by_socat_is_read(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    command = ["socat", f"pty,raw,echo=0,link={ours}", f"pty,raw,echo=0,link={theirs}"]
    with subprocess.Popen(command) as socat:
        try:
            wait_for(lambda: ours.exists() and theirs.exists(), "socat is there")
            with reading(STREAMED.make(str(ours)), SystemClock()) as (reader, _):
                wait_for(
                    lambda: reader.state == "live",
                    "it talks",
                    lambda: theirs.open("wb", buffering=0).write(line(1.0) + b"\r\n"),
                )
        finally:
            socat.terminate()
    assert reader.counts.samples > 0


def test_a_server_that_is_not_there_is_said_with_its_address() -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = f"socket://127.0.0.1:{probe.getsockname()[1]}"
    with reading(STREAMED.make(port), SystemClock()) as (reader, got):
        wait_for(lambda: reader.state == "lost", "it is noticed")
    assert port in got.sentence("lost")
    assert "cannot be reached" in got.sentence("lost")
