"""From what was typed to the pulls of one side: numbers of pulls, or a head's identifier."""

from collections.abc import Iterable

from acquire.records import ArchivedPull, PullRow, Refused
from acquire.store.reader import ArchiveReader
from acquire.values import Direction


def choose(reader: ArchiveReader, word: str, direction: Direction | None) -> list[ArchivedPull]:
    """The complete lift pulls that ``word`` names, the oldest first.

    ``12`` or ``12,15,18``: these pulls; ``12,13/15,16``: of two mounts. Anything else is a head: its pulls in
    ``direction`` that were set up like its newest one. Raises ``Refused`` or
    ``ArchiveError`` with one sentence.
    """
    parts = [part.strip() for part in word.replace("/", ",").split(",")]
    if all(part.isdigit() for part in parts):
        return [reader.pull(part) for part in dict.fromkeys(parts)]
    rows = [row for row in reader.pulls(subject=word, kind="lift") if row.outcome == "complete"]
    if not rows:
        raise Refused(
            f"The archive holds no complete lift pull of {word!r}: check the identifier, or give pull numbers."
        )
    rows = [row for row in rows if row.direction == _direction(rows, word, direction)]
    pulls = [reader.pull(row.id) for row in reversed(rows)]
    newest = pulls[-1].request
    return [pull for pull in pulls if pull.request.setup == newest.setup and pull.request.lifts_m == newest.lifts_m]


def mounts_of(words: Iterable[str], pulls: Iterable[ArchivedPull]) -> dict[int, int]:
    """Which pulls were said to be of one mount, by their numbers: those between two slashes."""
    mounts: dict[int, int] = {}
    known = {pull.id for pull in pulls}
    for word in words:
        if "/" not in word:
            continue
        for group in word.split("/"):
            numbers = [int(part) for part in group.split(",") if part.strip().isdigit()]
            mounts |= {number: numbers[0] for number in numbers if number in known}
    return mounts


def _direction(rows: list[PullRow], word: str, wanted: Direction | None) -> Direction:
    known = {row.direction for row in rows}
    if wanted is None and len(known) > 1:
        raise Refused(f"{word} was flowed as intake and as exhaust: say which with --direction.")
    if wanted is not None and wanted not in known:
        raise Refused(f"The archive holds no complete {wanted} pull of {word}.")
    return wanted or rows[0].direction
