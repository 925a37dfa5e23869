"""compare and siblings from the command line, on an archive of invented heads."""

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from acquire.cli import cli
from acquire.comparison.choosing import choose
from acquire.comparison.compare import Asked, compare
from acquire.comparison.siblings import among_siblings
from acquire.comparison.tables import comparison_frame, siblings_frame
from acquire.records import Refused
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from tests.sheet.example import pull
from tests.store.examples import CONFIG, SOURCES, UTC


@pytest.fixture(scope="module")
def db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven sound heads and one that is short of flow at low lift, three pulls each."""
    path, rng = tmp_path_factory.mktemp("heads") / "archive.db", random.Random(6)
    with Archive.open(path) as archive:
        for head in range(8):
            own = [1.0 if head in (1, 7) else 1 + rng.gauss(0, 0.004)] * 8
            if head == 7:
                own[0] -= 0.08
            for _ in range(3):
                pattern = pull(subject_changes={"identifier": f"H-{head}", "details": {"plug position": f"p{head}"}})
                pull_id = archive.begin_pull(pattern.request, CONFIG, "0.1.0", UTC, None, SOURCES)
                session_id = archive.open_session(pull_id, UTC, "0.1.0", CONFIG, "{}")
                for its, off in zip(pattern.points, own, strict=True):
                    flow = replace(its.flow, flow_m3_s=its.flow.flow_m3_s * off * (1 + rng.gauss(0, 0.001)))
                    archive.commit_point(pull_id, session_id, replace(its, flow=flow))
                archive.end_pull(pull_id, "complete", UTC)
    return path


def run(*words: Any) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words], standalone_mode=False)


def test_two_heads_by_identifier(db: Path, tmp_path: Path) -> None:
    done = run("compare", "H-7", "H-1", "--db", db, "--factor", "plug position", "-o", tmp_path / "page.pdf")
    assert done.return_value == 0, done.exception
    assert done.stdout.startswith("H-1 (p1) flows more than H-7 (p7) ")
    assert "pulls 22, 23, 24" in done.stdout
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")


def test_heads_by_the_numbers_of_their_pulls_and_as_json(db: Path) -> None:
    done = run("compare", "4,5", "7,8", "--db", db, "--json")
    (found,) = json.loads(done.stdout)
    assert found["a"] == {"identifier": "H-1", "pulls": [4, 5]}
    assert len(found["verdict"]["at"]) == 8


def test_pulls_between_slashes_are_of_one_mount(db: Path) -> None:
    done = run("compare", "4,5/6", "7/8,9", "--db", db)
    assert "each mount counted once" in " ".join(done.stdout.split())
    assert "every pull counted as a mount of its own" in " ".join(run("compare", "4,5", "7", "--db", db).stdout.split())


def test_under_a_cam_with_an_engine(db: Path, tmp_path: Path) -> None:
    table = tmp_path / "cam.csv"
    table.write_text("crank_deg,lift_in\n" + "\n".join(f"{20 * i},{0.04 * min(i, 14 - i)}" for i in range(15)))
    engine = ("--bore", "4.000 in", "--stroke", "3.48 in", "--rpm", "6500")
    done = run("compare", "H-1", "H-2", "--db", db, "--cam", table, *engine)
    assert "mean effective area" in done.stdout
    assert "reaches 0.6 at" in " ".join(done.stdout.split())
    card = run("compare", "H-1", "H-2", "--db", db, "--duration", 280, 230, "--lobe-lift", "0.34 in", "--rocker", 1.6)
    assert "polydyne" in card.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "H-1"), "two heads"),
        (("compare", "H-1", "H-1"), "compared with itself"),
        (("compare", "H-1", "nobody"), "no complete lift pull of 'nobody'"),
        (("compare", "H-1", "H-2", "--factor", "colour"), "no pull says anything about 'colour'"),
        (("compare", "H-1", "H-2", "--direction", "exhaust"), "no complete exhaust pull"),
        (("compare", "H-1", "H-2", "--cam", "missing.csv"), "cannot be read"),
        (("compare", "H-1", "H-2", "--duration", "280", "230"), "--lobe-lift"),
        (("compare", "H-1", "H-2", "--bore", "4 in"), "go together"),
        (("siblings", "nobody"), "no complete lift pull"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(db: Path, words: tuple[str, ...], said: str) -> None:
    done = run(*words, "--db", db)
    assert done.exception is not None
    assert said in str(done.exception)
    assert "\n" not in str(done.exception)


def test_the_head_that_is_short_of_flow_falls_out_and_another_does_not(db: Path) -> None:
    out = run("siblings", "h-7", "--db", db)
    assert out.return_value == 1
    assert "H-7 falls out of 7 other heads" in out.stdout
    assert run("siblings", "H-1", "--db", db).return_value == 0
    assert "low at 0.100 in" in " ".join(out.stdout.split())
    assert json.loads(run("siblings", "H-7", "--db", db, "--json").stdout)["identifier"] == "H-7"


def test_the_findings_come_as_frames(db: Path) -> None:
    with ArchiveReader(db) as reader:
        a, b = choose(reader, "H-1", None), choose(reader, "H-2", None)
        among = among_siblings("H-7", reader.curves("intake", a[0].request.subject.model))
        with pytest.raises(Refused, match="no complete exhaust pull"):
            choose(reader, "H-1", "exhaust")
    frame = comparison_frame(compare(a, b, None, Asked()))
    assert list(frame["a_pulls"]) == [3] * 8
    assert frame["half_width_95_m3_s"].gt(0).all()
    assert siblings_frame(among)["falls_out"].iloc[0] == "low"
