"""Which points the broker has: a mark beside the archive, and the last one that the broker itself kept."""

import logging
import os
from collections.abc import Iterator
from pathlib import Path

from pydantic import ValidationError

from acquire.publishing.messages import PublishedPoint
from acquire.publishing.settings import Publish
from acquire.quantity import Table
from acquire.records import ArchivedPull
from acquire.store.reader import ArchiveReader

log = logging.getLogger(__name__)
_AT_ONCE = 100


class _Mark(Table):
    """The newest point that a broker has; no pull: none yet. Steps and takes count from 1.

    ``known`` false: only taken for granted, since there was no mark, until the broker was asked.
    """

    broker: str
    topic: str
    pull: str = ""
    step: int = 0
    take: int = 0
    known: bool = True


class Outbox:
    """The points of one archive that are not yet at one broker, in the order in which they were taken.

    Points are sent one after the other, so that the newest one which the
    broker has says it all. It is marked in a file beside the archive; since a
    machine can die between sending and marking, the broker's own copy is
    asked as well (``found_at_broker``), and the later one holds. Where there
    was no mark, what the archive held then counts as sent, unless the broker
    knows better.
    """

    def __init__(self, reader: ArchiveReader, settings: Publish) -> None:
        self._reader = reader
        self._none = _Mark(broker=settings.at, topic=settings.topic)
        self._path = reader.path.with_name(reader.path.name + ".published.json")
        self._pull: ArchivedPull | None = None
        self._known = True
        self._after = self._begin(settings)

    def _begin(self, settings: Publish) -> int:
        mark = self._read_mark()
        self._known = settings.earlier_points if mark is None else mark.known
        if mark is None or (mark.broker, mark.topic) != (self._none.broker, self._none.topic):
            return 0 if settings.earlier_points else self._mark_newest()
        number = self._reader.point_number(mark.pull, mark.step - 1, mark.take) if mark.pull else 0
        if number is None:
            log.warning(
                "%s does not hold the point that was published last (pull %s): what it holds now counts as "
                "published, later points follow",
                self._reader.path,
                mark.pull,
            )
            return self._mark_newest()
        return number

    def _read_mark(self) -> _Mark | None:
        try:
            return _Mark.model_validate_json(self._path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            log.warning("%s cannot be read (%s): asking the broker instead", self._path, error)
            return None

    def _mark_newest(self) -> int:
        newest = self._reader.newest_point()
        if newest is None:
            self._write("", 0, 0)
            return 0
        number, pull, step, take = newest
        self._write(pull, step + 1, take)
        return number

    def found_at_broker(self, text: bytes | None) -> None:
        """Take what the broker keeps as last point into account; anything else there is left alone."""
        known, self._known = self._known, True
        if text is None:
            return
        try:
            last = PublishedPoint.model_validate_json(text)
        except ValidationError:
            return
        number = self._reader.point_number(last.pull, last.step - 1, last.take)
        if number is not None and (number > self._after or not known):
            self.mark(number, last)

    def waiting(self) -> Iterator[tuple[int, PublishedPoint]]:
        """Every point that is not marked, until none is left: number and message."""
        while found := self._reader.points_after(self._after, _AT_ONCE):
            for number, pull_id, point in found:
                if self._pull is None or self._pull.id != pull_id:
                    self._pull = self._reader.pull(pull_id)
                yield number, PublishedPoint.of(self._pull, point)

    def mark(self, number: int, point: PublishedPoint) -> None:
        """The broker has it."""
        self._write(point.pull, point.step, point.take)
        self._after = number

    def _write(self, pull: str, step: int, take: int) -> None:
        mark = self._none.model_copy(update={"pull": pull, "step": step, "take": take, "known": self._known})
        part = Path(f"{self._path}.part")
        with part.open("w", encoding="utf-8") as stream:
            stream.write(mark.model_dump_json())
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(self._path)
