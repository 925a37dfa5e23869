"""An archive computed again under other settings: what changes is listed, nothing is touched."""

import json
import shutil
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import cli
from acquire.config import ConfigError
from acquire.recompute import PullNow, Settings, compute_again
from acquire.recompute_text import recomputed_text
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader

KEPT = Path(__file__).parent.parent / "data" / "archives" / "version_2.db"
LEAKAGE_RUNS, PULLS = [1, 3], [2, 4]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recompute") / "archive.db"
    shutil.copy(KEPT, path)
    Archive.open(path).close()
    return path


@pytest.fixture
def change(tmp_path: Path) -> Path:
    path = tmp_path / "change.toml"
    path.write_text('[meter.ranges.large]\narea = "1818 mm2"\n', encoding="utf-8")
    return path


def by_pull(found: "list[PullNow]") -> dict[int, PullNow]:
    return {its.pull_id: its for its in found}


def test_with_their_own_settings_no_figure_of_any_pull_changes(archive: Path) -> None:
    found = list(compute_again(archive, [*LEAKAGE_RUNS, *PULLS], Settings()))
    assert sorted(its.pull_id for its in found) == [1, 2, 3, 4]
    assert not any(its.changed or its.failure for its in found)
    assert all(len(its.points) == 8 for its in found if its.kind == "lift")


def test_a_meter_area_one_per_cent_larger_gives_one_per_cent_more_flow(archive: Path, change: Path) -> None:
    settings = Settings.laid_over(change)
    its = by_pull(list(compute_again(archive, [2], settings)))[2]
    assert not its.leakage_again  # the leak was read on another range
    for point in its.points:
        assert point.then is not None
        assert point.now is not None
        if point.then.meter_range == "large":
            # what passes the meter is 1 % more; the leak that is subtracted is not
            through = point.then.flow.flow_m3_s + point.then.flow.leakage_m3_s
            assert point.change_m3_s == pytest.approx(0.01 * through, rel=2e-3)
        else:
            assert point.change_m3_s == pytest.approx(0.0, abs=1e-9)


def test_a_pull_gets_the_leakage_that_its_blank_plate_run_gives_under_the_same_settings(
    archive: Path, tmp_path: Path
) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[meter.ranges.small]\narea = "44 mm2"\n', encoding="utf-8")
    # only pull 2 is asked for: its blank-plate run is computed all the same
    (its,) = compute_again(archive, [2], Settings.laid_over(path))
    assert its.leakage_again
    for point in its.points:
        assert point.then is not None
        assert point.now is not None
        # the small range, 10 % larger, reads 10 % more leak, and that much less is left of the flow
        assert point.now.flow.leakage_m3_s == pytest.approx(1.1 * point.then.flow.leakage_m3_s, rel=0.01)
        assert point.change_m3_s == pytest.approx(-0.1 * point.then.flow.leakage_m3_s, rel=0.1)
    assert "with the leakage that its blank-plate run gives now" in recomputed_text([its], Settings())


def test_several_processes_find_the_same_and_touch_nothing(archive: Path, change: Path) -> None:
    before = sha256(archive.read_bytes()).hexdigest()
    settings = Settings.laid_over(change)
    one = by_pull(list(compute_again(archive, [1, 2, 4], settings)))
    two = by_pull(list(compute_again(archive, [1, 2, 4], settings, workers=2)))
    assert one == two
    assert sha256(archive.read_bytes()).hexdigest() == before


def test_a_stricter_band_marks_what_did_not_hold(archive: Path, tmp_path: Path) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[settling]\ntest_pressure_band = "0.02 %"\nlongest_wait = "5 s"\n', encoding="utf-8")
    settings = Settings.laid_over(path)
    (its,) = compute_again(archive, [2], settings)
    assert its.changed
    text = recomputed_text([its], settings, by_point=True)
    assert "not taken" in text or "NEW MARK" in text


def test_a_key_that_does_not_exist_is_said_with_the_pull_and_the_others_go_on(archive: Path, tmp_path: Path) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[meter.ranges.large]\naera = "1 mm2"\n', encoding="utf-8")
    found = list(compute_again(archive, PULLS, Settings.laid_over(path)))
    assert [its.pull_id for its in found] == PULLS
    for its in found:
        assert "change.toml, laid over the configuration kept with pull" in its.failure
        assert "did you mean area?" in its.failure


@pytest.mark.parametrize(("text", "said"), [("", "holds no key"), ("[meter", "is not valid TOML")])
def test_a_file_of_changes_that_is_none_is_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "change.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=said):
        Settings.laid_over(path)


def test_the_command_says_all_and_answers_with_its_exit_code(archive: Path, change: Path) -> None:
    same = CliRunner().invoke(cli, ["recompute", "1", "--db", str(archive)], standalone_mode=False)
    assert same.return_value == 0
    assert "Changed: 0." in same.stdout
    other = CliRunner().invoke(
        cli, ["recompute", "2", "--db", str(archive), "--change", str(change), "--json"], standalone_mode=False
    )
    assert other.return_value == 1
    (pull,) = json.loads(other.stdout)["pulls"]
    assert pull["changed"]
    with ArchiveReader(archive) as reader:
        kept = reader.pull(2)
    assert [point["then"]["flow_m3_s"] for point in pull["points"]] == [p.flow.flow_m3_s for p in kept.points]


def test_both_kinds_of_settings_at_once_are_refused(archive: Path, change: Path) -> None:
    both = ["recompute", "--db", str(archive), "--change", str(change), "--config", str(change)]
    refused = CliRunner().invoke(cli, both)
    assert refused.exit_code == 2
    assert "not both" in refused.output
