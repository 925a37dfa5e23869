"""A damaged archive: what can be read is saved, what cannot is counted, and nothing is made up."""

import random
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.records import Action, Refused
from acquire.store.archive import Archive
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader
from acquire.store.rescue import rescue
from acquire.store.stream import Lost
from acquire.values import Point
from drivers.sample import Sample
from tests.store.examples import begin, point, second

PULLS, POINTS = 3, 12
PAGE = 4096


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("whole") / "archive.db"
    with Archive.open(path) as archive, archive.together():
        for _ in range(PULLS):
            pull_id, session_id = begin(archive)
            for step in range(POINTS):
                archive.commit_point(pull_id, session_id, point(step), second(50 * step))
            archive.add_action(session_id, POINTS * 110, 5, Action(kind="pause"))
    return path


def damaged(whole: Path, path: Path, *pages: int) -> Path:
    """A copy with these pages (from 1) overwritten but for the beginning of the first."""
    shutil.copy(whole, path)
    with path.open("r+b") as file:
        for page in pages:
            file.seek(PAGE * (page - 1) + (100 if page == 1 else 0))
            file.write(b"\xa5" * (PAGE - 100))
    return path


def leaves(path: Path, table: str) -> list[int]:
    plain = sqlite3.connect(path)
    found = [n for (n,) in plain.execute("SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf'", [table])]
    plain.close()
    return found


def has_dbstat() -> bool:
    plain = sqlite3.connect(":memory:")
    found = plain.execute(
        "SELECT 1 FROM pragma_compile_options WHERE compile_options = 'ENABLE_DBSTAT_VTAB'"
    ).fetchone()
    plain.close()
    return found is not None


def kept(path: Path) -> Iterator[tuple[int, tuple[Point, ...], list[Sample], int]]:
    """Of each pull: its number, points, samples, and how many samples are said to be missing."""
    with ArchiveReader(path) as reader:
        reader.check()
        for row in reversed(reader.pulls()):
            pull = reader.pull(row.id)
            records = [record for session in pull.sessions for record in reader.stream(session.id)]
            samples = [its for record in records if isinstance(record, list) for its in record]
            yield row.id, pull.points, samples, sum(its.samples for its in records if isinstance(its, Lost))


def test_of_an_archive_that_is_well_everything_is_saved(whole: Path, tmp_path: Path) -> None:
    saved = rescue(whole, tmp_path / "new.db")
    assert list(kept(tmp_path / "new.db")) == list(kept(whole))
    assert not any(its.left_out for its in saved)
    with Archive.open(tmp_path / "new.db") as archive:
        assert begin(archive)[0] == PULLS + 1


@pytest.mark.skipif(not has_dbstat(), reason="this SQLite does not tell which page is whose")
def test_a_damaged_page_of_points_takes_only_its_own_points_along(whole: Path, tmp_path: Path) -> None:
    pages = leaves(whole, "points")
    assert len(pages) >= 8
    its = damaged(whole, tmp_path / "bad.db", pages[2], pages[5])
    with pytest.raises(ArchiveError, match="steadydraw rescue"):
        Archive.open(its)
    saved = {table.table: table for table in rescue(its, tmp_path / "new.db")}
    assert saved["pulls"].rows == PULLS
    assert saved["points"].rows + saved["points"].left_out == PULLS * POINTS
    assert 0 < saved["points"].left_out <= PULLS * POINTS * 4 / len(pages)
    for _, points, samples, lost in kept(tmp_path / "new.db"):
        assert set(points) <= {point(step) for step in range(POINTS)}
        assert (len(samples), lost) == (POINTS * 110, 0)


@pytest.mark.skipif(not has_dbstat(), reason="this SQLite does not tell which page is whose")
def test_samples_that_cannot_be_read_are_counted_in_their_place_and_on_the_pull(whole: Path, tmp_path: Path) -> None:
    its = damaged(whole, tmp_path / "bad.db", leaves(whole, "sample_blocks")[1])
    saved = {table.table: table for table in rescue(its, tmp_path / "new.db")}
    assert saved["samples"].left_out > 0
    missing = 0
    for (pull_id, points, samples, lost), (_, _, before, _) in zip(kept(tmp_path / "new.db"), kept(whole), strict=True):
        assert len(points) == POINTS
        assert len(samples) + lost == len(before)
        assert set(samples) <= set(before)
        with ArchiveReader(tmp_path / "new.db") as reader:
            assert any(mark.kind == "rescued" for mark in reader.pull(pull_id).marks) == (lost > 0)
        missing += lost
    assert missing == saved["samples"].left_out


def test_any_damage_gives_a_whole_archive_with_nothing_made_up_or_one_sentence(whole: Path, tmp_path: Path) -> None:
    before = {
        number: (points, {(its.t_us, its.value) for its in samples}) for number, points, samples, _ in kept(whole)
    }
    pages = whole.stat().st_size // PAGE
    rng = random.Random(8)
    said: list[str] = []
    saved = 0
    for number in range(10):
        its = damaged(whole, tmp_path / "bad.db", *rng.sample(range(1, pages + 1), rng.choice((1, 1, 3))))
        new = tmp_path / f"{number}.db"
        try:
            rescue(its, new)
        except ArchiveError as error:
            said.append(str(error))
            continue
        for pull_id, points, samples, _ in kept(new):
            assert set(points) <= set(before[pull_id][0])
            assert {(its.t_us, its.value) for its in samples} <= before[pull_id][1]
            saved += len(points)
    assert saved > 10 * PULLS * POINTS / 2
    assert all("\n" not in its for its in said)
    assert len(said) == 10 - len(list(tmp_path.glob("[0-9]*.db")))
    assert not list(tmp_path.glob("*.part*"))


def test_the_damaged_file_is_left_alone_and_nothing_is_overwritten(whole: Path, tmp_path: Path) -> None:
    its = damaged(whole, tmp_path / "bad.db", 4)
    before = its.read_bytes()
    with pytest.raises(Refused, match="there already"):
        rescue(its, its)
    rescue(its, tmp_path / "new.db")
    assert its.read_bytes() == before
    assert sorted(each.name for each in tmp_path.iterdir()) == ["bad.db", "new.db"]
    with pytest.raises(Refused, match="no file"):
        rescue(tmp_path / "none.db", tmp_path / "other.db")
