"""A repeatability study from pulls: which take part, what is found, kept and shown."""

import dataclasses
import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from acquire.basis import Basis
from acquire.cli import cli
from acquire.comparison.stored import StoredRepeats, stored_repeats
from acquire.config import parse_tables
from acquire.records import ArchivedPull, PullRequest, Refused
from acquire.repeat.record import LiftRepeat, Repeatability
from acquire.repeat.smallest import smallest_difference_m3_s
from acquire.repeat.study import Study, study
from acquire.repeat.text import repeat_text
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.units import CFM_M3_S
from acquire.values import Mark, Point
from tests.store.examples import CONFIG, POINT, REQUEST, SOURCES, UTC

LIFTS_M = (0.1 * 0.0254, 0.3 * 0.0254)
FLOWS_M3_S = (60.0 * CFM_M3_S, 160.0 * CFM_M3_S)
BENCH = parse_tables(CONFIG, "here")


def points(*errors_rel: float) -> tuple[Point, ...]:
    """A pull's points, each flow wrong by that share."""
    return tuple(
        dataclasses.replace(
            POINT,
            step=i,
            step_lift_m=LIFTS_M[i],
            flow=dataclasses.replace(POINT.flow, flow_m3_s=FLOWS_M3_S[i] * (1 + e)),
        )
        for i, e in enumerate(errors_rel)
    )


def pull(number: int, taken: tuple[Point, ...], request: PullRequest = REQUEST, **changes: Any) -> ArchivedPull:
    made = ArchivedPull(
        number, "u", request, BENCH, UTC, UTC, "complete", "0", SOURCES, taken, (), None, None, (), None, (), Basis()
    )
    return dataclasses.replace(made, **changes)


def mounts(
    sizes: Sequence[int], within: float = 0.002, between: float = 0.004, seed: int = 1
) -> list[list[ArchivedPull]]:
    """Pulls of one head with known relative scatter, the same at both lifts."""
    random, number, groups = np.random.default_rng(seed), 0, []
    for size in sizes:
        mount, group = random.normal(0, between, 2), []
        for _ in range(size):
            number += 1
            group.append(pull(number, points(*(mount + random.normal(0, within, 2)))))
        groups.append(group)
    return groups


def made(groups: Sequence[Sequence[ArchivedPull]]) -> Study:
    return study(groups, UTC, "Ann")


def test_a_study_finds_the_scatter_that_was_put_in() -> None:
    found = made(mounts([4] * 40)).record
    for its, flow in zip(found.lifts, FLOWS_M3_S, strict=True):
        assert its.mean_m3_s == pytest.approx(flow, rel=0.002)
        # 120 and 39 degrees of freedom: within three standard errors
        assert its.s_within_m3_s / flow == pytest.approx(0.002, rel=0.2)
        assert its.s_between_m3_s / flow == pytest.approx(0.004, rel=0.35)
        assert its.within_dof == 120.0
    assert found.key == "intake"
    assert found.mounts[1] == (5, 6, 7, 8)
    assert found.setup == "bore fixture 86.00 mm, radius plate, gasket, no spark plug"
    assert (found.subject, found.bench, found.made_by) == ("H-0042", "bench A", "Ann")
    assert Repeatability.model_validate_json(found.model_dump_json()) == found


def test_comparisons_rest_on_the_scatter_of_one_pull_relative_and_between_studied_lifts() -> None:
    found = made(mounts([3] * 6)).record
    repeats = StoredRepeats(found)
    low, high = (repeats.at(lift) for lift in LIFTS_M)
    between = repeats.at(0.2 * 0.0254)
    assert low is not None
    assert high is not None
    assert between is not None
    its = found.lifts[0]
    assert low.rel == pytest.approx(math.hypot(its.s_within_m3_s, its.s_between_m3_s) / its.mean_m3_s)
    assert 5.0 < low.dof < its.study.of_mean()[1]
    assert between.rel == pytest.approx(0.5 * (low.rel + high.rel))
    assert between.dof == min(low.dof, high.dof)
    assert repeats.at(0.05 * 0.0254) is None
    assert repeats.at(0.5 * 0.0254) is None


