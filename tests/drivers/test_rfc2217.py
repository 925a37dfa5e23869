"""A network serial server (RFC 2217) whose far end is pyserial's own ``PortManager``."""

import contextlib
import select
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from serial import rfc2217

from acquire.clock import SystemClock
from tests.drivers.families import FAMILIES, line
from tests.drivers.far_end import PtyEnd, reading, wait_for

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
    # pyserial 3.5 still names its threads the old way
    pytest.mark.filterwarnings("ignore:set(Daemon|Name).* is deprecated:DeprecationWarning"),
]
STREAMED, ASKED, _ = FAMILIES


class Modemless(serial.Serial):
    """A pseudo-terminal has no modem lines to set."""

    def _update_dtr_state(self) -> None: ...

    def _update_rts_state(self) -> None: ...

    cts = dsr = ri = cd = property(lambda _: False)


class Server:
    """Serves one pseudo-terminal to one client after the other, on a TCP port that stays."""

    def __init__(self, device: str) -> None:
        self._device = device
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self._number = int(probe.getsockname()[1])
        self.port = f"rfc2217://127.0.0.1:{self._number}"
        self.baud_asked_for = 0
        self._off = threading.Event()

    @contextlib.contextmanager
    def on(self) -> Iterator[None]:
        self._off.clear()
        thread = threading.Thread(target=self._run)
        with socket.create_server(("127.0.0.1", self._number)) as listener:
            listener.settimeout(0.02)
            self._listener = listener
            thread.start()
            try:
                yield
            finally:
                self._off.set()
                thread.join()

    def _run(self) -> None:
        while not self._off.is_set():
            with contextlib.suppress(TimeoutError, ConnectionError):
                peer, _ = self._listener.accept()
                with peer, Modemless(self._device, timeout=0) as port:
                    self._serve(peer, port)

    def _serve(self, peer: socket.socket, port: serial.Serial) -> None:
        telnet = SimpleNamespace(write=peer.sendall)
        manager: Any = rfc2217.PortManager(port, telnet)  # type: ignore[arg-type]  # it takes any port and any writer
        while not self._off.is_set():
            ready, _, _ = select.select([peer.fileno(), port.fileno()], [], [], 0.02)
            if peer.fileno() in ready:
                came = peer.recv(1024)
                if not came:
                    return
                port.write(b"".join(manager.filter(came)))
                self.baud_asked_for = port.baudrate
            if port.fileno() in ready:
                peer.sendall(b"".join(manager.escape(port.read(1024))))


@pytest.fixture
def gauge(tmp_path: Path) -> Iterator[PtyEnd]:
    end = PtyEnd(tmp_path)
    end.plug()
    yield end
    end.unplug()


def test_a_streaming_gauge_behind_a_network_serial_server_is_read_with_its_baud_rate(gauge: PtyEnd) -> None:
    server = Server(gauge.port)
    with server.on(), reading(STREAMED.make(server.port, baud=19200), SystemClock()) as (_, got):
        wait_for(lambda: len(got.values) > 5, "samples come", lambda: gauge.send(line(1.25) + b"\r\n"))
    assert server.baud_asked_for == 19200
    assert set(got.values) == {1.25}
    assert got.batches[0][0].source == server.port


def test_a_gauge_behind_a_network_serial_server_answers_when_asked(gauge: PtyEnd) -> None:
    server = Server(gauge.port)

    def answer() -> None:
        if b"?\r" in gauge.asked():
            gauge.send(line(2.5) + b"\r\n")

    with server.on(), reading(ASKED.make(server.port), SystemClock()) as (reader, got):
        wait_for(lambda: len(got.values) > 3, "replies come", answer)
        assert reader.state == "live"
    assert set(got.values) == {2.5}


def test_a_network_serial_server_that_goes_and_comes_is_said_and_read_again(gauge: PtyEnd) -> None:
    server = Server(gauge.port)
    with contextlib.ExitStack() as stack:
        with server.on():
            reader, got = stack.enter_context(reading(STREAMED.make(server.port), SystemClock()))
            wait_for(lambda: reader.state == "live", "it talks", lambda: gauge.send(line(1.0) + b"\r\n"))
        wait_for(lambda: reader.state == "lost", "the loss is noticed")
        assert server.port in got.sentence("lost")
        with server.on():
            wait_for(lambda: reader.state == "live", "it is back", lambda: gauge.send(line(2.0) + b"\r\n"))
            assert got.kinds == ["opened", "lost", "back"]
