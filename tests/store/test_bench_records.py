"""Records about the bench: kept for good, the newest of each key first, with or without a daemon."""

from pathlib import Path

import pytest

from acquire.calibration.record import Calibration
from acquire.daemon.single import AlreadyRunning, claim_archive
from acquire.keeping import keep
from acquire.room.entry import RoomEntry
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader


def calibration(channel: str, day: int) -> Calibration:
    return Calibration(
        made_utc=f"2026-03-{day:02}T05:06:07+00:00",
        channel=channel,
        instrument="front end",
        unit="inH2O",
        coefficients=(0.01 * day, 1.0),
    )


def test_the_newest_of_a_key_comes_first_and_older_ones_stay(path: Path) -> None:
    wanted = [calibration("lift", 4), calibration("test_pressure", 5), calibration("lift", 2), calibration("lift", 9)]
    with Archive.open(path) as archive:
        numbers = [archive.add_record(record) for record in wanted]
        archive.add_record(RoomEntry(made_utc="2026-04-01T00:00:00+00:00", humidity=0.5))
    with ArchiveReader(path) as reader:
        lifts = reader.bench_records(Calibration, key="lift")
        assert [its.record for its in lifts] == [wanted[3], wanted[0], wanted[2]]
        assert [its.id for its in lifts] == [numbers[3], numbers[0], numbers[2]]
        assert len({its.uid for its in lifts}) == 3
        assert [its.record for its in reader.bench_records(Calibration, limit=1)] == [wanted[3]]
        assert reader.bench_records(RoomEntry)[0].record.humidity == 0.5


def test_a_command_keeps_a_record_where_no_daemon_runs(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYDRAW_HOME", str(tmp_path / "home"))
    number = keep(path, calibration("lift", 4))
    with ArchiveReader(path) as reader:
        assert reader.bench_records(Calibration)[0].id == number


def test_an_archive_that_another_process_owns_is_left_alone(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYDRAW_HOME", str(tmp_path / "home"))
    with claim_archive("other", path), pytest.raises(AlreadyRunning, match="other"):
        keep(path, calibration("lift", 4))
    assert not path.exists()