def test_pulls_that_cannot_bear_witness_are_left_out_and_said() -> None:
    groups = mounts([3, 3, 3])
    loose = dataclasses.replace(POINT.hold, held=False)
    taken = groups[0][0].points
    groups[0][0] = dataclasses.replace(groups[0][0], points=(dataclasses.replace(taken[0], hold=loose), taken[1]))
    groups[1][0] = dataclasses.replace(groups[1][0], outcome="aborted")
    groups[1][1] = dataclasses.replace(groups[1][1], points=(taken[0], dataclasses.replace(taken[1], settled=False)))
    groups[2][2] = dataclasses.replace(groups[2][2], marks=(Mark("zero shift", "moved"),))
    found = made(groups)
    assert found.record.mounts == ((2, 3), (6,), (7, 8))
    said = " ".join(found.left_out)
    for words in ("Pull 1 is left out: its test pressure did not hold at step 1", "Pull 4 .* it was aborted"):
        assert re.search(words, said)
    assert "step 2 had not settled" in said
    assert "its zeros moved" in said


def _changed(**setup: Any) -> PullRequest:
    return REQUEST.model_copy(update={"setup": REQUEST.setup.model_copy(update=setup)})


OTHER_HEAD = REQUEST.model_copy(update={"subject": REQUEST.subject.model_copy(update={"identifier": "H-0043"})})
EXHAUST = REQUEST.model_copy(update={"direction": "exhaust"})


@pytest.mark.parametrize(
    ("groups", "said"),
    [
        ([[1, 2]], "needs two mounts or more, and 1 can be used"),
        ([[1], [2], [3]], "With one pull in each mount"),
        ([[1, 2], [2, 3]], "Pull 2 is named twice"),
        ([[1, 2], [3, 14]], "different heads .H-0042, H-0043."),
        ([[1, 2], [3, 15]], "direction: intake / exhaust"),
        ([[1, 2], [3, 16]], r"inlet treatment: radius plate / none.*gasket fitted: yes / no"),
        ([[1, 2], [17, 18]], "needs two mounts or more, and 1 can be used .*Pull 17 is left out: it was aborted"),
        ([[1, 2], [19, 3]], "calibrations: not given / meter_pressure 7"),
    ],
)
def test_pulls_that_are_no_study_are_refused_in_one_sentence(groups: list[list[int]], said: str) -> None:
    taken = points(0.0, 0.001)
    special = {
        14: pull(14, taken, OTHER_HEAD),
        15: pull(15, taken, EXHAUST),
        16: pull(16, taken, _changed(inlet_treatment="none", gasket_fitted=False)),
        17: pull(17, taken, outcome="aborted"),
        18: pull(18, taken, outcome=None),
        19: pull(19, taken, basis=Basis(calibration_ids={"meter_pressure": 7})),
    }
    pulls = [[special.get(n, pull(n, taken)) for n in group] for group in groups]
    with pytest.raises(Refused, match=said) as caught:
        made(pulls)
    assert "\n" not in str(caught.value)


def test_another_operator_or_a_lift_in_millimetres_is_the_same_study() -> None:
    groups = mounts([2, 2])
    beth = REQUEST.model_copy(update={"operator": "Beth"})
    in_mm = tuple(
        dataclasses.replace(p, step_lift_m=round((p.step_lift_m or 0) * 1e3, 3) / 1e3) for p in groups[1][1].points
    )
    groups[1][1] = dataclasses.replace(groups[1][1], request=beth, points=in_mm)
    assert [its.pulls for its in made(groups).record.lifts] == [4, 4]


def test_a_lift_that_too_few_pulls_have_is_said_and_the_others_stay() -> None:
    groups = mounts([2, 2])
    groups[1] = [dataclasses.replace(its, points=its.points[:1]) for its in groups[1]]
    found = made(groups)
    assert [its.lift_m for its in found.record.lifts] == [LIFTS_M[0]]
    assert found.noted == ("No figure at 0.3 in: one group cannot show how groups differ: two or more are needed.",)


