"""Whatever goes wrong is said in one sentence, and nothing acknowledged is lost."""

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire import __version__
from acquire.store import connect
from acquire.store.archive import Archive
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader
from acquire.store.version import VERSION
from tests.store.disk import FULL, IOERR_SYNC, IOERR_WRITE, can_watch, watched
from tests.store.examples import CONFIG, LAW, POINT, REQUEST, SOURCES, UTC, begin, point, second

NOBODY = 65534


def sentence(error: pytest.ExceptionInfo[ArchiveError]) -> str:
    said = str(error.value)
    assert "\n" not in said
    assert len(said) > 30
    return said


def filled(path: Path, points: int = 3) -> None:
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        for step in range(points):
            archive.commit_point(pull_id, session_id, point(step), second(50 * step))


def edit(path: Path, *statements: str) -> None:
    plain = sqlite3.connect(path)
    for statement in statements:
        plain.execute(statement)
    plain.commit()
    plain.close()


def commit_until_refused(archive: Archive, pull_id: int, session_id: int) -> tuple[int, str]:
    """How many points were acknowledged, and what was said then."""
    for step in range(1000):
        try:
            archive.commit_point(pull_id, session_id, point(step), second(50 * step))
        except ArchiveError as error:
            return step, str(error)
    pytest.fail("a thousand points were kept where there is no space for them")


