"""The live stream in a thread of its own, for whatever has no event loop."""

import asyncio
import threading
from collections.abc import Callable
from types import TracebackType

from acquire.client import Client, Lost
from acquire.records import Frame, LiveEvent

_LOOK_S = 0.1


class Listening:
    """Hands every frame, event and loss to ``hear`` from entering to leaving."""

    def __init__(self, client: Client, hear: Callable[[Frame | LiveEvent | Lost], None], rate: float = 20) -> None:
        self._client = client
        self._hear = hear
        self._rate = rate
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="listening")

    def __enter__(self) -> "Listening":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()

    async def _run(self) -> None:
        task = asyncio.create_task(self._listen())
        while not self._stop.is_set() and not task.done():
            await asyncio.wait({task}, timeout=_LOOK_S)
        # before Python 3.12 wait_for may swallow a cancellation: ask until it is heard
        while not task.done():
            task.cancel()
            await asyncio.wait({task}, timeout=_LOOK_S)
        if not task.cancelled():
            task.result()

    async def _listen(self) -> None:
        async for item in self._client.live(rate=self._rate):
            self._hear(item)
