"""How pulls held, from the archive's own table: the last takes only, of before as of now."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import cli
from acquire.records import PullRequest
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from tests.store.examples import CONFIG, POINT, REQUEST, SOURCES, begin, point

OLD = Path(__file__).parent.parent / "data" / "archives" / "version_1.db"


def test_each_pull_is_summed_over_its_last_takes(tmp_path: Path) -> None:
    path, hold = tmp_path / "archive.db", POINT.hold
    loose = replace(hold, sd_pa=8 * hold.sd_pa, largest_excursion_pa=-300.0, held=False)
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        for its in (replace(point(0), hold=loose), point(0, take=2), replace(point(1), hold=loose)):
            archive.commit_point(pull_id, session_id, its)
        begin(archive)
    with ArchiveReader(path) as reader:
        (held,) = reader.held_pulls()
        assert reader.held_pulls("2027-01-01") == []
    assert (held.points, held.held, held.bench, held.simulated) == (2, 1, "bench A", False)
    # the root mean square of 6 and 48 Pa over 6974 Pa
    assert held.sd == pytest.approx(((6.0**2 + 48.0**2) / 2) ** 0.5 / 6974.0, rel=1e-12)
    assert held.farthest == pytest.approx(300.0 / 6974.0, rel=1e-12)
    assert held.band == pytest.approx(140.0 / 6974.0, rel=1e-12)
    # 0.1 Pa/s over the 4.3 s of the reading
    assert held.drift == pytest.approx(0.43 / 6974.0, rel=1e-12)


def test_a_leakage_run_says_nothing_about_a_lift_pull(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    asked = REQUEST.model_dump() | {"kind": "leakage", "lifts_m": (), "test_pressures_pa": (7000.0,)}
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive, PullRequest.model_validate(asked))
        archive.commit_point(pull_id, session_id, point(0))
    with ArchiveReader(path) as reader:
        assert reader.held_pulls() == []


def test_an_archive_of_before_has_its_holds_after_the_migration(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    shutil.copy(OLD, path)
    Archive.open(path).close()
    with ArchiveReader(path) as reader:
        found = reader.held_pulls()
        lift_pulls = [reader.pull(row.id) for row in reader.pulls(kind="lift")]
    with_points = {its.id: its for its in lift_pulls if its.points}
    assert {its.id for its in found} == set(with_points)
    for its in found:
        holds = [p.hold for p in with_points[its.id].in_force.values()]
        assert its.points == len(holds)
        assert its.farthest == pytest.approx(max(abs(h.largest_excursion_pa) / h.target_pa for h in holds), rel=1e-12)


def test_the_command_looks_over_all_or_at_one(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        for day in range(1, 4):
            utc = f"2026-03-{day:02}T05:06:07.000Z"
            pull_id = archive.begin_pull(REQUEST, CONFIG, "0.1.0", utc, None, SOURCES)
            session_id = archive.open_session(pull_id, utc, "0.1.0", CONFIG, "{}")
            archive.commit_point(pull_id, session_id, point(0))

    def run(*arguments: str) -> str:
        return CliRunner().invoke(cli, ["steady", *arguments, "--db", str(path)]).output.replace("\n", " ")

    assert "3 lift pulls, 3 of 3 points held (100.0 %)" in run("--all")
    assert "from 2026-03-02 to 2026-03-03" in run("--all", "--since", "2026-03-02")
    assert "1 lift pull," in run("--all", "--last", "1")
    assert "Name one pull, or ask for all" in run()
    assert "Name one pull, or ask for all" in run("1", "--all")
    assert "go with --all" in run("1", "--last", "1")
    page = tmp_path / "page.png"
    run("--all", "-o", str(page))
    assert page.read_bytes().startswith(b"\x89PNG")
