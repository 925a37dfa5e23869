"""The ports of the simulated instruments: pseudo-terminals, or TCP servers on loopback.

Both drop what is sent while nobody has the port open, as an instrument does.
"""

import contextlib
import os
import socket
from abc import ABC, abstractmethod
from pathlib import Path

LONGEST_QUEUE = 65536


class Endpoint(ABC):
    """One instrument's port."""

    port: str

    @abstractmethod
    def exchange(self, data: bytes) -> bytes:
        """Send ``data`` if somebody listens, and return what came in. Never blocks."""

    @abstractmethod
    def unplug(self) -> None:
        """Let the port vanish until :meth:`plug`."""

    @abstractmethod
    def plug(self) -> None:
        """Let the port be there, under the same name as before."""

    @abstractmethod
    def close(self) -> None:
        """Remove the port for good."""


class TcpEndpoint(Endpoint):
    """A TCP server on a free loopback port, for one client at a time; a new client replaces the old one."""

    def __init__(self) -> None:
        self._number = 0
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None
        self._queue = b""
        self.plug()
        self.port = f"socket://127.0.0.1:{self._number}"

    def exchange(self, data: bytes) -> bytes:
        if self._listener is None:
            return b""
        with contextlib.suppress(BlockingIOError):
            client, _ = self._listener.accept()
            self._drop_client()
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client
        if self._client is None:
            return b""
        if len(self._queue) < LONGEST_QUEUE:
            self._queue += data
        try:
            if self._queue:
                with contextlib.suppress(BlockingIOError):
                    self._queue = self._queue[self._client.send(self._queue) :]
            heard = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            heard = b""
        if not heard:
            self._drop_client()
        return heard

    def unplug(self) -> None:
        self._drop_client()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def plug(self) -> None:
        if self._listener is not None:
            return
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere the option would let two servers share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self._number))
        listener.listen(1)
        listener.setblocking(False)
        self._listener = listener
        self._number = listener.getsockname()[1]

    def close(self) -> None:
        self.unplug()

    def _drop_client(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
        self._queue = b""


class PtyEndpoint(Endpoint):
    """A pseudo-terminal behind a link of constant name, as a by-id name of a real adapter is."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._master: int | None = None
        self.plug()
        self.port = str(link)

    def exchange(self, data: bytes) -> bytes:
        if self._master is None:
            return b""
        heard = b""
        try:
            heard = os.read(self._master, 4096)
            listened = heard != b""  # an end of file, or on Linux an error: nobody has the terminal open
        except BlockingIOError:
            listened = True
        except OSError:
            listened = False
        if listened and data:
            with contextlib.suppress(OSError):
                os.write(self._master, data)
        return heard

    def unplug(self) -> None:
        if self._master is not None:
            self._link.unlink(missing_ok=True)
            os.close(self._master)
            self._master = None

    def plug(self) -> None:
        if self._master is not None:
            return
        import pty
        import tty

        master, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        # opened and closed once, so that it reads as left until a client comes
        os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._link.symlink_to(name)

    def close(self) -> None:
        self.unplug()
