"""A backup is whole, is made while a pull runs, replaces nothing unasked, and replays bit for bit."""

import os
import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from acquire.daemon.single import AlreadyRunning, claim_archive
from acquire.records import Refused
from acquire.sessions.replay import replay
from acquire.store import backup as backups
from acquire.store.archive import Archive
from acquire.store.backup import back_up, restore
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader
from tests.store.examples import begin, point, second
from tests.store.kept_pull import kept_pull

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def filled(path: Path, points: int = 3) -> None:
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        for step in range(points):
            archive.commit_point(pull_id, session_id, point(step), second(50 * step))


def taken(path: Path) -> int:
    with ArchiveReader(path) as reader:
        reader.check()
        return len(reader.pull("last").points)


def test_a_pull_replays_from_the_backup_bit_for_bit(path: Path, tmp_path: Path) -> None:
    with Archive.open(path) as archive:
        pull_id, session_id = kept_pull().keep(archive)
        made = back_up(path, tmp_path / "copy.db", NOW)
    path.unlink()
    restore(made.path, path, NOW)
    with ArchiveReader(path) as reader:
        found = replay(reader, session_id)
        assert (made.pulls, made.points) == (1, 2)
        assert found.points == reader.pull(pull_id).points
        assert len(found.points) == 2
        assert not found.differences


def test_a_backup_while_a_pull_is_written_holds_one_moment_of_it(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backups, "_PAGES", 5)
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        written = 20
        for step in range(written):
            archive.commit_point(pull_id, session_id, point(step), second(50 * step))

        def write_on(_done: int, _of: int) -> None:
            nonlocal written
            archive.commit_point(pull_id, session_id, point(written), second(50 * written))
            written += 1

        made = back_up(path, tmp_path / "copy.db", NOW, progress=write_on)
        assert made.points == 20
        assert written > 25
        assert taken(made.path) == 20
        assert taken(path) == written
    assert sorted(its.name for its in tmp_path.glob("copy*")) == ["copy.db"]


def test_a_backup_can_be_read_where_nothing_can_be_written(path: Path, tmp_path: Path) -> None:
    filled(path)
    made = back_up(path, tmp_path / "copy.db", NOW)
    plain = sqlite3.connect(made.path)
    assert plain.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    plain.close()
    made.path.chmod(0o444)
    assert taken(made.path) == 3


def test_a_file_that_is_there_is_replaced_only_when_asked(path: Path, tmp_path: Path) -> None:
    filled(path)
    other = tmp_path / "copy.db"
    other.write_text("something else")
    with pytest.raises(Refused, match="--force"):
        back_up(path, other, NOW)
    assert other.read_text() == "something else"
    back_up(path, other, NOW, force=True)
    assert taken(other) == 3
    with pytest.raises(Refused, match="the archive itself"):
        back_up(path, path, NOW, force=True)
    with pytest.raises(Refused, match="the archive itself"):
        restore(path, path, NOW)


def test_a_folder_gets_dated_backups_and_keeps_the_newest(path: Path, tmp_path: Path) -> None:
    filled(path)
    folder = tmp_path / "copies"
    folder.mkdir()
    for name in ("archive-old.db", "other-20200101T000000Z.db"):
        (folder / name).write_text("not a backup of this archive")
    for day in range(4):
        made = back_up(path, folder, NOW + timedelta(days=day), keep=2)
        assert [its.name for its in made.removed] == ([f"archive-2026030{2 + day}T050607Z.db"] if day >= 2 else [])
    assert sorted(its.name for its in folder.iterdir()) == [
        "archive-20260306T050607Z.db",
        "archive-20260307T050607Z.db",
        "archive-old.db",
        "other-20200101T000000Z.db",
    ]
    with pytest.raises(Refused, match="is not a folder"):
        back_up(path, tmp_path / "one.db", NOW, keep=2)


def test_a_backup_that_fails_leaves_the_one_before_in_its_place(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path)
    folder = tmp_path / "copies"
    folder.mkdir()
    first = back_up(path, folder / "copy.db", NOW).path.read_bytes()
    # a copy that lacks a row is told from one that does not
    counts = iter([{"points": 4}, {"points": 3}])
    monkeypatch.setattr(backups, "_counts", lambda _: next(counts))
    with pytest.raises(ArchiveError, match=r"does not hold all of it \(points\)"):
        back_up(path, folder / "copy.db", NOW, force=True)
    monkeypatch.undo()
    # and the power cut before the name was given
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(5, "Input/output error")))
    with pytest.raises(Refused, match="cannot be written"):
        back_up(path, folder / "copy.db", NOW, force=True)
    assert [its.name for its in folder.iterdir()] == ["copy.db"]
    assert (folder / "copy.db").read_bytes() == first


def test_a_damaged_archive_gives_no_backup(path: Path, tmp_path: Path) -> None:
    filled(path, points=30)
    plain = sqlite3.connect(path)
    (page,) = plain.execute(
        "SELECT rootpage FROM sqlite_schema WHERE tbl_name = 'points' AND type = 'index'"
    ).fetchone()
    plain.close()
    data = bytearray(path.read_bytes())
    data[4096 * (page - 1) + 4000 : 4096 * page] = b"\xa5" * 96
    path.write_bytes(data)
    with pytest.raises(ArchiveError, match="is damaged"):
        back_up(path, tmp_path / "copy.db", NOW)
    assert not list(tmp_path.glob("copy*"))


def test_restoring_sets_the_present_archive_aside_with_all_that_was_in_its_log(path: Path, tmp_path: Path) -> None:
    filled(path)
    made = back_up(path, tmp_path / "copy.db", NOW)
    archive = Archive.open(path)  # left open, as by a killed daemon: what follows is only in the log
    archive.commit_point(1, 1, point(3), second(150))
    found, aside = restore(made.path, path, NOW)
    archive._sql.close()
    assert aside is not None
    assert found.points == taken(path) == 3
    assert taken(aside) == 4


def test_restoring_waits_for_the_daemon_to_stop_and_for_a_whole_backup(path: Path, tmp_path: Path) -> None:
    filled(path)
    made = back_up(path, tmp_path / "copy.db", NOW)
    before = path.read_bytes()
    with claim_archive("bench A", path), pytest.raises(AlreadyRunning, match="already in use"):
        restore(made.path, path, NOW)
    cut = tmp_path / "cut.db"
    cut.write_bytes(made.path.read_bytes()[: 4096 * 20])
    with pytest.raises(ArchiveError):
        restore(cut, path, NOW)
    with pytest.raises(ArchiveError, match="no archive at"):
        restore(tmp_path / "none.db", path, NOW)
    assert path.read_bytes() == before
    assert not [*tmp_path.glob("archive-before*"), *tmp_path.glob("*.part*")]


def test_an_archive_of_an_earlier_version_is_backed_up_as_it_is(tmp_path: Path) -> None:
    kept = tmp_path / "version_1.db"
    shutil.copy(Path(__file__).parents[1] / "data" / "archives" / kept.name, kept)
    made = back_up(kept, tmp_path / "copy.db", NOW)
    plain = sqlite3.connect(made.path)
    assert plain.execute("PRAGMA user_version").fetchone() == (1,)
    plain.close()
    assert made.pulls > 0
    Archive.open(made.path).close()
    assert taken(made.path) >= 1
