"""The live stream as a client gets it: it comes back by itself, and no event is lost or doubled."""

import asyncio
import contextlib
from collections.abc import AsyncGenerator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol
from urllib.parse import urlencode

from pydantic import ValidationError

from acquire.records import Frame, LiveEvent
from acquire.wire import LIVE, ClientError, EventMessage, Fault, FrameMessage, Hello, Lost, Refusal, Screen

if TYPE_CHECKING:
    from websockets.asyncio.client import ClientConnection

__all__ = ["Lost", "stream"]

SILENT_S = 1.6  # the daemon sends at least one message a second
OPEN_S = 1.0
WAIT_S = (0.05, 0.1, 0.2, 0.5, 1.0)


class Target(Protocol):
    """Where to connect, and as which screen; ``refresh`` looks the address up again."""

    url: str
    token: str
    screen: Screen | None

    def refresh(self) -> bool:
        """Whether the address is another one now."""
        ...


class _GoneError(Exception):
    """The stream broke off; the message is the sentence for ``Lost``."""


async def stream(target: Target, rate: float) -> AsyncGenerator[Frame | LiveEvent | Lost, None]:
    """Frames ``rate`` times a second, events at once, ``Lost`` within two seconds of losing the daemon.

    Begins with the present: events from before the first connection are not
    told. Raises ``ClientError`` only for a ``rate`` that the daemon refuses.
    """
    place = _Place()
    said = ""
    tries = 0
    while True:
        try:
            async with contextlib.aclosing(_one_connection(target, rate, place)) as messages:
                async for message in messages:
                    if isinstance(message, Frame):
                        said, tries = "", 0
                    yield message
        except _GoneError as gone:
            if str(gone) != said:
                said = str(gone)
                yield Lost(said)
        await asyncio.sleep(WAIT_S[min(tries, len(WAIT_S) - 1)])
        tries += 1
        await asyncio.to_thread(target.refresh)


@dataclass(slots=True)
class _Place:
    """How far the events were told: number within a run of the daemon."""

    run: str = ""
    number: int | None = None


async def _one_connection(target: Target, rate: float, place: _Place) -> AsyncGenerator[Frame | LiveEvent | Lost, None]:
    connection = await _connect(target, rate, place)
    try:
        while True:
            try:
                text = await asyncio.wait_for(connection.recv(), SILENT_S)
                message = LIVE.validate_json(text)
            except TimeoutError as error:
                raise _GoneError(f"the daemon at {target.url} has gone silent") from error
            except ValidationError as error:
                raise _GoneError(f"the daemon at {target.url} is of another version: start it again") from error
            except _closed() as error:
                raise _GoneError(f"the daemon at {target.url} has gone: waiting for it to come back") from error
            if isinstance(message, FrameMessage):
                yield message.frame
            elif isinstance(message, EventMessage):
                if message.event.number > (place.number or 0):
                    place.number = message.event.number
                    yield message.event
            elif isinstance(message, Hello):
                place.run, place.number = message.run, message.last
                if message.missed:
                    yield Lost(f"{message.missed} events were missed while the daemon was out of reach", message.missed)
            elif isinstance(message, Fault):
                place.number = place.number if message.number is None else message.number
                yield Lost(message.sentence)
    finally:
        # a daemon that has hung would keep the closing handshake waiting
        connection.transport.abort()


async def _connect(target: Target, rate: float, place: _Place) -> "ClientConnection":
    from websockets.asyncio.client import connect
    from websockets.exceptions import InvalidHandshake, InvalidStatus

    query: dict[str, object] = {"rate": rate}
    if place.number is not None:
        query |= {"after": place.number, "run": place.run}
    url = f"ws{target.url.removeprefix('http')}/v1/live?{urlencode(query)}"
    headers = {"Authorization": f"Bearer {target.token}"} | (target.screen.headers() if target.screen else {})
    try:
        return await connect(
            url,
            additional_headers=headers,
            open_timeout=OPEN_S,
            ping_interval=None,
            compression=None,
            proxy=None,
            max_size=16 * 1024 * 1024,
        )
    except InvalidStatus as error:
        sentence = _sentence(error.response.status_code, bytes(error.response.body or b""))
        if error.response.status_code == 422:
            raise ClientError(sentence) from error
        raise _GoneError(sentence) from error
    except (OSError, InvalidHandshake) as error:
        raise _GoneError(f"no daemon answers at {target.url}: waiting for it to come back") from error


def _closed() -> type[Exception]:
    from websockets.exceptions import ConnectionClosed

    return ConnectionClosed


def _sentence(status: int, body: bytes) -> str:
    try:
        return Refusal.model_validate_json(body).sentence
    except ValidationError:
        return f"the daemon refused the live stream ({status})"
