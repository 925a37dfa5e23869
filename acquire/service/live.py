"""The live WebSocket: frames at a steady rate, events at once."""

import asyncio
import contextlib
import logging
from collections.abc import Callable

from fastapi import WebSocket, WebSocketDisconnect

from acquire.records import Frame
from acquire.service.guard import refusal
from acquire.service.hub import Feed, Hub
from acquire.service.limits import MOST_LIVE
from acquire.wire import to_json

log = logging.getLogger(__name__)


async def serve_live(
    socket: WebSocket, hub: Hub, frame: Callable[[], Frame], rate: float, after: int | None, run: str
) -> None:
    """Serve one client until it leaves, falls too far behind, or the daemon stops."""
    if hub.feeds >= MOST_LIVE:
        await socket.send_denial_response(refusal(503, f"{MOST_LIVE} live streams are open: close one first"))
        return
    feed = hub.join(after, run)
    try:
        await socket.accept()
    except BaseException:
        hub.leave(feed)
        raise
    sending = asyncio.create_task(_send(socket, hub, feed, frame, 1 / rate))
    gone = asyncio.create_task(_until_gone(socket))
    others = [gone, asyncio.create_task(feed.overflow.wait())]
    try:
        await asyncio.wait([sending, *others], return_when=asyncio.FIRST_COMPLETED)
    finally:
        hub.leave(feed)
        for task in (sending, *others):
            task.cancel()
        failure = (await asyncio.gather(sending, *others, return_exceptions=True))[0]
    if gone.done() and not gone.cancelled() and gone.exception() is None and gone.result():
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await socket.close(1008, "the live stream only sends: commands go to /v1")
    elif isinstance(failure, Exception) and not isinstance(failure, WebSocketDisconnect):
        log.error("a live client had to be given up", exc_info=failure)
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await socket.close(1011, "the daemon could not go on: its log says more")
    elif feed.overflow.is_set():
        # it cannot be told: its connection takes nothing more, and returning closes it
        log.warning("a live client fell too far behind and was disconnected; it can ask again for what it missed")


async def _send(socket: WebSocket, hub: Hub, feed: Feed, frame: Callable[[], Frame], period_s: float) -> None:
    loop = asyncio.get_running_loop()
    await socket.send_text(to_json(feed.hello).decode())
    due_s = loop.time()
    while True:
        now_s = loop.time()
        if now_s >= due_s:
            # a client that was slow gets the frame of now, not those it has missed
            due_s = max(due_s + period_s, now_s)
            await socket.send_text(hub.frame_text(frame()))
            continue
        try:
            async with asyncio.timeout(due_s - now_s):
                event = await feed.get()
        except TimeoutError:
            continue
        await socket.send_text(event)


async def _until_gone(socket: WebSocket) -> bool:
    """Whether it said something instead of leaving: clients have nothing to say here."""
    return bool((await socket.receive())["type"] != "websocket.disconnect")
