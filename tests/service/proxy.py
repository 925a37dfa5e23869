"""A relay between a client and the daemon that can be cut, and can hold everything back without a word."""

import asyncio
import contextlib
from types import TracebackType
from urllib.parse import urlsplit


class Relay:
    """``url`` is what the client is given. Cut: nothing listens. Held: connections live, no byte passes."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._to = (parts.hostname, parts.port)
        self._server: asyncio.Server | None = None
        self._passing = asyncio.Event()
        self._passing.set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._port = 0
        self.connections = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._port}"

    async def __aenter__(self) -> "Relay":
        await self.join()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.cut()

    async def join(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self._port)
        self._port = self._server.sockets[0].getsockname()[1]

    async def cut(self) -> None:
        if self._server is not None:
            self._server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def hold(self) -> None:
        self._passing.clear()

    def go_on(self) -> None:
        self._passing.set()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        out: asyncio.StreamWriter | None = None
        with contextlib.suppress(OSError, asyncio.CancelledError):
            back, out = await asyncio.open_connection(*self._to)
            await asyncio.gather(self._pump(reader, out), self._pump(back, writer))
        for end in (writer, out):
            if end is not None:
                end.transport.abort()
        self._tasks.discard(task)

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65536):
            await self._passing.wait()
            writer.write(data)
            await writer.drain()
        raise ConnectionError("one end is gone")
