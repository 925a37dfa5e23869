"""A copy of the archive that is known to be good, made while a pull may run, and the way back.

A backup is an archive: every command reads it with ``--db``.
"""

import contextlib
import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from acquire.daemon.single import claim_archive
from acquire.records import Refused
from acquire.store.archive import Archive
from acquire.store.connect import connect_reader
from acquire.store.errors import ArchiveError, saying

_PAGES = 2000
_SIDE_FILES = ("-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Backup:
    """What was written, how much it holds, and which older backups made room for it."""

    path: Path
    pulls: int
    points: int
    size_bytes: int
    removed: tuple[Path, ...] = ()


def back_up(
    archive: Path,
    to: Path,
    now: datetime,
    force: bool = False,
    keep: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Backup:
    """Copy the archive as it is at one moment to a file, or to a dated file in a folder.

    The copy gets its name only once it is on the disk and was checked: as
    many rows in every table as the archive had at that moment, and nothing
    damaged. ``keep``: how many dated backups of this archive stay in the
    folder. ``progress``: pages done, of how many. Raises ``ArchiveError`` or
    ``Refused`` with one sentence; then nothing was replaced or removed.
    """
    in_folder = to.is_dir()
    if keep is not None and not in_folder:
        raise Refused(f"{to} is not a folder: older backups are only counted in a folder")
    path = to / _dated(archive, now) if in_folder else to
    if path.resolve() == archive.resolve():
        raise Refused(f"{path} is the archive itself: give another name, on another disk if you can")
    if path.exists() and not force:
        raise Refused(f"{path} is there already: give another name, or replace it with --force")
    with file_of_its_own(path) as part:
        pulls, points = _copy(archive, part, progress)
        to_disk(part)
        part.replace(path)
        folder_to_disk(path.parent)
    removed = tuple(_older(archive, path, keep)) if keep is not None else ()
    return Backup(path, pulls, points, path.stat().st_size, removed)


def restore(backup: Path, archive: Path, now: datetime) -> tuple[Backup, Path | None]:
    """Put a backup in the archive's place; what was there is set aside, and its new name returned.

    Raises with one sentence while a daemon owns the archive, and for a
    backup that is damaged; then nothing was changed.
    """
    if backup.resolve() == archive.resolve():
        raise Refused(f"{backup} is the archive itself: give the backup that is to take its place")
    with _cannot_write(archive):
        archive.parent.mkdir(parents=True, exist_ok=True)
    with claim_archive("steadydraw", archive), file_of_its_own(archive) as part:
        pulls, points = _copy(backup, part)
        to_disk(part)
        aside = _set_aside(archive, now)
        part.replace(archive)
        folder_to_disk(archive.parent)
        return Backup(archive, pulls, points, archive.stat().st_size), aside


def _copy(archive: Path, part: Path, progress: Callable[[int, int], None] | None = None) -> tuple[int, int]:
    """The archive as one whole file in ``part``, checked; how many pulls and points it holds."""
    say = progress or _silent
    with contextlib.closing(connect_reader(archive, 5.0, older=True)) as source:
        source.row_factory = None
        with saying(archive):
            # all of it as it is at one moment: a copy that follows a running pull would begin anew, for ever
            source.execute("BEGIN")
            there = _counts(source)
        with saying(part), contextlib.closing(sqlite3.connect(part, isolation_level=None)) as target:
            target.execute("PRAGMA fullfsync = ON")
            source.backup(target, pages=_PAGES, progress=lambda _, left, of: say(of - left, of))
            target.execute("PRAGMA journal_mode = DELETE")  # one file, also where nothing can be written
            _check(target, archive, there)
    return there.get("pulls", 0), there.get("points", 0)


def _silent(_done: int, _of: int) -> None: ...


def _check(copy: sqlite3.Connection, archive: Path, there: dict[str, int]) -> None:
    (said,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    if said != "ok":
        raise ArchiveError(
            f"the archive {archive} is damaged ({' '.join(str(said).split())}), and so would be its copy: nothing was "
            "replaced; save what can be read with 'steadydraw rescue'"
        )
    here = _counts(copy)
    wrong = sorted(name for name in there.keys() | here.keys() if there.get(name) != here.get(name))
    if wrong:
        raise ArchiveError(f"the copy of {archive} does not hold all of it ({', '.join(wrong)}): check the disks")


def _counts(connection: sqlite3.Connection) -> dict[str, int]:
    tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
    return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in tables}


def _set_aside(archive: Path, now: datetime) -> Path | None:
    """Move the present archive out of the way, with what its last writer may have left beside it."""
    if not archive.exists():
        return None
    # what a killed writer left is taken into the file, where it can be read at all
    with contextlib.suppress(ArchiveError), Archive.open(archive):
        pass
    aside = archive.with_name(f"{archive.stem}-before-{_stamp(now)}{archive.suffix}")
    # the log first: one that is left beside another archive would be played into it
    for end in (*_SIDE_FILES, ""):
        with contextlib.suppress(FileNotFoundError):
            archive.with_name(archive.name + end).rename(aside.with_name(aside.name + end))
    return aside


def _older(archive: Path, newest: Path, keep: int) -> Iterator[Path]:
    """Remove the oldest dated backups of this archive beyond ``keep``."""
    pattern = re.compile(rf"{re.escape(archive.stem)}-\d{{8}}T\d{{6}}Z{re.escape(archive.suffix)}")
    dated = sorted(path for path in newest.parent.iterdir() if pattern.fullmatch(path.name) and path != newest)
    for path in dated[: max(0, len(dated) + 1 - keep)]:
        with _cannot_write(path):
            path.unlink()
        yield path


def _dated(archive: Path, now: datetime) -> str:
    return f"{archive.stem}-{_stamp(now)}{archive.suffix}"


def _stamp(now: datetime) -> str:
    """In UTC, so that names sort as time."""
    return now.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


@contextmanager
def file_of_its_own(path: Path) -> Iterator[Path]:
    """A name beside ``path`` to write to; nothing is left of it, whatever happens."""
    part = path.with_name(path.name + ".part")
    files = [part, *(part.with_name(part.name + end) for end in (*_SIDE_FILES, "-journal"))]
    with _cannot_write(path):
        for each in files:
            each.unlink(missing_ok=True)
        try:
            yield part
        finally:
            for each in files:
                each.unlink(missing_ok=True)


@contextmanager
def _cannot_write(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise Refused(f"{path} cannot be written ({error.strerror}): choose another place") from error


def to_disk(path: Path) -> None:
    """Let the disk have all of a file that was written."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def folder_to_disk(folder: Path) -> None:
    """Where a folder can be opened (not on Windows), its new name must reach the disk too."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
