"""From the engine's thread to any number of live clients, none of which can hold it up."""

import asyncio
import threading
from collections import deque
from collections.abc import Callable

from acquire.records import Frame, LiveEvent
from acquire.values import PullView
from acquire.wire import EventMessage, Fault, Hello, NotFiniteError, frame_message, pull_json, to_json

EVENTS_KEPT = 1000
EVENTS_WAITING = 1000


class Feed:
    """What one client still has to get: events in order. ``overflow`` once it fell too far behind."""

    def __init__(self, hello: Hello, held: list[str]) -> None:
        self.hello = hello
        self.overflow = asyncio.Event()
        self._events: asyncio.Queue[str] = asyncio.Queue(EVENTS_WAITING + len(held))
        for text in held:
            self._events.put_nowait(text)

    def put(self, text: str) -> None:
        """Add an event, or give the client up: it can come back and ask again."""
        try:
            self._events.put_nowait(text)
        except asyncio.QueueFull:
            self.overflow.set()

    async def get(self) -> str:
        """The next event's message."""
        return await self._events.get()


class Hub:
    """Keeps the last events and hands each to every feed.

    Subscribes at once, so that events from before the loop runs are not lost.
    All methods but the listener run in the loop's thread.
    """

    def __init__(self, subscribe: Callable[[Callable[[LiveEvent], None]], Callable[[], None]], run: str) -> None:
        self.run = run
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._early: list[LiveEvent] = []
        self._held: deque[tuple[int, str]] = deque()
        self._last = 0
        self._dropped_to = 0
        self._feeds: set[Feed] = set()
        self._frame: tuple[Frame, str] | None = None
        self._pull: tuple[PullView | None, bytes] = (None, b"null")
        self._unsubscribe = subscribe(self._listen)

    def open(self) -> None:
        """Start handing out, in the running loop."""
        with self._lock:
            self._loop = asyncio.get_running_loop()
            early, self._early = self._early, []
        for event in early:
            self.accept(event)

    def close(self) -> None:
        """Stop listening. Twice is harmless."""
        unsubscribe, self._unsubscribe = self._unsubscribe, lambda: None
        unsubscribe()
        with self._lock:
            self._loop = None
            self._early = []

    def _listen(self, event: LiveEvent) -> None:
        with self._lock:
            if self._loop is None:
                self._early.append(event)
            else:
                self._loop.call_soon_threadsafe(self.accept, event)

    def accept(self, event: LiveEvent) -> None:
        """Keep an event and hand it to every feed."""
        try:
            text = to_json(EventMessage(event=event)).decode()
        except NotFiniteError as error:
            fault = Fault(sentence=f"event {event.number} cannot be shown: {error}", number=event.number)
            text = to_json(fault).decode()
        self._last = event.number
        self._held.append((event.number, text))
        if len(self._held) > EVENTS_KEPT:
            self._dropped_to = self._held.popleft()[0]
        for feed in self._feeds:
            feed.put(text)

    def join(self, after: int | None, run: str) -> Feed:
        """A feed from now on, or of all events with a number above ``after``.

        ``after`` of another ``run`` of the daemon says nothing about this
        one: such a client gets all events of this run.
        """
        if after is None:
            feed = Feed(Hello(run=self.run, last=self._last), [])
        else:
            start = after if run == self.run else 0
            hello = Hello(run=self.run, last=start, missed=max(0, self._dropped_to - start))
            feed = Feed(hello, [text for number, text in self._held if number > start])
        self._feeds.add(feed)
        return feed

    def leave(self, feed: Feed) -> None:
        """The client is gone."""
        self._feeds.discard(feed)

    @property
    def feeds(self) -> int:
        """How many live clients there are."""
        return len(self._feeds)

    def frame_text(self, frame: Frame) -> str:
        """The message of a frame, made once for all clients."""
        if self._frame is None or self._frame[0] is not frame:
            try:
                text = frame_message(frame, self._pull_json(frame.pull)).decode()
            except NotFiniteError as error:
                text = to_json(Fault(sentence=f"the bench cannot be shown now: {error}")).decode()
            self._frame = (frame, text)
        return self._frame[1]

    def _pull_json(self, pull: PullView | None) -> bytes:
        """Most of a frame, with all points of the pull: it stays as it is from one frame to the next."""
        if self._pull[0] is not pull:
            self._pull = (pull, pull_json(pull))
        return self._pull[1]
