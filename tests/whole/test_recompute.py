"""An archive computed again under other settings: what changes is listed, nothing is touched."""

import json
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import cli
from acquire.config import ConfigError
from acquire.sessions.recompute import PullNow, Settings, compute_again
from acquire.sessions.recompute_text import recomputed_text
from acquire.store.reader import ArchiveReader
from acquire.values import Point

pytestmark = pytest.mark.xdist_group("recompute")

LEAKAGE_RUNS, PULLS = [1, 3], [2, 4]


@pytest.fixture(scope="module")
def change(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("change") / "change.toml"
    path.write_text('[meter.ranges.large]\narea = "1818 mm2"\n', encoding="utf-8")
    return path


def by_pull(found: "list[PullNow]") -> dict[int, PullNow]:
    return {its.pull_id: its for its in found}


@pytest.fixture(scope="module")
def unchanged(kept_archive: Path) -> dict[int, PullNow]:
    """Every pull with its own settings: what this version makes of an archive of an earlier one."""
    return by_pull(list(compute_again(kept_archive, [*LEAKAGE_RUNS, *PULLS], Settings())))


@pytest.fixture(scope="module")
def larger(kept_archive: Path, change: Path) -> dict[int, PullNow]:
    """A pull, with its blank-plate run, and another blank-plate run, with a meter area one per cent larger."""
    return by_pull(list(compute_again(kept_archive, [2, 3], Settings.laid_over(change))))


def flows(its: PullNow) -> list[tuple[Point, float, float]]:
    """Each point now: as kept, flow, leakage."""
    assert all(point.then is not None and point.now is not None for point in its.points)
    return [
        (point.now, point.now.flow.flow_m3_s, point.now.flow.leakage_m3_s)
        for point in its.points
        if point.now is not None
    ]


def test_with_their_own_settings_pulls_of_an_earlier_version_come_out_as_they_were(
    unchanged: dict[int, PullNow],
) -> None:
    assert sorted(unchanged) == [1, 2, 3, 4]
    for its in unchanged.values():
        assert not its.failure
        assert not its.marks_new
        for point in its.points:
            assert point.then is not None
            # this version reads otherwise in last digits, and near nothing within its interval
            least = point.then.flow.half_width_95_m3_s / 2
            assert abs(point.change_m3_s) < max(0.001 * point.then.flow.flow_m3_s, least)
    assert len(unchanged[2].points) == 8


def test_a_meter_area_one_per_cent_larger_gives_one_per_cent_more_flow(
    larger: dict[int, PullNow], unchanged: dict[int, PullNow]
) -> None:
    its = larger[2]
    assert its.changed
    for (point, flow, _), (_, before, leak) in zip(flows(its), flows(unchanged[2]), strict=True):
        # what passes the meter is 1 % more; the leak that is subtracted, read on another range, is not
        more = 0.01 * (before + leak) if point.meter_range == "large" else 0.0
        assert flow - before == pytest.approx(more, rel=2e-3, abs=1e-9)


def test_a_pull_gets_the_leakage_that_its_blank_plate_run_gives_under_the_same_settings(
    kept_archive: Path, tmp_path: Path, unchanged: dict[int, PullNow]
) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[meter.ranges.small]\narea = "44 mm2"\n', encoding="utf-8")
    # only pull 2 is asked for: its blank-plate run is computed all the same
    (its,) = compute_again(kept_archive, [2], Settings.laid_over(path))
    assert its.leakage_again
    for (_, flow, leak), (_, before, leak_before) in zip(flows(its), flows(unchanged[2]), strict=True):
        # the small range, 10 % larger, reads 10 % more leak, and that much less is left of the flow
        assert leak == pytest.approx(1.1 * leak_before, rel=0.01)
        assert flow - before == pytest.approx(-0.1 * leak_before, rel=0.1)
    assert "with the leakage that its blank-plate run gives now" in recomputed_text([its], Settings())


def test_several_processes_find_the_same_and_touch_nothing(
    kept_archive: Path, change: Path, larger: dict[int, PullNow]
) -> None:
    before = sha256(kept_archive.read_bytes()).hexdigest()
    assert by_pull(list(compute_again(kept_archive, [2, 3], Settings.laid_over(change), workers=2))) == larger
    assert sha256(kept_archive.read_bytes()).hexdigest() == before


def test_a_stricter_band_marks_what_did_not_hold(kept_archive: Path, tmp_path: Path) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[settling]\ntest_pressure_band = "0.02 %"\nlongest_wait = "5 s"\n', encoding="utf-8")
    settings = Settings.laid_over(path)
    (its,) = compute_again(kept_archive, [2], settings)
    assert its.changed
    text = recomputed_text([its], settings, by_point=True)
    assert "not taken" in text or "NEW MARK" in text


def test_a_key_that_does_not_exist_is_said_with_the_pull_and_the_others_go_on(
    kept_archive: Path, tmp_path: Path
) -> None:
    path = tmp_path / "change.toml"
    path.write_text('[meter.ranges.large]\naera = "1 mm2"\n', encoding="utf-8")
    found = list(compute_again(kept_archive, PULLS, Settings.laid_over(path)))
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


def test_the_command_says_all_and_answers_with_its_exit_code(kept_archive: Path, change: Path) -> None:
    whole = CliRunner().invoke(cli, ["recompute", "1", "--db", str(kept_archive)], standalone_mode=False)
    assert "1 pull computed again by version" in whole.stdout
    assert "Nothing that was recorded is touched." in whole.stdout
    other = CliRunner().invoke(
        cli, ["recompute", "2", "--db", str(kept_archive), "--change", str(change), "--json"], standalone_mode=False
    )
    assert other.return_value == 1
    (pull,) = json.loads(other.stdout)["pulls"]
    assert pull["changed"]
    with ArchiveReader(kept_archive) as reader:
        kept = reader.pull(2)
    assert [point["then"]["flow_m3_s"] for point in pull["points"]] == [p.flow.flow_m3_s for p in kept.points]


def test_both_kinds_of_settings_at_once_are_refused(kept_archive: Path, change: Path) -> None:
    both = ["recompute", "--db", str(kept_archive), "--change", str(change), "--config", str(change)]
    refused = CliRunner().invoke(cli, both)
    assert refused.exit_code == 2
    assert "not both" in refused.output
