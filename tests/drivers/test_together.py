"""Ports that are read together, over real sockets: in the order in which they spoke, whatever happens to one."""

import contextlib
import select
import socket
import threading
from collections.abc import Iterator

import pytest

from acquire.clock import ManualClock, SystemClock
from drivers.errors import LinkLostError
from drivers.link import TcpLink
from drivers.reader import PortReader
from drivers.together import Port, Together
from tests.drivers.families import FAMILIES, line
from tests.drivers.far_end import Received, TcpEnd, wait_for

STREAMED, ASKED, _ = FAMILIES


class End:
    """One port, and what was called for it."""

    def __init__(self, listener: socket.socket) -> None:
        self.link = TcpLink(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        self.peer, _ = listener.accept()
        self.came: list[tuple[bytes, int]] = []
        self.ticks: list[int] = []
        self.faults: list[Exception] = []
        assert self.link.fd is not None
        self.port = Port(self.link, self.link.fd, self.use, self.ticks.append, self.faults.append)

    def use(self, data: bytes, t_us: int) -> None:
        self.came.append((data, t_us))

    @property
    def data(self) -> bytes:
        return b"".join(data for data, _ in self.came)


@pytest.fixture
def ends() -> Iterator[list[End]]:
    with contextlib.ExitStack() as stack:
        listener = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        found = [End(listener) for _ in range(3)]
        for end in found:
            stack.callback(end.link.close)
            stack.enter_context(end.peer)
        yield found


@contextlib.contextmanager
def read_together(together: Together, ends: list[End]) -> Iterator[None]:
    for end in ends:
        together.join(end.port)
    try:
        yield
    finally:
        for end in ends:
            together.leave(end.port)


@pytest.mark.parametrize("beat_s", [0.02, 0.0])
def test_what_comes_is_used_in_its_order_among_all_ports(ends: list[End], beat_s: float) -> None:
    clock, together, order = SystemClock(), Together(SystemClock(), beat_s), list[int]()
    for place, end in enumerate(ends):
        end.port.use = lambda data, t_us, place=place: order.extend([place] * len(data))  # type: ignore[misc]
    with read_together(together, ends):
        sent = [0, 2, 1, 0, 2, 1, 1, 0]
        for place in sent:
            ends[place].peer.sendall(b"x")
            # long enough apart for a beat between
            until_us = clock.t_us() + 45_000
            wait_for(lambda until_us=until_us: clock.t_us() > until_us, "time passes")  # type: ignore[misc]
        wait_for(lambda: len(order) == len(sent), "all came", together.use)
    assert order == sent


def test_what_was_read_before_an_answer_is_used_before_it(ends: list[End]) -> None:
    clock, order, end = SystemClock(), list[str](), TcpEnd()
    together = Together(clock)
    ends[0].port.use = lambda *_: order.append("streamed")
    got = Received()
    asking = PortReader(
        ASKED.make(end.port, every_s=0.05, reply_within_s=5),
        clock,
        lambda _: order.append("answered"),
        got.presses.append,
        got.notices.append,
        together,
    )
    end.plug()
    asking.start()
    try:
        with read_together(together, ends[:1]):
            wait_for(lambda: ASKED.request in end.asked(), "it asks")
            ends[0].peer.sendall(b"x")
            wait_for(lambda: len(together._came) or order, "what was streamed has been read")
            end.send(line(1.0) + b"\r\n")
            wait_for(lambda: "answered" in order, "the answer is used")
    finally:
        asking.stop()
        end.unplug()
    assert order == ["streamed", "answered"]


def test_what_nobody_looks_at_is_used_all_the_same(ends: list[End]) -> None:
    with read_together(Together(SystemClock()), ends):
        ends[0].peer.sendall(b"x")
        wait_for(lambda: ends[0].data == b"x", "it is used")
        wait_for(lambda: len(ends[1].ticks) > 2, "and time goes by for those that are silent")


def test_a_port_that_is_lost_is_told_after_what_it_had_sent_and_the_others_go_on(ends: list[End]) -> None:
    together = Together(SystemClock())
    with read_together(together, ends):
        ends[0].peer.sendall(b"last words")
        ends[0].peer.close()
        wait_for(lambda: ends[0].faults, "the loss is told", together.use)
        assert ends[0].data == b"last words"
        ends[1].peer.sendall(b"x")
        wait_for(lambda: ends[1].data == b"x", "the others go on", together.use)
    assert len(ends[0].faults) == 1
    assert isinstance(ends[0].faults[0], LinkLostError)
    assert not ends[1].faults


def test_a_lost_port_is_looked_at_no_more(ends: list[End]) -> None:
    reads: list[float] = []
    real = ends[0].link.read

    def read(wait_s: float) -> bytes:
        reads.append(wait_s)
        return real(wait_s)

    ends[0].link.read = read  # type: ignore[method-assign]
    with read_together(Together(SystemClock()), ends):
        ends[0].peer.close()
        wait_for(lambda: ends[0].faults, "the loss is told")
        before = len(reads)
        ends[1].peer.sendall(b"x")
        wait_for(lambda: ends[1].data == b"x", "the others go on")
    assert len(reads) == before
    assert len(ends[0].faults) == 1


def test_ports_that_are_silent_cost_next_to_nothing(ends: list[End]) -> None:
    reads: list[float] = []

    def read(wait_s: float) -> bytes:
        reads.append(wait_s)
        return b""

    ends[0].link.read = read  # type: ignore[method-assign]
    clock = SystemClock()
    with read_together(Together(clock), ends):
        wait_for(lambda: clock.t_us() > 400_000, "time passes")
    assert 1 <= len(reads) < 15


def test_a_port_is_given_back_at_once_and_never_while_it_is_read(ends: list[End]) -> None:
    together, clock = Together(SystemClock()), SystemClock()
    with read_together(together, ends):
        wait_for(lambda: together._waited_for, "it is waited for")
    assert not together._waited_for
    assert not together._ports
    reads, goes_on, left = threading.Event(), threading.Event(), threading.Event()

    def read(wait_s: float) -> bytes:
        reads.set()
        assert goes_on.wait(10)
        return b""

    ends[0].link.read = read  # type: ignore[method-assign]
    together.join(ends[0].port)
    assert reads.wait(10)

    def leave() -> None:
        together.leave(ends[0].port)
        left.set()

    leaving = threading.Thread(target=leave)
    leaving.start()
    began_us = clock.t_us()
    wait_for(lambda: clock.t_us() > began_us + 50_000, "time passes")
    assert not left.is_set()
    goes_on.set()
    leaving.join()


def test_what_must_not_wait_is_used_at_once_where_others_gather(ends: list[End]) -> None:
    together = Together(SystemClock())
    together._used_s = 1e18  # somebody will look in a long time
    ends[1].port.at_once = True
    with read_together(together, ends):
        ends[0].peer.sendall(b"x")
        wait_for(lambda: together._came, "it has been read")
        assert not ends[0].came
        ends[1].peer.sendall(b"press")
        wait_for(lambda: ends[1].data == b"press", "it is used")
        assert ends[0].data == b"x"


def test_a_fault_of_the_shared_thread_is_told_to_every_port_and_the_next_that_joins_is_read(ends: list[End]) -> None:
    together = Together(SystemClock())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(together, "_take", lambda: 1 / 0)
        for end in ends:
            together.join(end.port)
        wait_for(lambda: all(end.faults for end in ends), "it is told")
    assert together._thread is None
    again = Port(ends[0].link, ends[0].port.fd, ends[0].use, ends[0].ticks.append, ends[0].faults.append)
    together.join(again)
    ends[0].peer.sendall(b"x")
    wait_for(lambda: ends[0].data == b"x", "it is read again", together.use)
    together.leave(again)
    for end in ends:
        together.leave(end.port)


def test_a_thread_that_cannot_be_started_leaves_no_port_behind(
    ends: list[End], monkeypatch: pytest.MonkeyPatch
) -> None:
    together = Together(SystemClock())
    with monkeypatch.context() as patch:
        patch.setattr(threading.Thread, "start", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            together.join(ends[0].port)
    with read_together(together, ends[1:]):
        ends[1].peer.sendall(b"x")
        wait_for(lambda: ends[1].data == b"x", "the next one is read", together.use)


def test_a_beat_too_short_to_be_slept_is_none(ends: list[End]) -> None:
    assert Together(SystemClock(), 0.001)._beat_s == 0.0
    assert Together(SystemClock(), 0.005)._beat_s == 0.005


@pytest.mark.parametrize("of", ["use", "tick"])
def test_a_fault_in_what_is_called_ends_that_port_alone(ends: list[End], of: str) -> None:
    clock = ManualClock()
    together = Together(clock)
    setattr(ends[0].port, of, lambda *_: 1 / 0)
    with read_together(together, ends):
        for end in ends:
            end.peer.sendall(b"x")
        wait_for(lambda: ends[1].data and ends[2].data, "the others are used", together.use)
        clock.advance(1.0)
        wait_for(lambda: ends[0].faults, "the fault is told", together.use)
        ends[0].peer.sendall(b"y")
        ends[1].peer.sendall(b"y")
        wait_for(lambda: ends[1].data == b"xy", "they go on", together.use)
    assert len(ends[0].faults) == 1
    assert isinstance(ends[0].faults[0], ZeroDivisionError)
    assert b"y" not in ends[0].data


def test_what_waits_behind_a_fault_of_its_port_is_not_used(ends: list[End]) -> None:
    together = Together(SystemClock())
    together._used_s = 1e18  # somebody will look in a long time
    used: list[bytes] = []

    def use(data: bytes, _t_us: int) -> None:
        used.append(data)
        raise ValueError(data)

    ends[0].port.use = use
    with read_together(together, ends):
        for count in (1, 2):
            ends[0].peer.sendall(b"x")
            wait_for(lambda count=count: len(together._came) == count, "it has been read")  # type: ignore[misc]
        together.use()
    assert used == [b"x"]
    assert len(ends[0].faults) == 1


def test_what_was_read_is_used_when_the_port_leaves(ends: list[End]) -> None:
    together = Together(SystemClock())
    together._used_s = 1e18  # somebody will look in a long time
    with read_together(together, ends):
        ends[0].peer.sendall(b"x")
        wait_for(lambda: together._came, "it has been read")
        assert ends[0].data == b""
    assert ends[0].data == b"x"
    wait_for(lambda: together._thread is None, "nobody waits for ports any more")
    with read_together(together, ends):
        ends[0].peer.sendall(b"y")
        wait_for(lambda: ends[0].data == b"xy", "and who joins again is read again", together.use)


def test_who_is_called_may_look_for_more_and_nothing_is_used_out_of_turn(ends: list[End]) -> None:
    together, order = Together(SystemClock()), list[str]()
    together._used_s = 1e18  # somebody will look in a long time

    def use(place: int) -> None:
        order.append(f"{place} begins")
        together.use()
        order.append(f"{place} ends")

    for place, end in enumerate(ends[:2]):
        end.port.use = lambda *_, place=place: use(place)
    with read_together(together, ends):
        for place in (0, 1):
            ends[place].peer.sendall(b"x")
            wait_for(lambda place=place: len(together._came) > place, "it has been read")  # type: ignore[misc]
        together.use()
    assert order == ["0 begins", "0 ends", "1 begins", "1 ends"]


def test_several_that_look_at_once_use_everything_once_and_in_order(ends: list[End]) -> None:
    together = Together(SystemClock(), 0.0)
    done, inside, twice = threading.Event(), list[int](), list[int]()
    its = ends[0].port.use

    def alone(data: bytes, t_us: int) -> None:
        inside.append(1)
        select.select([], [], [], 0.001)
        twice.extend(inside[1:])
        its(data, t_us)
        inside.pop()

    ends[0].port.use = alone

    def look() -> None:
        while not done.is_set():
            together.use()

    lookers = [threading.Thread(target=look) for _ in range(3)]
    sent = b"".join(b"%05d" % i for i in range(4000))
    with read_together(together, ends):
        for looker in lookers:
            looker.start()
        for start in range(0, len(sent), 100):
            ends[0].peer.sendall(sent[start : start + 100])
        wait_for(lambda: len(ends[0].data) == len(sent), "all came")
        done.set()
        for looker in lookers:
            looker.join()
    assert ends[0].data == sent
    assert not twice


def test_a_port_that_cannot_be_waited_for_is_still_read(ends: list[End]) -> None:
    together = Together(SystemClock())
    ends[0].port.fd = 1_000_000  # more than the system's call takes
    with read_together(together, ends):
        ends[0].peer.sendall(b"x")
        wait_for(lambda: ends[0].data == b"x", "it is read")
