"""Old archives are brought up to date, all or nothing, and opening again changes nothing."""

import sqlite3
from pathlib import Path

import pytest

from acquire.store import migrations
from acquire.store.archive import Archive
from acquire.store.connect import connect_writer
from acquire.store.reader import ArchiveReader
from acquire.store.schema import TABLES
from acquire.store.sqlite_tools import Database
from acquire.store.version import VERSION
from tests.store.examples import POINT, begin, second


def schema(path: Path) -> list[tuple[str, str]]:
    plain = sqlite3.connect(path)
    found: list[tuple[str, str]] = plain.execute("SELECT name, sql FROM sqlite_schema ORDER BY name").fetchall()
    plain.close()
    return found


def test_opening_a_second_time_changes_nothing_and_keeps_everything(path: Path) -> None:
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        archive.commit_point(pull_id, session_id, POINT, second())
    first = schema(path)
    Archive.open(path).close()
    assert schema(path) == first
    with ArchiveReader(path) as reader:
        assert reader.pull(pull_id).points == (POINT,)


def test_the_version_counts_the_migrations(path: Path) -> None:
    Archive.open(path).close()
    plain = sqlite3.connect(path)
    (applied,) = plain.execute("SELECT count(*) FROM _sqlite_migrations WHERE migration_set = 'steadydraw'").fetchone()
    (version,) = plain.execute("PRAGMA user_version").fetchone()
    plain.close()
    assert applied == version == VERSION


def test_a_migration_that_fails_half_way_leaves_the_file_as_it_was(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(migrations, "TABLES", (*TABLES[:5], "CREATE NONSENSE"))
    with pytest.raises(Exception, match="NONSENSE"):
        Archive.open(path)
    assert schema(path) == []
    monkeypatch.undo()
    with Archive.open(path) as archive:
        begin(archive)


def test_a_writer_killed_before_its_first_table_leaves_a_file_that_can_be_opened(path: Path) -> None:
    connection = connect_writer(path, 1.0)
    assert Database(connection, execute_plugins=False).table_names() == []
    connection.close()
    with Archive.open(path) as archive:
        begin(archive)
