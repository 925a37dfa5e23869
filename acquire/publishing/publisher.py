"""The thread that publishes: live values while it can, points until they are there.

A broker that is away or slow holds up nobody: the engine is only asked for
its newest frame, and points are read from the archive.
"""

import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from acquire.clock import Clock
from acquire.publishing.broker import Broker, BrokerError, need_library
from acquire.publishing.messages import PublishedLive, PublishedState
from acquire.publishing.outbox import Outbox
from acquire.publishing.settings import Publish
from acquire.records import BenchSummary, Frame, LiveEvent
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader

log = logging.getLogger(__name__)
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
LONGEST_STOP_S = 5.0
# who is thrown off is back after the first wait, and throws off the other: no connection then lasts much longer
_SOON_WAITS = 10.0
_SOON_IN_A_ROW = 3


class Source(Protocol):
    """What is published of the daemon: its newest frame, and word of each point."""

    archive_path: Path

    def frame(self) -> Frame:
        """The bench as it stands."""
        ...

    def bench(self) -> BenchSummary:
        """Its name, and whether it is simulated."""
        ...

    def subscribe(self, listener: Callable[[LiveEvent], None]) -> Callable[[], None]:
        """Word of each event."""
        ...


class Publisher:
    """Publishes from ``start`` to ``stop``. ``standing`` is one sentence about it, ``well`` whether that is good.

    Raises ``BrokerError`` where the MQTT library is missing.
    """

    def __init__(
        self, settings: Publish, folder: Path, source: Source, clock: Clock, first_wait_s: float = FIRST_WAIT_S
    ) -> None:
        need_library()
        self._settings = settings
        self._folder = folder
        self._source = source
        self._clock = clock
        self._first_wait_s = first_wait_s
        self._bench = source.bench()
        self._since_utc = clock.utc().isoformat(timespec="seconds")
        self._stopping = threading.Event()
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)
        self._unsubscribe: Callable[[], None] = lambda: None
        self._waits_s = first_wait_s
        # that a connection is lost is seen with the next that is sent
        self._soon_us = round((_SOON_WAITS * first_wait_s + 2 * settings.live_every_s) * 1e6)
        self._connected_us: int | None = None
        # connections in a row that were lost soon after they were made
        self._lost_soon = 0
        self.well = False
        self.standing = f"connecting to the broker {settings.at}"

    def said(self) -> tuple[str, bool]:
        """``standing`` and ``well``."""
        return self.standing, self.well

    def start(self) -> None:
        """Begin."""
        if self._settings.password_in_the_clear:
            log.warning(
                "the password for the broker %s travels unencrypted: set tls = true in [publish]", self._settings.at
            )
        self._unsubscribe = self._source.subscribe(self._hear)
        self._thread.start()

    def stop(self) -> None:
        """Say that the bench is off, and end; a broker that does not answer is not waited for long."""
        self._unsubscribe()
        self._stopping.set()
        self._wake.set()
        if self._thread.ident is not None:
            self._thread.join(LONGEST_STOP_S)

    def _hear(self, event: LiveEvent) -> None:
        if event.kind == "taken":
            self._wake.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._connected_us = None
            try:
                with ArchiveReader(self._source.archive_path) as reader:
                    # before the broker is there: what is taken until then is not yet at it
                    outbox = Outbox(reader, self._settings)
                    with self._open() as broker:
                        self._connected_us = self._clock.t_us()
                        self._serve(broker, outbox)
            except BrokerError as error:
                self._count_lost()
                self._say(self._contested() if self._is_contested else str(error))
            except (ArchiveError, OSError) as error:
                self._say(str(error))
            except Exception as error:  # a fault of our own ends a connection, never the daemon
                log.exception("the publisher met a fault")
                self._say(f"publishing has a fault ({error!r}): see the log")
            self._stopping.wait(self._waits_s)
            self._waits_s = min(2 * self._waits_s, LONGEST_WAIT_S)

    def _open(self) -> Broker:
        return Broker(self._settings, self._folder, self._topic("state"), self._state(online=False))

    def _serve(self, broker: Broker, outbox: Outbox) -> None:
        broker.send(self._topic("state"), self._state(online=True), retain=True)
        outbox.found_at_broker(broker.kept(self._topic("point"), beside=self._topic("state")))
        self._waits_s = self._first_wait_s
        every_us = round(self._settings.live_every_s * 1e6)
        due_us = self._clock.t_us()
        while not self._stopping.is_set():
            self._wake.clear()
            self._say_well()
            for number, point in outbox.waiting():
                broker.send(self._topic("point"), point.model_dump_json().encode(), retain=True)
                outbox.mark(number, point)
                if self._stopping.is_set():
                    break
            now_us = self._clock.t_us()
            if now_us >= due_us:
                due_us = now_us + every_us
                live = PublishedLive.of(self._source.frame(), self._clock.utc().isoformat())
                broker.tell(self._topic("live"), live.model_dump_json().encode())
            self._wake.wait(max(due_us - now_us, 0) / 1e6)
        broker.send(self._topic("state"), self._state(online=False), retain=True)

    # ------------------------------------------------------------ what is said

    @property
    def _is_contested(self) -> bool:
        return self._lost_soon >= _SOON_IN_A_ROW

    @property
    def _is_young(self) -> bool:
        """Whether a connection was made, and not long ago."""
        return self._connected_us is not None and self._clock.t_us() - self._connected_us < self._soon_us

    def _count_lost(self) -> None:
        self._lost_soon = self._lost_soon + 1 if self._is_young else 0

    def _contested(self) -> str:
        return (
            f"the broker {self._settings.at} ends each connection soon after it is made: another bench probably "
            f"publishes under the topic {self._settings.topic!r}, give each bench its own topic in [publish]"
        )

    def _say_well(self) -> None:
        """Once a connection; after several that were lost soon, only when this one has lasted."""
        if self.well or (self._is_contested and self._is_young):
            return
        self.well, self.standing = True, f"publishing to {self._settings.at} as {self._settings.topic}"
        log.info("%s", self.standing)

    def _topic(self, name: str) -> str:
        return f"{self._settings.topic}/{name}"

    def _state(self, *, online: bool) -> bytes:
        state = PublishedState(
            online=online,
            bench=self._bench.name,
            version=self._bench.version,
            simulated=self._bench.simulated,
            since_utc=self._since_utc,
        )
        return state.model_dump_json().encode()

    def _say(self, sentence: str) -> None:
        """Once each: a broker that stays away is no news."""
        self.well = False
        if sentence != self.standing:
            self.standing = sentence
            log.warning("%s", sentence)