def test_the_table_says_what_it_is_and_fits_the_screen() -> None:
    found = made(mounts([3, 3, 3]))
    text = repeat_text(found.record, BENCH)
    assert max(map(len, text.splitlines())) <= 80
    smallest = smallest_difference_m3_s(found.record.lifts[0], 3) / CFM_M3_S
    assert f"{smallest:8.2f}" in text
    assert "a study of more mounts makes them smaller" in text
    flat = LiftRepeat.of(0.01, found.record.lifts[0].study)
    still = dataclasses.replace(flat.study, ms_between=0.5 * flat.ms_within)
    quiet = found.record.model_copy(update={"lifts": (LiftRepeat.of(0.01, still),)})
    assert "mounting does not show beside the pulls' own scatter" in repeat_text(quiet, BENCH)


# ------------------------------------------------------------ the command


@pytest.fixture
def kept_pulls(tmp_path: Path) -> Path:
    """An archive of three mounts with two pulls each."""
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        for group in mounts([2, 2, 2]):
            for its in group:
                number = archive.begin_pull(its.request, CONFIG, "0.1.0", UTC, None, SOURCES)
                session = archive.open_session(number, UTC, "0.1.0", CONFIG, "{}")
                for point in its.points:
                    archive.commit_point(number, session, point)
                archive.end_pull(number, "complete", UTC)
    return path


def run(archive: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["repeat", *arguments, "--db", str(archive)])


def test_a_study_is_kept_and_shown_again(kept_pulls: Path) -> None:
    first = run(kept_pulls, "1,2", "3,4", "5,6", "--by", "Ann")
    assert first.exit_code == 0, first.output
    with ArchiveReader(kept_pulls) as reader:
        (kept,) = reader.bench_records(Repeatability, key="intake")
    assert kept.record.mounts == ((1, 2), (3, 4), (5, 6))
    assert math.isfinite(smallest_difference_m3_s(kept.record.lifts[0], 1))
    again = run(kept_pulls, "--show").output
    assert "by Ann" in again
    table = [line for line in first.output.splitlines() if re.match(r" +0\.\d+ +\d", line)]
    assert table
    assert all(line in again for line in table)
    # a newer one takes its place
    assert run(kept_pulls, "1,2", "3,4").exit_code == 0
    assert "2 mounts, 4 pulls" in run(kept_pulls, "--show", "--direction", "intake").output


def test_a_comparison_takes_the_newest_study_of_its_own_set_up(kept_pulls: Path) -> None:
    with ArchiveReader(kept_pulls) as reader:
        assert stored_repeats(reader, reader.pull(1)) is None
    assert run(kept_pulls, "1,2", "3,4").exit_code == 0
    assert run(kept_pulls, "1,2", "3,4", "5,6").exit_code == 0
    with ArchiveReader(kept_pulls) as reader:
        one = reader.pull(1)
        newest = stored_repeats(reader, one)
        assert newest is not None
        assert newest.record.mounts == ((1, 2), (3, 4), (5, 6))
        for other in (_changed(inlet_treatment="none"), _changed(test_pressure_pa=5000.0), EXHAUST):
            assert stored_repeats(reader, dataclasses.replace(one, request=other)) is None
        elsewhere = one.config.model_copy(update={"name": "bench B"})
        assert stored_repeats(reader, dataclasses.replace(one, config=elsewhere)) is None


def test_a_dry_run_keeps_nothing(kept_pulls: Path) -> None:
    found = json.loads(run(kept_pulls, "1,2", "3,4", "--dry-run", "--json").output)
    assert found["kept"] is None
    assert len(found["smallest_difference"]) == 2
    with ArchiveReader(kept_pulls) as reader:
        assert not reader.bench_records(Repeatability)
    refused = run(kept_pulls, "--show")
    assert isinstance(refused.exception, Refused)


def test_the_command_refuses_an_empty_mount_and_nothing_at_all(kept_pulls: Path) -> None:
    assert isinstance(run(kept_pulls, "1,2", ",").exception, Refused)
    assert "or --show" in run(kept_pulls).output
