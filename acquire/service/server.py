"""Runs the local API: the socket, the address file, signals and a clean stop."""

import asyncio
import contextlib
import logging
import os
import secrets
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import uvicorn

from acquire.clock import Clock, SystemClock
from acquire.loopback import is_loopback
from acquire.records import Refused
from acquire.service.api import Behind, make_app
from acquire.service.command import Command
from acquire.service.connections import BoundedConnection
from acquire.service.console import closing_console
from acquire.service.guard import Guard
from acquire.service.hub import Hub
from acquire.service.limits import LARGEST_HEADERS, LARGEST_MESSAGE
from acquire.service.ports import ArchiveApi, EngineApi, OpenArchive
from acquire.service.status import Publishing, Reporter
from acquire.service.supervisor import feed_watchdog, notify, watchdog_s
from acquire.where import Address, remove_address, state_folder, write_address
from acquire.wire import Health

GRACE_S = 2
_DATE_S = 1.0


def _is_news(record: logging.LogRecord) -> bool:
    # said of each refused WebSocket although the refusal was sent
    return not record.getMessage().startswith("ASGI callable returned without completing handshake")


class _Server(uvicorn.Server):
    """Says when it is ready, and leaves at a signal without raising it again: the caller tidies up."""

    ready: Callable[[], None] = staticmethod(lambda: None)
    _wake: Callable[[], None] = staticmethod(lambda: None)

    def leave(self) -> None:
        """Stop soon; from any thread, or from a signal's handler."""
        self.should_exit = True
        self._wake()

    async def main_loop(self) -> None:
        # (the library's own looks ten times a second whether it is to leave, and wakes the processor for it)
        asked, loop = asyncio.Event(), asyncio.get_running_loop()

        def wake() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(asked.set)

        self._wake = wake
        while not await self.on_tick(0):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_DATE_S):
                    await asked.wait()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        # a live client that was given up still has what it never read
        self._abort(only_closing=True)
        await super().shutdown(sockets)
        self._abort()
        await asyncio.sleep(0)

    def _abort(self, only_closing: bool = False) -> None:
        for connection in list(self.server_state.connections):
            if connection.transport.is_closing() or not only_closing:
                connection.transport.abort()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        signals = [signal.SIGINT, signal.SIGTERM]
        if sys.platform == "win32":
            signals.append(signal.SIGBREAK)
        elif signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # nohup means it
            signals.append(signal.SIGHUP)
        before = {number: signal.signal(number, self._leave) for number in signals}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _leave(self, _number: int, _frame: FrameType | None) -> None:
        self.force_exit = self.should_exit  # asked a second time: do not wait for anybody
        self.leave()


def _default_archive(path: Path) -> AbstractContextManager[ArchiveApi]:
    from acquire.store.reader import ArchiveReader

    return ArchiveReader(path)


@dataclass(frozen=True, slots=True)
class Beyond:
    """The permission to answer other machines, and the names they may call this one by."""

    names: tuple[str, ...]

    def warning(self, url: str) -> str:
        """What whoever starts the daemon must read."""
        called = f", as {' or '.join(self.names)}" if self.names else ""
        return (
            f"The daemon answers other machines on {url}{called}. Nothing is encrypted, and whoever has its token "
            "can run the bench: only on a network that you trust, never on the internet."
        )


