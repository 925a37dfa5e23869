"""Connections, bounded: so many, no longer idle than they may be, and none that never reads its answer.

What is not HTTP, or has headers without end, is refused with the same model
as everything else.
"""

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from acquire.service.limits import HEADERS_S, MOST_CONNECTIONS, READING_S
from acquire.wire import Refusal, to_json


class BoundedConnection(H11Protocol):
    """One connection before it becomes a live stream, if it does."""

    _headers_due: asyncio.TimerHandle | None = None
    _reading_due: asyncio.TimerHandle | None = None
    _upgraded = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take it, at the price of one that is of no use any more; else say that there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS and not self._make_room():
            self._refuse(503, f"{MOST_CONNECTIONS} connections are open: close some, or ask again soon")
            return
        self._expect_headers()

    def data_received(self, data: bytes) -> None:
        """Feed what came; a request that has begun must be there in time."""
        super().data_received(data)
        if self._upgraded:
            return
        if self.waits:
            self._expect_headers()
        else:
            self._headers_came()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is due any more."""
        self._headers_came()
        self._reads_again()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """The next request on this connection must come in time, too."""
        super().on_response_complete()
        if self.waits and not self.transport.is_closing():
            self._expect_headers()

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """From here on it is another protocol's: a live stream asks for nothing and may last for days."""
        self._upgraded = True
        self._headers_came()
        super().handle_websocket_upgrade(event)

    def pause_writing(self) -> None:
        """The client does not read: it has some time to go on."""
        self.flow.pause_writing()
        self._reading_due = self.loop.call_later(READING_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It reads again."""
        self._reads_again()
        self.flow.resume_writing()

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002
        """What came is not a request; ``msg`` is not for people."""
        if not self.waits and self.cycle.response_started:
            self.transport.abort()
            return
        self._refuse(400, "this is not an HTTP request, or its headers are too large: use a steadydraw client")

    @property
    def waits(self) -> bool:
        """Whether no request is being answered."""
        cycle: RequestResponseCycle | None = self.cycle
        return cycle is None or cycle.response_complete

    def _refuse(self, status: int, sentence: str) -> None:
        body = to_json(Refusal(sentence=sentence))
        head = f"HTTP/1.1 {status} Refused\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n"
        self.transport.write(f"{head}Retry-After: 1\r\nConnection: close\r\n\r\n".encode() + body)
        self.transport.close()

    def _make_room(self) -> bool:
        """Drop a connection that is closing, or one that asks nothing."""
        others: list[Any] = [each for each in self.connections if each is not self]
        for other in others:
            if other.transport.is_closing():
                other.transport.abort()
                return True
        idle = [each for each in others if isinstance(each, BoundedConnection) and each.waits]
        if not idle:
            return False
        min(idle, key=lambda each: each.idle_since_s).transport.abort()
        return True

    @property
    def idle_since_s(self) -> float:
        """When it began to wait, in the loop's seconds."""
        return self._headers_due.when() if self._headers_due is not None else 0.0

    def _expect_headers(self) -> None:
        if self._headers_due is None:
            self._headers_due = self.loop.call_later(HEADERS_S, self.transport.abort)

    def _headers_came(self) -> None:
        if self._headers_due is not None:
            self._headers_due.cancel()
            self._headers_due = None

    def _reads_again(self) -> None:
        if self._reading_due is not None:
            self._reading_due.cancel()
            self._reading_due = None
