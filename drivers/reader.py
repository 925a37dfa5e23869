"""One thread a port: opens it, sees to it that it is read, comes back by itself."""

import logging
import threading
from collections.abc import Callable

from drivers.base import Clock, Counts, Instrument, Parser
from drivers.errors import DriverError
from drivers.link import ByteLink, open_link
from drivers.sample import Notice, Press, Sample
from drivers.together import Port, Together
from drivers.watch import State, Watch

log = logging.getLogger(__name__)

# seconds of the machine, not of the injected clock: they bound how long a stop takes
RETRY_S = 0.5
READ_WAIT_S = 0.1
ASKING_WAIT_S = 0.02
_DRAIN_READS = 10


class PortReader:
    """Reads one instrument until told to stop, whatever happens to its port.

    Each read is stamped once and handed on as one batch: ``on_samples``,
    then ``on_press`` for each press in it. A callback that raises is said
    like a lost port, and tried again with the next batch. All callbacks run in
    the reader's thread; with ``together`` an instrument that sends by itself is
    read with the others, where the system can, and they run wherever what came is used.
    """

    def __init__(
        self,
        instrument: Instrument,
        clock: Clock,
        on_samples: Callable[[list[Sample]], None],
        on_press: Callable[[Press], None],
        on_notice: Callable[[Notice], None],
        together: Together | None = None,
    ) -> None:
        self.instrument = instrument
        self._clock = clock
        self._on_samples = on_samples
        self._on_press = on_press
        self._on_notice = on_notice
        self._together = together
        self._parser = instrument.parser()
        self._watch = Watch(instrument, self._parser.counts)
        self._asking = _Asking(instrument, self._parser)
        self._opened_before = False
        self._stopping = threading.Event()
        self._ended = threading.Event()
        self._fault: Exception | None = None
        self._thread = threading.Thread(target=self._run, name=f"reader {instrument.name}", daemon=True)

    @property
    def state(self) -> State:
        """Where the instrument stands now."""
        return self._watch.state

    @property
    def sentence(self) -> str:
        """What is wrong now, in one sentence; empty while it is live."""
        return self._watch.sentence

    @property
    def counts(self) -> Counts:
        """What came in and what was not used, since the reader was made."""
        return self._parser.counts

    def start(self) -> None:
        """Begin to read. A port that cannot be opened is said, and tried again."""
        self._thread.start()

    def stop(self) -> None:
        """Stop, close the port and wait for that, unless it is a callback that stops it. Harmless twice."""
        self._stopping.set()
        self._ended.set()
        called_back = self._together is not None and self._together.is_used_here
        if self._thread.is_alive() and self._thread is not threading.current_thread() and not called_back:
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._session()
            except DriverError as error:
                self._say(self._watch.lost(self._clock.t_us(), str(error)))
            except Exception as error:  # a fault of ours: seen, and the readings go on
                log.exception("reading %s", self.instrument.name)
                self._say(self._watch.lost(self._clock.t_us(), f"reading failed ({error!r}): report this fault"))
            self._stopping.wait(RETRY_S)
        self._watch.lost(self._clock.t_us(), "reading was stopped")

    def _session(self) -> None:
        link = open_link(self.instrument.settings)
        # the thread that reads also closes: a port closed under a blocked read fails in odd ways
        try:
            if self.instrument.asks or self.instrument.silence_is_normal:
                self._drain(link)
            self._parser.reset()
            self._asking.begin()
            self.counts.reconnects += self._opened_before
            self._opened_before = True
            self._say(self._watch.opened(self._clock.t_us()))
            if self._together is not None and not self.instrument.asks and link.fd is not None:
                self._read_with_others(self._together, link, link.fd)
            while not self._stopping.is_set():
                self._step(link)
        finally:
            link.close()

    def _drain(self, link: ByteLink) -> None:
        """Let what is on its way pass, so that the next byte begins a line."""
        for _ in range(_DRAIN_READS):
            if self._stopping.is_set() or not link.read(READ_WAIT_S):
                return

    def _read_with_others(self, together: Together, link: ByteLink, fd: int) -> None:
        """Until it is stopped. Raises what went wrong at the port."""
        # what speaks when its button is pressed is acted on
        at_once = self.instrument.silence_is_normal
        port = Port(link, fd, self._use, lambda t_us: self._say(self._watch.tick(t_us)), self._end, at_once)
        self._fault = None
        self._ended.clear()
        together.join(port)
        try:
            while not self._stopping.is_set() and self._fault is None:
                self._ended.wait()
        finally:
            together.leave(port)
        if self._fault is not None:
            raise self._fault

    def _end(self, fault: Exception) -> None:
        self._fault = fault
        self._ended.set()

    def _use(self, data: bytes, t_us: int) -> None:
        self._hand_on(self._parser.feed(data, t_us), t_us)

    def _step(self, link: ByteLink) -> None:
        asks = self.instrument.asks
        if asks and self._asking.takes_turn(self._clock.t_us()):
            question = self._parser.ask()
            self._asking.resting = not question
            if question:
                link.write(question)
        data = link.read(ASKING_WAIT_S if asks else READ_WAIT_S)
        t_us = self._clock.t_us()
        if data:
            if self._together is not None:
                self._together.use()  # which came before
            self._use(data, t_us)
        self._say(self._watch.tick(t_us))

    def _hand_on(self, items: list[Sample | Press], t_us: int) -> None:
        if not items:
            return
        samples = [item for item in items if isinstance(item, Sample)]
        try:
            if samples:
                self._on_samples(samples)
            for item in items:
                if isinstance(item, Press):
                    self._on_press(item)
        except Exception as error:
            if self._watch.state != "lost":
                log.exception("handing on the readings of %s", self.instrument.name)
            what = f"its readings arrive but could not be used ({error!r}): restart, and report this fault"
            self._say(self._watch.lost(t_us, what))
        else:
            self._say(self._watch.heard(t_us, {sample.channel for sample in samples}))

    def _say(self, notices: list[Notice]) -> None:
        for notice in notices:
            try:
                self._on_notice(notice)
            except Exception:  # the state and sentence still tell
                log.exception("telling: %s", notice.sentence)


class _Asking:
    """When to ask: every so often, and not before the reply came or is overdue."""

    def __init__(self, instrument: Instrument, parser: Parser) -> None:
        self._every_us = round(instrument.ask_every_s * 1e6)
        self._within_us = round(instrument.reply_within_s * 1e6)
        self._parser = parser
        self._asked_us: int | None = None
        self._lines_then = 0
        # the parser had no question this turn, and waits for nothing
        self.resting = False

    def begin(self) -> None:
        """The link is new: nothing was asked yet."""
        self._asked_us = None

    def takes_turn(self, t_us: int) -> bool:
        """Whether to ask now; the caller does so if it is."""
        if self._asked_us is not None:
            answered = self._lines() > self._lines_then
            wait_us = self._every_us if answered else max(self._every_us, self._within_us)
            if t_us - self._asked_us < wait_us:
                return False
            if not answered and not self.resting:
                self._parser.counts.no_reply += 1
                self._parser.abandon()
        self._asked_us = t_us
        self._lines_then = self._lines()
        return True

    def _lines(self) -> int:
        return self._parser.counts.good_lines + self._parser.counts.discarded