@contextmanager
def unprivileged(folder: Path) -> Iterator[None]:
    """Without the rights of the administrator, whom no permission stops."""
    if os.geteuid() != 0:
        yield
        return
    for each in [folder, *folder.iterdir()]:
        os.chown(each, NOBODY, NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that an unprivileged user can reach."""
    folder = Path(tempfile.mkdtemp(prefix="archive-"))
    yield folder
    folder.chmod(0o700)
    shutil.rmtree(folder)


# ---------------------------------------------------------------- opening


def test_a_missing_folder_is_made(tmp_path: Path) -> None:
    path = tmp_path / "some" / "folder" / "archive.db"
    filled(path)
    with ArchiveReader(path) as reader:
        assert len(reader.pulls()) == 1


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ArchiveError) as error:
        Archive.open(tmp_path / "file" / "archive.db")
    assert "cannot be made" in sentence(error)


@pytest.mark.parametrize("opener", [Archive.open, ArchiveReader])
def test_a_newer_archive_is_refused_with_both_versions(path: Path, opener: type[ArchiveReader]) -> None:
    filled(path)
    edit(path, "PRAGMA user_version = 7", "UPDATE about SET value = '3.2.1' WHERE name = 'software_version'")
    before = path.read_bytes()
    with pytest.raises(ArchiveError) as error:
        opener(path)
    for part in ("steadydraw 3.2.1", "version 7", f"steadydraw {__version__}", f"version {VERSION}", "install"):
        assert part in sentence(error)
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [Archive.open, ArchiveReader])
def test_what_is_no_database_is_refused_and_left_alone(path: Path, opener: type[ArchiveReader]) -> None:
    path.write_text("lift,flow\n0.1,55\n" * 100)
    before = path.read_bytes()
    with pytest.raises(ArchiveError) as error:
        opener(path)
    assert "not a database" in sentence(error)
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [Archive.open, ArchiveReader])
def test_the_database_of_another_program_is_refused_and_left_alone(path: Path, opener: type[ArchiveReader]) -> None:
    edit(path, "CREATE TABLE songs (title TEXT)")
    before = path.read_bytes()
    with pytest.raises(ArchiveError) as error:
        opener(path)
    assert "another program" in sentence(error)
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [Archive.open, ArchiveReader])
def test_a_folder_in_the_archives_place_is_said(tmp_path: Path, opener: type[ArchiveReader]) -> None:
    with pytest.raises(ArchiveError) as error:
        opener(tmp_path)
    assert "is a folder" in sentence(error)


def test_reading_where_no_archive_is_says_so_and_makes_none(path: Path) -> None:
    with pytest.raises(ArchiveError) as error:
        ArchiveReader(path)
    assert f"no archive at {path}" in sentence(error)
    assert not path.exists()


def test_reading_an_empty_file_says_so(path: Path) -> None:
    path.touch()
    with pytest.raises(ArchiveError) as error:
        ArchiveReader(path)
    assert "is empty" in sentence(error)


def test_an_older_archive_says_how_it_is_brought_up_to_date(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(path)
    monkeypatch.setattr(connect, "VERSION", VERSION + 1)
    with pytest.raises(ArchiveError) as error:
        ArchiveReader(path)
    assert "start the daemon once" in sentence(error)


@pytest.mark.parametrize("opener", [Archive.open, ArchiveReader])
def test_an_archive_held_by_another_program_is_said(path: Path, opener: Callable[..., object]) -> None:
    filled(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(ArchiveError) as error:
            opener(path, busy_timeout_s=0.05)
    finally:
        other.close()
    assert "locked by another program" in sentence(error)


def test_a_write_while_another_program_writes_is_said_and_can_be_repeated(path: Path) -> None:
    with Archive.open(path, busy_timeout_s=0.05) as archive:
        pull_id, session_id = begin(archive)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(ArchiveError) as error:
            archive.commit_point(pull_id, session_id, POINT, second())
        other.close()
        assert "locked by another program" in sentence(error)
        archive.commit_point(pull_id, session_id, POINT, second())
        with ArchiveReader(path) as reader:
            assert reader.pull(pull_id).points == (POINT,)


def test_a_damaged_archive_is_found_at_opening(path: Path) -> None:
    filled(path)
    data = bytearray(path.read_bytes())
    data[4096 * 3 : 4096 * 6] = b"\xa5" * 4096 * 3
    path.write_bytes(data)
    with pytest.raises(ArchiveError) as error:
        Archive.open(path)
    assert "is damaged" in sentence(error)


def test_damage_is_also_found_in_an_archive_too_large_for_a_whole_check(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path)
    plain = sqlite3.connect(path)
    (page,) = plain.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'points'").fetchone()
    plain.close()
    data = bytearray(path.read_bytes())
    data[4096 * (page - 1) + 8 : 4096 * page] = b"\xa5" * 4088
    path.write_bytes(data)
    monkeypatch.setattr(connect, "WHOLE_CHECK_BYTES", 0)
    with pytest.raises(ArchiveError) as error:
        Archive.open(path)
    assert "is damaged" in sentence(error)


def test_damaged_samples_are_said_with_their_session(archive: Archive, reader: ArchiveReader) -> None:
    _, session_id = begin(archive)
    archive.add_samples(session_id, second())
    edit(archive.path, "UPDATE sample_blocks SET block = substr(block, 1, 40)")
    with pytest.raises(ArchiveError) as error:
        list(reader.stream(session_id))
    assert f"samples of session {session_id}" in sentence(error)
    with pytest.raises(ArchiveError):
        reader.samples(session_id, "lift")


# ---------------------------------------------------------------- disk


def test_a_read_only_archive_is_said_and_can_still_be_read(open_folder: Path) -> None:
    path = open_folder / "archive.db"
    filled(path)
    path.chmod(0o444)
    open_folder.chmod(0o555)
    with unprivileged(open_folder):
        with pytest.raises(ArchiveError) as error:
            Archive.open(path)
        assert "read-only" in sentence(error)
        with ArchiveReader(path) as reader:
            assert reader.pull("last").points == tuple(point(step) for step in range(3))


def test_a_folder_without_permission_is_said(open_folder: Path) -> None:
    open_folder.chmod(0o555)
    with unprivileged(open_folder), pytest.raises(ArchiveError) as error:
        Archive.open(open_folder / "archive.db")
    assert "cannot be opened" in sentence(error)


def test_a_full_disk_is_said_loses_nothing_acknowledged_and_is_over_once_there_is_space(path: Path) -> None:
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        archive._sql.execute("PRAGMA max_page_count = 1").fetchone()  # SQLite keeps to the present size
        kept, said = commit_until_refused(archive, pull_id, session_id)
        assert "no space is left" in said
        with ArchiveReader(path) as reader:
            assert reader.pull(pull_id).points == tuple(point(step) for step in range(kept))
            assert reader.session(session_id).samples == kept * len(second())
        archive._sql.execute("PRAGMA max_page_count = 1000000").fetchone()
        archive.commit_point(pull_id, session_id, point(kept), second(50 * kept))
        with ArchiveReader(path) as reader:
            reader.check()
            assert len(reader.pull(pull_id).points) == kept + 1
            came = [sample for record in reader.stream(session_id) if isinstance(record, list) for sample in record]
    assert came == [sample for step in range(kept + 1) for sample in second(50 * step)]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a small file system of its own (Linux, root)")
def test_a_file_system_that_really_fills_up_loses_nothing_acknowledged(open_folder: Path) -> None:
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(open_folder)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("this machine does not let tests mount a small file system")
    try:
        path = open_folder / "archive.db"
        with Archive.open(path) as archive:
            pull_id, session_id = begin(archive)
            kept, said = commit_until_refused(archive, pull_id, session_id)
            assert "no space is left" in said
            assert kept > 0
        with ArchiveReader(path) as reader:
            reader.check()
            assert reader.pull(pull_id).points == tuple(point(step) for step in range(kept))
    finally:
        subprocess.run(["umount", str(open_folder)], check=True)


# ---------------------------------------------------------------- what is asked for


def test_asking_for_a_pull_that_is_not_there_says_which_are(archive: Archive, reader: ArchiveReader) -> None:
    with pytest.raises(ArchiveError, match="no pulls yet"):
        reader.pull("last")
    begin(archive)
    begin(archive)
    for wanted in (99, "99", "abcdefghij", "9" * 40, "-1", ""):
        with pytest.raises(ArchiveError) as error:
            reader.pull(wanted)
        assert "pulls 1 to 2" in sentence(error)
    with pytest.raises(ArchiveError, match="pulls 1 to 2"):
        reader.sessions(3)


def test_asking_for_a_session_or_take_that_is_not_there_says_so(archive: Archive, reader: ArchiveReader) -> None:
    with pytest.raises(ArchiveError, match="none yet"):
        reader.session(1)
    pull_id, _ = begin(archive)
    with pytest.raises(ArchiveError, match="the last one is 1"):
        list(reader.stream(2))
    with pytest.raises(ArchiveError, match="no take 2 of step 1"):
        reader.session_of_point(pull_id, 0, 2)


def test_writing_to_a_pull_that_is_not_there_is_refused(archive: Archive) -> None:
    with pytest.raises(ArchiveError, match="no pull 5"):
        archive.end_pull(5, "complete", UTC)
    with pytest.raises(ArchiveError, match="refused a record"):
        archive.skip_step(5, 1, True)
    with pytest.raises(ArchiveError, match="refused a record"):
        archive.add_leakage_law(LAW)


def test_the_same_take_cannot_be_kept_twice(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, session_id = begin(archive)
    archive.commit_point(pull_id, session_id, POINT)
    with pytest.raises(ArchiveError, match="refused a record"):
        archive.commit_point(pull_id, session_id, POINT, second())
    assert reader.session(session_id).samples == 0


def test_a_configuration_that_cannot_work_is_refused_with_its_key(archive: Archive) -> None:
    pull_id, _ = begin(archive)
    with pytest.raises(ArchiveError, match="not valid TOML"):
        archive.begin_pull(REQUEST, "x = ", "0.1.0", UTC, None, SOURCES)
    with pytest.raises(ArchiveError, match="no such driver"):
        archive.open_session(pull_id, UTC, "0.1.0", CONFIG.replace("lines_streamed", "telepathy"), "{}")


def test_a_kept_pull_can_be_read_when_its_drivers_are_gone(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, session_id = begin(archive)
    edit(archive.path, "UPDATE configurations SET text = replace(text, 'lines_streamed', 'telepathy')")
    assert reader.pull(pull_id).config.name == "bench A"
    assert set(reader.calibration(session_id)) == set(SOURCES)


def test_pandas_is_not_loaded_by_writing_and_reading(path: Path) -> None:
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from acquire.store.archive import Archive\nfrom acquire.store.reader import ArchiveReader\n"
        "import acquire.export\n"
        "from tests.store.examples import begin\n"
        "path = Path(sys.argv[1])\n"
        "with Archive.open(path) as archive:\n    begin(archive)\n"
        "with ArchiveReader(path) as reader:\n    assert len(reader.pulls()) == 1\n"
        "assert 'sqlite_utils' in sys.modules\n"
        "loaded = [name for name in sys.modules if name.split('.')[0] == 'pandas']\n"
        "assert not loaded, loaded\n"
        "import pandas\nassert pandas.DataFrame({'a': [1]}).a.sum() == 1\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.skipif(not can_watch(), reason="SQLite is no library of its own in this Python")
@pytest.mark.parametrize(
    ("code", "what", "chance", "said"),
    [
        (FULL, "write", 0.05, "no space is left"),
        (IOERR_WRITE, "write", 0.05, "the disk of the archive"),
        (IOERR_SYNC, "sync", 0.3, "the disk of the archive"),
    ],
)
def test_a_disk_that_fails_at_any_write_or_sync_loses_nothing_acknowledged_and_is_over_with_it(
    path: Path, code: int, what: str, chance: float, said: str
) -> None:
    with watched(path.parent) as disk, Archive.open(path) as archive:
        archive._sql.execute("PRAGMA wal_autocheckpoint = 20")
        pull_id, session_id = begin(archive)
        rng, refused = random.Random(2), list[str]()
        disk.trouble = lambda did: code if did.what == what and rng.random() < chance else 0
        for step in range(12):
            while not _kept(archive, pull_id, session_id, step, refused):
                assert len(refused) < 200
            with ArchiveReader(path) as reader:
                assert len(reader.pull(pull_id).points) == step + 1
        disk.trouble = lambda did: 0
    assert len(refused) >= 3
    assert all(said in its for its in refused)
    with ArchiveReader(path) as reader:
        reader.check()
        assert reader.pull(pull_id).points == tuple(point(step) for step in range(12))
        assert reader.session(session_id).samples == 12 * len(second())


def _kept(archive: Archive, pull_id: int, session_id: int, step: int, refused: list[str]) -> bool:
    try:
        archive.commit_point(pull_id, session_id, point(step), second(50 * step))
    except ArchiveError as error:
        refused.append(str(error))
        return False
    return True
