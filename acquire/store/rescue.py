"""What can still be read of a damaged archive, in a new one.

Every table is read from its beginning and from its end up to what is
damaged, and row by row in between. A row that cannot be read, or is no
longer what it must be, is left out, and with it what refers to it. Numbers
of pulls stay. Samples that are missing are counted in their place.
"""

import contextlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from acquire.records import Refused
from acquire.store import transfer
from acquire.store.backup import file_of_its_own, folder_to_disk, to_disk
from acquire.store.blocks import BlockError, decode
from acquire.store.errors import ArchiveError, saying
from acquire.store.version import archive_version

_MOST_PROBED, _PROBED_BLINDLY = 5_000_000, 2_000
_MARK = "rescued"
Row = tuple[object, ...]
_GAP = """
    INSERT INTO lost_samples (session_id, number, after_sample, t_us, sample_count)
    SELECT :its, 1 + max(
        (SELECT coalesce(max(number), -1) FROM actions WHERE session_id = :its),
        (SELECT coalesce(max(number), -1) FROM notices WHERE session_id = :its),
        (SELECT coalesce(max(number), -1) FROM lost_samples WHERE session_id = :its)), :after, :t_us, :missing
"""


@dataclass(frozen=True, slots=True)
class Saved:
    """One table: rows in the new archive, and how many are known to be left out."""

    table: str
    rows: int
    left_out: int


def rescue(damaged: Path, to: Path) -> list[Saved]:
    """Write a new archive with all that can be read of a damaged one, which is only read.

    Raises ``ArchiveError`` or ``Refused`` with one sentence; then nothing was written.
    """
    if not damaged.is_file():
        raise Refused(f"there is no file {damaged}: check its name")
    if to.exists():
        raise Refused(f"{to} is there already: give another name")
    with file_of_its_own(to) as part, tempfile.TemporaryDirectory(dir=to.parent) as folder:
        copy = Path(folder) / "damaged.db"
        # with the log of its last writer, which is played in where it is whole
        for end in ("", "-wal"):
            its = damaged.with_name(damaged.name + end)
            if its.exists():
                shutil.copyfile(its, copy.with_name(copy.name + end))
        with (
            saying(damaged),
            contextlib.closing(sqlite3.connect(copy, isolation_level=None)) as source,
            contextlib.closing(sqlite3.connect(part, isolation_level=None)) as target,
        ):
            version = archive_version(source, damaged)
            if version == 0:
                raise ArchiveError(f"nothing can be read of {damaged}: put back the last backup")
            saved = _build(source, target)
        to_disk(part)
        part.replace(to)
        folder_to_disk(to.parent)
    return saved


def _build(source: sqlite3.Connection, target: sqlite3.Connection) -> list[Saved]:
    schema = source.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL").fetchall()
    tables = [name for kind, name, _ in schema if kind == "table" and not name.startswith("sqlite_")]
    target.execute("BEGIN")
    for kind in ("table", "index", "view"):
        for its, name, sql in schema:
            if its == kind and not name.startswith("sqlite_"):
                target.execute(sql)
    for pragma in ("application_id", "user_version"):
        target.execute(f"PRAGMA {pragma} = {source.execute(f'PRAGMA {pragma}').fetchone()[0]}")
    read = {table: _copy(source, target, table) for table in tables}
    while any(_drop_orphans(target, table) for table in tables):
        pass
    saved = [Saved(table, _count(target, table), 0) for table in tables]
    saved = [Saved(its.table, its.rows, read[its.table] - its.rows) for its in saved]
    _name_channels(target)
    if "lost_samples" in tables:
        missing = _say_gaps(target)
        (samples,) = target.execute("SELECT coalesce(sum(sample_count), 0) FROM sample_blocks").fetchone()
        saved.append(Saved("samples", samples, missing))
    target.execute("COMMIT")
    (said,) = target.execute("PRAGMA integrity_check(1)").fetchone()
    if said != "ok":
        raise ArchiveError(f"what was saved is damaged itself ({said}): check the disk")
    return saved


