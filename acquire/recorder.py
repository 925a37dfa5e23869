"""Keeps one session: what came in, what was done, what came out, in order.

Writes are made in order and one by one; one that fails stays first in line
and is tried again, so nothing that was acknowledged can be missing and
nothing is written out of turn. ``then`` is called once a write is durable:
that is the moment to acknowledge it.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from acquire.clock import Clock
from acquire.outputs import Ended, Marked, Output, Skipped, Taken, ZerosRead
from acquire.records import Action
from acquire.store.archive import Archive, ArchiveError
from drivers.sample import Notice, Sample

_BLOCK_US = 1_000_000
_RETRY_US = 1_000_000
# about 100 MB of samples kept while the archive cannot be written
MOST_WAITING = 1_000_000


@dataclass(slots=True)
class _Write:
    do: Callable[[], None]
    then: Callable[[], None] | None
    samples: int = 0


class Recorder:
    """The engine's pen. Used by the engine's thread only."""

    def __init__(self, archive: Archive, pull_id: int, session_id: int, clock: Clock) -> None:
        self._archive = archive
        self.pull_id = pull_id
        self.session_id = session_id
        self._clock = clock
        self._pending: list[Sample] = []
        self._count = 0
        self._waiting: deque[_Write] = deque()
        self._waiting_samples = 0
        self.lost = 0
        self.failure = ""
        self._retry_us = 0

    def samples(self, batch: Sequence[Sample]) -> None:
        """Samples as received; written with the next point or within a second."""
        self._pending += batch
        self._count += len(batch)

    def flush_if_due(self) -> None:
        """Write the block that is full, and try again what failed."""
        if self._pending and self._pending[-1].t_us - self._pending[0].t_us >= _BLOCK_US:
            self._block()
        if self._waiting and (not self.failure or self._clock.t_us() >= self._retry_us):
            self._write_all()

    def action(self, t_us: int, action: Action) -> None:
        """What the operator did, after the samples so far."""
        after = self._count
        self._add(lambda: self._archive.add_action(self.session_id, after, t_us, action))

    def notice(self, notice: Notice) -> None:
        """What an instrument had to say."""
        after = self._count
        self._add(lambda: self._archive.add_notice(self.session_id, after, notice))

    def output(self, output: Output, then: Callable[[], None]) -> None:
        """What the pull made of it; ``then`` runs when it is durable."""
        archive, pull_id = self._archive, self.pull_id
        if isinstance(output, Taken):
            point, block = output.point, self._take_pending()
            self._add(lambda: archive.commit_point(pull_id, self.session_id, point, block), then, len(block))
        elif isinstance(output, ZerosRead):
            self._block()
            self._add(lambda: archive.set_zeros(pull_id, self.session_id, output.which, output.zeros), then)
        elif isinstance(output, Marked):
            self._add(lambda: archive.add_mark(pull_id, output.mark), then)
        elif isinstance(output, Skipped):
            self._add(lambda: archive.skip_step(pull_id, output.step, output.skipped), then)
        elif isinstance(output, Ended):
            self._block()
            utc = self._clock.utc().isoformat()
            self._add(lambda: archive.end_pull(pull_id, output.outcome, utc), then)
        else:
            self._add(lambda: None, then)

    def then(self, write: Callable[[], None]) -> None:
        """Any other write, in its turn."""
        self._add(write)

    def close(self) -> None:
        """The end of the session. Raises ``ArchiveError`` if it cannot be written."""
        self._block()
        utc = self._clock.utc().isoformat()
        self._add(lambda: self._archive.close_session(self.session_id, utc))
        if self._waiting:
            self._write_all()
        if self._waiting:
            raise ArchiveError(f"{self.failure} {self._waiting_samples} samples could not be written.")

    def _take_pending(self) -> list[Sample]:
        block, self._pending = self._pending, []
        return block

    def _block(self) -> None:
        block = self._take_pending()
        if not block:
            return
        if self._waiting_samples + len(block) > MOST_WAITING:
            self.lost += len(block)
            return
        self._add(lambda: self._archive.add_samples(self.session_id, block), None, len(block))

    def _add(self, do: Callable[[], None], then: Callable[[], None] | None = None, samples: int = 0) -> None:
        self._waiting.append(_Write(do, then, samples))
        self._waiting_samples += samples
        if not self.failure:
            self._write_all()

    def _write_all(self) -> None:
        while self._waiting:
            write = self._waiting[0]
            try:
                write.do()
            except ArchiveError as error:
                self.failure = str(error)
                self._retry_us = self._clock.t_us() + _RETRY_US
                return
            self.failure = ""
            self._waiting.popleft()
            self._waiting_samples -= write.samples
            if write.then is not None:
                write.then()
