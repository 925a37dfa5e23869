"""All work for the engine's thread in one order, bounded where the world does not wait: samples.

Samples wake nobody: they gather until other work comes after them or the
thread looks by itself, and are handed on as one batch. ``collect`` is called
just before: it puts the samples of what ports have received since.
"""

import queue
import threading
from collections.abc import Callable

from drivers.sample import Sample

# about 100 MB of samples kept while the thread is held up, as by a disk that does not answer
MOST_WAITING = 1_000_000

Work = Callable[[], None]


class Inbox:
    """Any thread puts, one takes. Samples beyond the bound are dropped; how many and from when takes their place."""

    def __init__(
        self,
        use: Callable[[list[Sample]], None],
        lost: Callable[[int, int], None],
        collect: Callable[[], None] = lambda: None,
    ) -> None:
        self._use = use
        self._collect = collect
        self._lost = lost
        self._queue: queue.SimpleQueue[Work | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._waiting = 0
        self._missed = 0
        self._missed_us = 0
        self._gathered: list[Sample] = []

    def put(self, work: Work) -> None:
        """Anything else than samples; always taken, and after the samples that came before it."""
        self._collect()
        with self._lock:
            self._put_gathered()
            self._queue.put(work)

    def put_samples(self, samples: list[Sample]) -> None:
        """Samples of one read."""
        with self._lock:
            if self._waiting + len(samples) > MOST_WAITING:
                self._missed_us = self._missed_us if self._missed else samples[0].t_us
                self._missed += len(samples)
                return
            self._waiting += len(samples)
            self._put_missed()
            self._gathered += samples

    def close(self) -> None:
        """Nothing comes any more: ``get`` gives None once the rest is taken."""
        with self._lock:
            self._put_gathered()
            self._put_missed()
            self._queue.put(None)

    def get(self, wait_s: float = 0.0) -> Work | None:
        """The next work, or the samples that have gathered by the end of the wait; None at the end.

        Raises ``queue.Empty``.
        """
        try:
            return self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait()
        except queue.Empty:
            self._collect()
            with self._lock:
                self._put_gathered()
            return self._queue.get_nowait()

    def _put_gathered(self) -> None:
        samples, self._gathered = self._gathered, []
        if samples:
            self._queue.put(lambda: self._hand_on(samples))

    def _put_missed(self) -> None:
        missed, t_us = self._missed, self._missed_us
        if missed:
            self._put_gathered()
            self._queue.put(lambda: self._lost(t_us, missed))
            self._missed = 0

    def _hand_on(self, samples: list[Sample]) -> None:
        with self._lock:
            self._waiting -= len(samples)
        self._use(samples)