def _copy(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> int:
    """Copy what can be read of a table; how many rows it seems to have had."""
    names = transfer.columns(source, table)
    marks = ", ".join("?" * len(names))
    found = unusable = 0
    for row in _rows(source, table):
        found += 1
        try:
            if not _usable(names, row):
                raise ValueError(table)
            target.execute(f'INSERT OR IGNORE INTO "{table}" VALUES ({marks})', row)
        except (sqlite3.Error, ValueError):
            unusable += 1
    # AUTOINCREMENT and plain numbers alike are given one after the other
    if names[0] == "id":
        (first, last) = target.execute(f'SELECT min(id), max(id) FROM "{table}"').fetchone()
        return max(found, last - first + 1 if last else 0)
    return found


def _rows(source: sqlite3.Connection, table: str) -> Iterator[Row]:
    key = ", ".join(f'"{name}"' for name in transfer.key_columns(source, table))
    numbered = "WITHOUT ROWID" not in str(
        source.execute("SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = ?", [table]).fetchone()[0]
    )
    order = ("rowid",) if numbered else tuple(key.split(", "))
    kept = "rowid, *" if numbered else "*, *"
    width = 1 if numbered else len(transfer.columns(source, table))
    seen: set[object] = set()
    ends: list[int] = []
    for turn in ("ASC", "DESC"):
        by = ", ".join(f"{name} {turn}" for name in order)
        whole = True
        last = 0
        try:
            for row in source.execute(f'SELECT {kept} FROM "{table}" NOT INDEXED ORDER BY {by}'):
                its = row[0] if numbered else row[:width]
                if its in seen:
                    break
                seen.add(its)
                last = its if numbered else 0
                yield row[width:]
        except sqlite3.Error:
            whole = False
        if whole and turn == "ASC":
            return
        ends.append(last)
    if numbered:
        yield from _between(source, table, *ends)


def _between(source: sqlite3.Connection, table: str, first: int, last: int) -> Iterator[Row]:
    """Row by row where whole pages cannot be walked over; where the end is not known, as far as numbers were given."""
    if last <= first:
        last = first + _PROBED_BLINDLY
        with contextlib.suppress(sqlite3.Error):
            given = source.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", [table]).fetchone()
            last = given[0] + 1 if given else last
    for number in range(first + 1, min(last, first + _MOST_PROBED)):
        with contextlib.suppress(sqlite3.Error):
            row = source.execute(f'SELECT * FROM "{table}" NOT INDEXED WHERE rowid = ?', [number]).fetchone()
            if row is not None:
                yield row


def _usable(names: list[str], row: Row) -> bool:
    """Whether what has an inner form still has it."""
    try:
        for name, value in zip(names, row, strict=True):
            if name == "block" and isinstance(value, bytes):
                decode(value)
            elif name.endswith("_json") and isinstance(value, str) and value:
                json.loads(value)
    except (BlockError, ValueError):
        return False
    return True


def _drop_orphans(target: sqlite3.Connection, table: str) -> int:
    """Leave out rows that refer to what could not be read."""
    dropped = 0
    for column, parent in transfer.references(target, table).items():
        (key,) = transfer.key_columns(target, parent)
        dropped += target.execute(
            f'DELETE FROM "{table}" WHERE "{column}" IS NOT NULL '
            f'AND NOT EXISTS (SELECT 1 FROM "{parent}" WHERE "{parent}"."{key}" = "{table}"."{column}")'
        ).rowcount
    return dropped


def _name_channels(target: sqlite3.Connection) -> None:
    """Samples whose channel's name could not be read are kept under its number."""
    for session_id, block in target.execute("SELECT session_id, block FROM sample_blocks"):
        for number in set(decode(block).channel.tolist()):
            target.execute(
                "INSERT OR IGNORE INTO session_channels (session_id, number, channel, source) VALUES (?, ?, ?, ?)",
                [session_id, number, f"channel {number}, name lost", "unknown"],
            )


def _say_gaps(target: sqlite3.Connection) -> int:
    """Count the samples that are missing in each session in their place, and mark its pull; how many in all."""
    total = 0
    for session_id, pull_id in target.execute("SELECT id, pull_id FROM sessions ORDER BY id").fetchall():
        expected = missing = last_us = 0
        blocks = target.execute(
            "SELECT first_sample, sample_count, earliest_t_us FROM sample_blocks WHERE session_id = ? "
            "ORDER BY first_sample",
            [session_id],
        ).fetchall()
        # what a point or an action came after was there as well
        ends = target.execute(
            "SELECT coalesce(max(after_sample), 0) FROM (SELECT session_id, after_sample FROM points UNION ALL "
            "SELECT session_id, after_sample FROM actions UNION ALL SELECT session_id, after_sample FROM notices) "
            "WHERE session_id = ?",
            [session_id],
        ).fetchone()
        for first, count, t_us in [*blocks, (ends[0], 0, None)]:
            last_us = last_us if t_us is None else t_us
            if first > expected:
                gap = {"its": session_id, "after": expected, "t_us": last_us, "missing": first - expected}
                target.execute(_GAP, gap)
                missing += first - expected
            expected = max(expected, first + count)
        total += missing
        if missing:
            sentence = f"Saved from a damaged archive: {missing} samples of session {session_id} could not be read."
            target.execute("INSERT INTO marks (pull_id, kind, sentence) VALUES (?, ?, ?)", [pull_id, _MARK, sentence])
    return total


def _count(target: sqlite3.Connection, table: str) -> int:
    return int(target.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0])