class Service:
    """The local API over an engine.

    Made before the engine starts, no event goes unseen. ``url`` and
    ``token`` hold as soon as it is made: the socket is already open.
    Raises ``Refused`` for a host that is not this machine, or a port in use.
    """

    def __init__(
        self,
        engine: EngineApi,
        bench_name: str,
        archive_path: Path,
        host: str = "127.0.0.1",
        port: int = 0,
        *,
        beyond: Beyond | None = None,
        clock: Clock | None = None,
        open_archive: OpenArchive = _default_archive,
        publishing: Publishing | None = None,
    ) -> None:
        if beyond is None and not is_loopback(host):
            raise Refused(
                f"host {host} is not this machine: the daemon only answers on 127.0.0.1, ::1 or localhost, unless "
                "others are allowed (--beyond-this-machine, or beyond_this_machine in [service])"
            )
        clock = clock or SystemClock()
        self._socket = _listen(host, port)
        bound_host, bound_port = self._socket.getsockname()[:2]
        # an address that stands for all of this machine's is no address to connect to
        near = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(bound_host, bound_host)
        shown = f"[{near}]" if ":" in near else near
        self.token = secrets.token_urlsafe(32)
        self.url = f"http://{shown}:{bound_port}"
        self.address = Address(
            url=self.url,
            token=self.token,
            pid=os.getpid(),
            bench=bench_name,
            archive=str(archive_path),
            since_utc=clock.utc().isoformat(timespec="seconds"),
        )
        self._engine = engine
        logging.getLogger("uvicorn.error").addFilter(_is_news)
        self._lock = threading.Lock()
        self._running = False
        run = secrets.token_hex(8)
        health = Health(version=engine.bench().version, bench=bench_name, pid=os.getpid(), run=run)
        self._hub = Hub(engine.subscribe, run)
        self._command = Command(clock, engine.announce)
        self._reporter = Reporter(engine, self._command, clock, health, clock.utc(), publishing)
        app = make_app(Behind(engine, self._hub, self._command, health, self._reporter, open_archive), health.version)
        self._server = _Server(
            uvicorn.Config(
                Guard(app, self.token, (*beyond.names, near) if beyond is not None else ()),
                loop="none",
                http=BoundedConnection,
                h11_max_incomplete_event_size=LARGEST_HEADERS,
                ws="websockets-sansio",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=GRACE_S,
                ws_max_size=LARGEST_MESSAGE,
                ws_per_message_deflate=False,
                ws_ping_interval=10,
                ws_ping_timeout=10,
            )
        )

    def run(self, ready: Callable[[str], None] | None = None) -> None:
        """Serve until ``stop`` or a signal that ends programs; ``ready`` gets the URL once requests are taken.

        Returns at once if it was stopped before. Raises ``Refused`` if the address cannot be written.
        """
        with self._lock:
            if self._server.should_exit:
                return
            self._running = True
        logging.getLogger().addHandler(self._reporter.errors)
        try:
            self._write_address()
            with closing_console(self.stop), asyncio.Runner() as runner:
                runner.run(self._main(ready))
        finally:
            remove_address(self.address)
            self._release()

    def stop(self) -> None:
        """Stop soon and cleanly, or give the port back if it never ran; from any thread, twice is harmless."""
        with self._lock:
            self._server.leave()
            if not self._running:
                self._release()

    def _write_address(self) -> None:
        try:
            write_address(self.address)
        except OSError as error:
            raise Refused(
                f"the daemon's address cannot be written ({error}): check that {state_folder()} can be written"
            ) from error

    def _release(self) -> None:
        logging.getLogger().removeHandler(self._reporter.errors)
        self._hub.close()
        self._socket.close()

    async def _main(self, ready: Callable[[str], None] | None) -> None:
        self._hub.open()

        def say_ready() -> None:
            if ready is not None:
                ready(self.url)
            notify(f"READY=1\nSTATUS={self.address.bench}: serving on {self.url}")

        self._server.ready = say_ready
        every_s = watchdog_s()
        fed = None
        if every_s is not None:
            fed = asyncio.create_task(feed_watchdog(lambda: self._engine.frame().t_us, every_s))
        try:
            await self._server.serve(sockets=[self._socket])
        finally:
            notify("STOPPING=1")
            if fed is not None:
                fed.cancel()
            self._hub.close()


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=64)
    except (OSError, OverflowError) as error:
        raise Refused(
            f"port {port} of {host} cannot be used ({error}): choose another, or 0 for any free one"
        ) from error
