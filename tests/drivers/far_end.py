"""The instruments' end of the wire for tests, and what a reader handed on."""

import contextlib
import os
import select
import socket
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

from acquire.clock import ManualClock, SystemClock
from drivers.base import Instrument
from drivers.reader import PortReader
from drivers.sample import Notice, Press, Sample
from drivers.together import Together

DEADLINE_S = 20.0


def wait_for(condition: Callable[[], object], what: str, meanwhile: Callable[[], object] | None = None) -> None:
    """Wait until ``condition`` holds; calls ``meanwhile`` each time before it looks again."""
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, f"waited {DEADLINE_S} s in vain until {what}"
        if meanwhile:
            meanwhile()
        select.select([], [], [], 0.005)


class FarEnd(Protocol):
    """An instrument that can be plugged in and out."""

    @property
    def port(self) -> str: ...
    def plug(self) -> None: ...
    def unplug(self) -> None: ...
    def send(self, data: bytes) -> None: ...
    def asked(self) -> bytes: ...


class PtyEnd:
    """A pseudo-terminal behind a symlink that stays, as in /dev/serial/by-id."""

    def __init__(self, folder: Path) -> None:
        self.link = folder / "usb-Example_Gauge_0001-if00"
        self.master = self._slave = -1

    @property
    def port(self) -> str:
        return str(self.link)

    def plug(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            os.close(self._slave)
            self.master = self._slave = -1
        self.link.unlink(missing_ok=True)

    def send(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads yet
            os.write(self.master, data)

    def asked(self) -> bytes:
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""


class TcpEnd:
    """A serial server on a TCP port that stays the same."""

    def __init__(self) -> None:
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self._number = int(probe.getsockname()[1])

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self._number}"

    def plug(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self._number))
        self._listener.setblocking(False)

    def unplug(self) -> None:
        for each in (self._peer, self._listener):
            if each:
                each.close()
        self._peer = self._listener = None

    def _connected(self) -> socket.socket | None:
        if self._peer is None and self._listener is not None:
            with contextlib.suppress(BlockingIOError):
                self._peer, _ = self._listener.accept()
                self._peer.setblocking(False)
        return self._peer

    def send(self, data: bytes) -> None:
        if peer := self._connected():
            with contextlib.suppress(OSError):
                peer.send(data)

    def asked(self) -> bytes:
        if peer := self._connected():
            with contextlib.suppress(OSError):
                return peer.recv(4096)
        return b""


class Received:
    """All that a reader handed on, in order."""

    def __init__(self) -> None:
        self.batches: list[list[Sample]] = []
        self.presses: list[Press] = []
        self.notices: list[Notice] = []

    @property
    def values(self) -> list[float]:
        return [sample.value for batch in self.batches for sample in batch]

    @property
    def kinds(self) -> list[str]:
        return [notice.kind for notice in self.notices]

    def sentence(self, kind: str) -> str:
        return next(notice.sentence for notice in self.notices if notice.kind == kind)


def together_with(clock: SystemClock | ManualClock) -> Together | None:
    """What a reader is read with."""
    return Together(clock)


@contextlib.contextmanager
def reading(instrument: Instrument, clock: SystemClock | ManualClock) -> Iterator[tuple[PortReader, Received]]:
    """A reader at work, stopped at the end whatever happens."""
    got = Received()
    callbacks = got.batches.append, got.presses.append, got.notices.append
    reader = PortReader(instrument, clock, *callbacks, together_with(clock))
    reader.start()
    try:
        yield reader, got
    finally:
        reader.stop()
