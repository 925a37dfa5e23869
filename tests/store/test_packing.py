"""Pulls that travel: packed, taken in elsewhere, damaged on the way."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from acquire.daemon.single import AlreadyRunning, claim_archive
from acquire.records import Refused
from acquire.sessions.packing import inspect, pack, unpack
from acquire.store import manifest
from acquire.store.archive import Archive
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader
from tests.store.examples import POINT, begin, second

UTC, LATER = "2026-03-04T05:06:07+00:00", "2026-05-06T07:08:09+00:00"


@pytest.fixture
def packed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """One of two pulls in a file."""
    monkeypatch.setenv("STEADYDRAW_HOME", str(tmp_path / "home"))
    path = tmp_path / "here.db"
    with Archive.open(path) as archive:
        begin(archive)
        pull_id, session_id = begin(archive)
        archive.commit_point(pull_id, session_id, POINT, second())
        archive.end_pull(pull_id, "complete", UTC)
    pack(path, [str(pull_id)], tmp_path / "pull.pack", UTC)
    return tmp_path / "pull.pack"


def test_a_pull_taken_in_elsewhere_is_the_same_with_its_samples(packed: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.db"
    with Archive.open(there) as archive:
        begin(archive)
    _, (found,) = unpack(packed, there, LATER)
    assert found.new
    with ArchiveReader(tmp_path / "here.db") as ours, ArchiveReader(there) as theirs:
        sent, got = ours.pull(2), theirs.pull(found.pull.uid)
        assert (got.uid, got.request, got.points, got.basis) == (sent.uid, sent.request, sent.points, sent.basis)
        assert got.id == found.pull_id
        sessions = sent.sessions[0].id, got.sessions[0].id
        assert list(ours.stream(sessions[0])) == list(theirs.stream(sessions[1]))
        assert len(theirs.pulls()) == 2


def test_taking_it_in_twice_changes_nothing_and_says_so(packed: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.db"
    unpack(packed, there, LATER)
    _, (again,) = unpack(packed, there, LATER)
    assert not again.new
    with ArchiveReader(there) as reader:
        assert len(reader.pulls()) == 1


def test_a_byte_that_changed_on_the_way_is_found_wherever_it_is(packed: Path, tmp_path: Path) -> None:
    whole, rng = packed.read_bytes(), random.Random(1)
    damaged, there = tmp_path / "damaged.pack", tmp_path / "there.db"
    for place in [0, 20, 100, len(whole) - 1, *(rng.randrange(len(whole)) for _ in range(40))]:
        data = bytearray(whole)
        data[place] ^= 1 << rng.randrange(8)
        damaged.write_bytes(bytes(data))
        with pytest.raises(ArchiveError) as error:
            unpack(damaged, there, LATER)
        assert "\n" not in str(error.value)
    damaged.write_bytes(whole[:-1000])
    with pytest.raises(ArchiveError):
        inspect(damaged)
    assert not there.exists()


def test_a_file_of_a_newer_version_says_which_one_is_needed(packed: Path, tmp_path: Path) -> None:
    newer = tmp_path / "newer.pack"
    shutil.copy(packed, newer)
    plain = sqlite3.connect(newer)
    plain.execute("PRAGMA user_version = 99")
    plain.commit()
    plain.close()
    # as that version would have sealed it
    data = newer.read_bytes()
    start, end = next(manifest._SEAL.finditer(data)).span(1)
    newer.write_bytes(data[:start] + b"0" * 64 + data[end:])
    manifest.seal(newer)
    with pytest.raises(ArchiveError, match="99"):
        inspect(newer)


def test_nothing_is_taken_in_while_a_daemon_owns_the_archive(packed: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.db"
    with claim_archive("the daemon", there), pytest.raises(AlreadyRunning, match="the daemon"):
        unpack(packed, there, LATER)


def test_a_file_that_is_there_is_never_overwritten(packed: Path, tmp_path: Path) -> None:
    before = packed.read_bytes()
    with pytest.raises(Refused, match="is there already"):
        pack(tmp_path / "here.db", ["2"], packed, UTC)
    assert packed.read_bytes() == before
