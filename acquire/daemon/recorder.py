"""Keeps one session: what came in, what was done, what came out, in order.

Writes are made in order and one by one; one that fails stays first in line
and is tried again, so nothing that was acknowledged can be missing and
nothing is written out of turn. ``then`` is called once a write is durable:
that is the moment to acknowledge it.

Two things leave the line otherwise. A record that the archive refuses for
what it is, or that meets a fault of our own, would be refused for ever: it is
set aside, never acknowledged, and a mark on the pull says so. And samples beyond :data:`MOST_WAITING` are
dropped; how many and where is written in their place.
"""

import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from acquire.clock import Clock
from acquire.pull.outputs import Ended, Marked, Output, Skipped, Taken, ZerosRead
from acquire.records import Action
from acquire.store.archive import Archive, ArchiveError
from acquire.store.errors import RefusedRecordError
from acquire.values import Mark
from drivers.sample import Notice, Sample

log = logging.getLogger(__name__)
_BLOCK_US = 1_000_000
_RETRY_US = 1_000_000
# about 100 MB of samples kept while the archive cannot be written
MOST_WAITING = 1_000_000
REFUSED = "record"


@dataclass(slots=True)
class _Write:
    """``after``: how many kept samples came before; ``block`` what is to be kept even where the rest is refused."""

    do: Callable[["_Write"], None]
    then: Callable[[], None] | None = None
    after: int = 0
    block: Sequence[Sample] = ()
    lost: int = 0
    says: bool = False


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
        self.refused: list[str] = []
        self._retry_us = 0

    def samples(self, batch: Sequence[Sample]) -> None:
        """Samples as received; written with the next point or within a second."""
        self._pending += batch
        self._count += len(batch)

    def missed(self, t_us: int, count: int) -> None:
        """Samples that never got here, the first at ``t_us``: how many is written in their place."""
        self._block()
        self.lost += count
        self._add(self._gap(t_us, count))

    def flush_if_due(self) -> None:
        """Write the block that is full, and try again what failed."""
        if self._pending and self._pending[-1].t_us - self._pending[0].t_us >= _BLOCK_US:
            self._block()
        if self._waiting and (not self.failure or self._clock.t_us() >= self._retry_us):
            self._write_all()

    def action(self, t_us: int, action: Action) -> None:
        """What the operator did, after the samples so far."""
        self._add(_Write(lambda its: self._archive.add_action(self.session_id, its.after, t_us, action)))

    def notice(self, notice: Notice) -> None:
        """What an instrument had to say."""
        self._add(_Write(lambda its: self._archive.add_notice(self.session_id, its.after, notice)))

    def output(self, output: Output, then: Callable[[], None]) -> None:
        """What the pull made of it; ``then`` runs when it is durable."""
        archive, pull_id = self._archive, self.pull_id
        if isinstance(output, Taken):
            point = output.point
            block = self._take_pending()
            self._add(_Write(lambda _: archive.commit_point(pull_id, self.session_id, point, block), then, block=block))
        elif isinstance(output, ZerosRead):
            self._block()
            self._add(_Write(lambda _: archive.set_zeros(pull_id, self.session_id, output.which, output.zeros), then))
        elif isinstance(output, Marked):
            self._add(_Write(lambda _: archive.add_mark(pull_id, output.mark), then))
        elif isinstance(output, Skipped):
            self._add(_Write(lambda _: archive.skip_step(pull_id, output.step, output.skipped), then))
        elif isinstance(output, Ended):
            self._block()
            utc = self._clock.utc().isoformat()
            self._add(_Write(lambda _: archive.end_pull(pull_id, output.outcome, utc), then))
        else:
            self._add(_Write(lambda _: None, then))

    def then(self, write: Callable[[], None]) -> None:
        """Any other write, in its turn."""
        self._add(_Write(lambda _: write()))

    def close(self) -> None:
        """The end of the session. Raises ``ArchiveError`` if it cannot be written."""
        self._block()
        utc = self._clock.utc().isoformat()
        self._add(_Write(lambda _: self._archive.close_session(self.session_id, utc)))
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
            self._lose(block)
            return
        self._add(_Write(lambda _: self._archive.add_samples(self.session_id, block), block=block))

    def _lose(self, block: Sequence[Sample]) -> None:
        """Drop the newest samples, and let what was done among and after them follow those that are kept."""
        self.lost += len(block)
        self._count -= len(block)
        for write in self._waiting:
            write.after = min(write.after, self._count)
        last = self._waiting[-1] if self._waiting else None
        if last is not None and last.lost:
            last.lost += len(block)
            return
        self._add(self._gap(block[0].t_us, len(block)))

    def _gap(self, t_us: int, count: int) -> _Write:
        return _Write(
            lambda its: self._archive.add_lost(self.session_id, its.after, t_us, its.lost),
            lost=count,
            after=self._count,
        )

    def _add(self, write: _Write) -> None:
        write.after = self._count
        self._waiting.append(write)
        self._waiting_samples += len(write.block)
        if not self.failure:
            self._write_all()

    def _write_all(self) -> None:
        while self._waiting:
            write = self._waiting[0]
            try:
                write.do(write)
            except RefusedRecordError as error:
                self._set_aside(write, str(error))
                continue
            except ArchiveError as error:
                self.failure = str(error)
                self._retry_us = self._clock.t_us() + _RETRY_US
                return
            except Exception as error:
                # a fault of our own meets the same record in the same way again; those after it are kept
                log.exception("a record cannot be written")
                self._set_aside(write, f"steadydraw has a fault ({error!r}), see the log")
                continue
            self.failure = ""
            self._waiting.popleft()
            self._waiting_samples -= len(write.block)
            if write.then is not None:
                write.then()

    def _set_aside(self, write: _Write, sentence: str) -> None:
        """Take a refused record out of the line; its samples and a mark on the pull come in its place."""
        self._waiting.popleft()
        self._waiting_samples -= len(write.block)
        self.refused.append(sentence)
        if not write.says:
            mark = Mark(REFUSED, f"A record of this pull was not kept: {sentence}.")
            said = _Write(lambda _: self._archive.add_mark(self.pull_id, mark), after=write.after, says=True)
            self._waiting.appendleft(said)
        if write.block and write.then is not None:
            block = write.block
            again = _Write(lambda _: self._archive.add_samples(self.session_id, block), block=block)
            self._waiting.appendleft(again)
            self._waiting_samples += len(block)
        elif write.block:
            self._refuse_samples(write.block)

    def _refuse_samples(self, block: Sequence[Sample]) -> None:
        """Samples that the archive will not have leave a gap, as those that memory could not hold."""
        self.lost += len(block)
        self._count -= len(block)
        start = self._count - self._waiting_samples - len(self._pending)
        for write in self._waiting:
            write.after = max(start, write.after - len(block)) if write.after > start else write.after
        gap = self._gap(block[0].t_us, len(block))
        gap.after = start
        self._waiting.appendleft(gap)
