"""The power fails, or the process is killed, at any moment: nothing acknowledged is lost.

Every write, sync and truncation of the shipped archive is written down, and
the files are put together again as they may be left at any moment between.
"""

import random
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from tests.store.disk import Did, can_watch, cut_off, killed, watched
from tests.store.kept_pull import kept_pull
from tests.store.surviving import Recorded, Said, at_kill, check, moment, put, record

pytestmark = [
    pytest.mark.skipif(not can_watch(), reason="SQLite is no library of its own in this Python"),
    pytest.mark.xdist_group("power loss"),
]
ROOT = Path(__file__).parents[2]
CUTS = 120


@pytest.fixture
def after() -> Iterator[Path]:
    """Where files are put together again: in memory where that can be, since each is opened and synced."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        yield Path(folder)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return record(kept_pull(), tmp_path_factory.mktemp("watched"))


def test_the_recording_has_every_kind_of_moment(recorded: Recorded) -> None:
    done = [(did.what, did.file) for did in recorded.done]
    assert done.count(("sync", "archive.db")) >= 3, "no checkpoints"
    assert done.count(("sync", "archive.db-wal")) >= 20
    assert sum(isinstance(did.said, Said) for did in recorded.done) >= 5
    assert ("delete", "archive.db-wal") in done


def test_nothing_is_said_before_it_is_synced(recorded: Recorded) -> None:
    """By the order of writes alone: when something is said, the log has no write that was not synced."""
    unsynced = 0
    for did in recorded.done:
        if did.file == "archive.db-wal":
            unsynced = {"write": unsynced + 1, "sync": 0}.get(did.what, unsynced)
        if did.what == "said":
            assert unsynced == 0


def test_a_kill_after_any_write_loses_nothing(recorded: Recorded, after: Path) -> None:
    for end in range(0, len(recorded.done) + 1, 8):
        check(recorded, end, put(at_kill(recorded, end), after))


def test_a_power_cut_at_any_moment_loses_nothing(recorded: Recorded, after: Path) -> None:
    rng = random.Random(26)
    for _ in range(CUTS):
        end, files = moment(recorded, rng)
        check(recorded, end, put(files, after))


def test_a_log_cut_at_any_sector_or_with_garbage_at_its_end_loses_nothing(recorded: Recorded, after: Path) -> None:
    """The log at its longest: cut behind what was synced, where a second and a last page were being written."""
    syncs = [number for number, did in enumerate(recorded.done) if did.what == "sync"]
    start, end = max(
        pairwise(syncs),
        key=lambda span: sum(len(did.data) for did in recorded.done[span[0] : span[1]] if did.file.endswith("-wal")),
    )
    durable, whole = at_kill(recorded, start + 1), at_kill(recorded, end)
    short, long = durable["archive.db-wal"], whole["archive.db-wal"]
    assert len(long) > len(short) + 4096
    fine = range(len(short), len(short) + 3 * 4120, 512)
    for size in (*fine, *range(fine.stop, len(long), 4120 - 512), len(long)):
        check(recorded, start + 1, put(whole | {"archive.db-wal": long[:size]}, after))
    for garbage in (bytes(4120), b"\xa5" * 4120, long[-4120:], short[32 : 32 + 4120]):
        check(recorded, start + 1, put(whole | {"archive.db-wal": short + garbage}, after))


def test_the_check_sees_a_writer_that_does_not_sync(tmp_path: Path, after: Path) -> None:
    """The simulation itself: without a sync for each commit, what was said is missing after some cuts."""
    folder = tmp_path / "watched"
    folder.mkdir()
    lazy = record(kept_pull(), folder, synchronous="OFF")
    rng = random.Random(3)
    lost = 0
    for _ in range(40):
        end, files = moment(lazy, rng)
        try:
            check(lazy, end, put(files, after))
        except Exception:
            lost += 1
    assert lost >= 5


# ---------------------------------------------------------------- bringing an older archive up to date


def test_the_power_cut_while_an_older_archive_is_brought_up_to_date_leaves_it_old_or_new(
    tmp_path: Path, after: Path
) -> None:
    kept = ROOT / "tests" / "data" / "archives" / "version_1.db"
    before = kept.read_bytes()
    watching = tmp_path / "watched"
    watching.mkdir()
    shutil.copy(kept, watching / "archive.db")
    with watched(watching) as disk:
        Archive.open(watching / "archive.db").close()
    with ArchiveReader(watching / "archive.db") as reader:
        pulls = [reader.pull(row.id) for row in reader.pulls()]
    assert sum(did.what == "write" for did in disk.done) >= 10
    rng = random.Random(1)
    versions = set()
    start = [Did("write", "archive.db", 0, before), Did("sync", "archive.db")]
    for end in range(len(disk.done) + 1):
        for files in (killed(start + disk.done[:end]), cut_off(start + disk.done[:end], rng)):
            path = put(files, after)
            versions.add(_version(path))
            with Archive.open(path), ArchiveReader(path) as reader:
                reader.check()
                assert [reader.pull(row.id) for row in reader.pulls()] == pulls
    assert versions == {1, 2}


def _version(path: Path) -> int:
    """As a program finds it that opens the file before it is brought up to date."""
    copy = path.with_name("looked-at.db")
    for end in ("", "-wal", "-journal"):
        copy.with_name(copy.name + end).unlink(missing_ok=True)
        its = path.with_name(path.name + end)
        if its.exists():
            shutil.copy(its, copy.with_name(copy.name + end))
    plain = sqlite3.connect(copy)
    (found,) = plain.execute("PRAGMA user_version").fetchone()
    plain.close()
    return int(found)
