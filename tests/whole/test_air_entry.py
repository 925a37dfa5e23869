"""Room air entered at the command line reaches the pull, the text and the replay."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.budget.propagation import prepare
from acquire.bundled import read_bundled
from acquire.cli import cli
from acquire.clock import ManualClock
from acquire.config import parse_config
from acquire.daemon.engine import Engine
from acquire.records import PullRequest, Refused
from acquire.room.entry import RoomEntry
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.text import pull_text

prepare()  # so that the engine's own loading of the budget's library ends at once

WHEN = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)


def _command(archive: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["air", *arguments, "--db", str(archive)])


def _config_text(room: str) -> str:
    text = read_bundled("demo.toml").replace("{front_end}", "loop://").replace("{lift_indicator}", "socket://[::1]:9")
    return text[: text.index("[instruments.weather]")] + f"\n[room]\n{room}\n"


def _begun(archive_path: Path, room: str) -> str:
    """Begin a pull at WHEN and abort it; what ``show`` says of it."""
    text = _config_text(room)
    config = parse_config(text, "bench.toml")
    engine = Engine(config, text, archive_path, ManualClock(utc=WHEN))
    with Archive.open(archive_path):
        pass
    request = PullRequest.model_validate(
        {
            "direction": "intake",
            "subject": {"identifier": "H1"},
            "setup": {},
            "meter_range": next(iter(config.meter.ranges)),
            "lifts": ["5 mm"],
        }
    )
    engine.start()
    try:
        number = engine.begin(request)
    finally:
        engine.stop()
    with ArchiveReader(archive_path) as reader:
        return pull_text(reader.pull(number))


def _entry(made_utc: str) -> RoomEntry:
    return RoomEntry(made_utc=made_utc, pressure_pa=98000.0, temperature_k=294.0, humidity=0.4)


@pytest.mark.parametrize(
    ("made_utc", "marked"), [("2026-11-20T11:00:00+00:00", False), ("2026-11-13T11:00:00+00:00", True)]
)
def test_a_pull_takes_the_latest_entry_and_is_marked_when_it_is_too_old(
    tmp_path: Path, made_utc: str, marked: bool
) -> None:
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        archive.add_record(_entry("2026-11-01T00:00:00+00:00"))
        archive.add_record(_entry(made_utc))
    said = _begun(path, 'humidity = "50 %RH"')
    assert ("MARK: Room pressure, temperature, humidity: entered 2026-11-13 11:00 UTC, 7 d before" in said) is marked
    with ArchiveReader(path) as reader:
        basis = reader.pull("last").basis
    assert basis.air_judged
    assert basis.room is not None
    assert basis.room.made_utc == made_utc
    assert basis.room_age_s == (WHEN - datetime.fromisoformat(made_utc)).total_seconds()


def test_a_pull_without_any_air_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no instrument measures it"):
        _begun(tmp_path / "archive.db", 'humidity = "50 %RH"')


def test_what_is_entered_is_kept_and_shown_again(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    kept = _command(path, "--sea-level", "1015 hPa", "--altitude", "300 m", "--temperature", "68 F", "--by", "Ann")
    assert kept.exit_code == 0
    assert "979.4 hPa (28.92 inHg) station pressure, 20.0 C (68.0 F)" in kept.stdout
    shown = _command(path, "--show")
    assert "worked out from 1015.0 hPa (29.97 inHg) at sea level and 300 m altitude" in shown.stdout
    assert "by Ann" in shown.stdout
    assert max(map(len, (kept.stdout + shown.stdout).splitlines())) <= 80
    (told,) = json.loads(_command(path, "--show", "--json").stdout)
    # U.S. Standard Atmosphere 1976: 97773 Pa at 300 m (table, from memory); 175 Pa more at sea level is 170 more there
    assert told["pressure_pa"] == pytest.approx(97943, abs=3)
    assert told["altitude_m"] == 300.0


def test_a_bad_entry_keeps_nothing(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    for arguments in (("--temperature", "68"), ("--humidity", "150 %RH"), ("--pressure", "29.92 Pa")):
        result = _command(path, *arguments)
        assert isinstance(result.exception, Refused)
        assert "\n" not in str(result.exception)
    assert not path.exists()
