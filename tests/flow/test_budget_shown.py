"""A kept budget as a person sees it, and its confirmation from what the archive holds."""

import dataclasses
import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from acquire.budget import influences
from acquire.budget.lines import budget_lines, common_and_own_m3_s, cure
from acquire.budget.rebuild import confirmed, rebuilt
from acquire.budget.text import Shown, budget_text
from acquire.cli import cli
from acquire.flow.reading import NEAR_ZERO
from acquire.records import ArchivedPull, Refused
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.units import CFM_M3_S
from acquire.values import Capture

OLD = Path(__file__).parents[1] / "data" / "archives" / "version_1.db"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of the first version, brought up to date."""
    path = tmp_path_factory.mktemp("archive") / "archive.db"
    shutil.copy(OLD, path)
    with Archive.open(path):
        return path


@pytest.fixture(scope="module")
def pull(archive: Path) -> ArchivedPull:
    """An exhaust pull of eight lifts."""
    with ArchiveReader(archive) as reader:
        return reader.pull(4)


def run(archive: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["budget", *arguments, "--db", str(archive)])


def test_the_largest_component_comes_first_and_shares_sum_to_one(pull: ArchivedPull) -> None:
    point = pull.points[-1]
    lines = budget_lines(point.flow)
    shares = [line.share for line in lines]
    assert shares == sorted(shares, reverse=True)
    assert math.fsum(shares) == pytest.approx(1.0)
    assert lines[0].component.name == "meter calibration"
    u = point.flow.half_width_95_m3_s / point.flow.coverage_factor
    assert math.hypot(*(line.contribution_m3_s for line in lines)) == pytest.approx(u, rel=1e-9)
    assert math.hypot(*common_and_own_m3_s(lines)) == pytest.approx(u, rel=1e-9)
    # what the meter's factor is wrong by, the flow with its leakage is wrong by
    whole = point.flow.flow_m3_s + point.flow.leakage_m3_s
    assert lines[0].sensitivity == pytest.approx(whole, rel=1e-3)


def test_one_step_is_shown_in_full_and_in_plain_words(archive: Path) -> None:
    shown = run(archive, "4", "--lift", "0.8").output
    assert "183.43 cfm ± 1.60 (95 %)" in shown
    assert "To improve: the meter itself" in shown
    assert "Meter calibration is 86% of the variance." in shown
    every = run(archive, "4", "--step", "8", "--all").output
    assert "smaller ones" in shown
    assert "room humidity, digit" in every
    assert "smaller ones" not in every
    assert max(map(len, every.splitlines())) <= 80


def test_all_steps_are_shown_in_a_line_each(archive: Path) -> None:
    shown = run(archive, "4").output
    assert max(map(len, shown.splitlines())) <= 80
    assert sum("meter calibration" in line for line in shown.splitlines()) == 8
    assert "meter pressure, zero 34" in shown


def test_as_json_every_component_is_there_in_si(archive: Path, pull: ArchivedPull) -> None:
    found = json.loads(run(archive, "4", "--json").output)
    assert found["pull"] == 4
    assert [len(point["components"]) for point in found["points"]] == [len(p.flow.budget) for p in pull.points]
    first = found["points"][0]["components"][0]
    assert first["contribution_m3_s"] == pytest.approx(
        first["sensitivity_m3_s_per_unit"] * first["standard_uncertainty"]
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("4", "--lift", "0.85"), "no point at a lift of 0.85: taken are 0.1, 0.2"),
        (("4", "--lift", "thick"), "'thick' is no lift"),
        (("4", "--step", "9"), "no point at step 9: taken are 1, 2"),
    ],
)
def test_a_step_that_was_not_taken_is_refused_in_one_sentence(
    archive: Path, arguments: tuple[str, ...], said: str
) -> None:
    result = run(archive, *arguments)
    assert isinstance(result.exception, Refused)
    assert said in str(result.exception)
    assert "\n" not in str(result.exception)


def test_a_lift_in_another_unit_is_the_same_step(archive: Path) -> None:
    assert run(archive, "4", "--lift", "20.32 mm").output == run(archive, "4", "--lift", "0.8").output


@pytest.mark.parametrize("step", [0, 7])
def test_a_kept_pull_is_rebuilt_and_monte_carlo_confirms_it(pull: ArchivedPull, step: int) -> None:
    point = pull.points[step]
    found = confirmed(pull, point, 4000, 1)
    assert found.holds
    flow, half = (v / CFM_M3_S for v in (point.flow.flow_m3_s, point.flow.half_width_95_m3_s))
    assert found.low_95 == pytest.approx(flow - half, abs=0.08 * half)
    assert found.high_95 == pytest.approx(flow + half, abs=0.08 * half)
    # u 0.34 and 0.82 cfm: half of the last of one digit
    assert found.tolerance == pytest.approx(0.05)


def test_a_blank_plate_run_is_rebuilt_too(archive: Path) -> None:
    with ArchiveReader(archive) as reader:
        pull = reader.pull(3)
    assert rebuilt(pull, pull.points[0]).inputs


def test_near_zero_flow_first_order_is_said_not_to_hold(archive: Path) -> None:
    from acquire.flow.reading import FlowModel, Window, evaluate
    from acquire.pull.signals import Signals

    with ArchiveReader(archive) as reader:
        pull = reader.pull(3)
    point = pull.points[0]
    ranges = {
        point.meter_range: pull.config.meter.ranges[point.meter_range].model_copy(update={"lowest_pressure_pa": 0})
    }
    meter = pull.config.meter.model_copy(update={"ranges": ranges})
    pull = dataclasses.replace(pull, config=pull.config.model_copy(update={"meter": meter}))
    model = FlowModel(pull.config, "exhaust", point.meter_range, point.room, point.meter_temperature_k)
    low_pa = 1.2
    area = model.effective_area_m2(low_pa, point.test_pressure_pa)
    capture: Capture = dataclasses.replace(point.capture, area_m2=area)
    channels = Signals(pull.config, "exhaust", point.meter_range, None, pull.basis).channels
    window = Window(point.test_pressure_pa, low_pa, None, None)
    flow = evaluate(model, capture, window, None, None, channels, carry_allowance=False)
    low = dataclasses.replace(point, meter_pressure_pa=low_pa, capture=capture, flow=flow)
    pull = dataclasses.replace(pull, points=(low,))
    assert flow.interval_by == "monte carlo"
    found = confirmed(pull, low, 4000, 1)
    assert not found.holds
    text = budget_text(pull, [Shown(low, found)], every=False)
    assert "FIRST ORDER DOES NOT HOLD" in text
    assert "the interval is that of a Monte Carlo run" in text
    assert NEAR_ZERO in text


def test_a_point_is_rebuilt_with_the_inputs_of_its_own_kept_budget(pull: ArchivedPull) -> None:
    point = pull.points[4]
    kept = {its.name: its for its in point.flow.budget}
    for its in rebuilt(pull, point).inputs:
        if its.name in kept:
            then = kept[its.name]
            assert (its.value, its.standard_uncertainty, its.dof) == (then.value, then.standard_uncertainty, then.dof)
        else:
            assert its.standard_uncertainty == 0.0


def test_a_budget_that_was_computed_in_another_way_is_shown_but_not_confirmed(pull: ArchivedPull) -> None:
    point = pull.points[3]
    flow = dataclasses.replace(point.flow, effective_area_m2=point.flow.effective_area_m2 * 1.001)
    other = dataclasses.replace(point, flow=flow)
    changed: Any = dataclasses.replace(pull, points=(*pull.points[:3], other, *pull.points[4:]))
    with pytest.raises(Refused, match="computed by another version"):
        rebuilt(changed, other)


def test_every_component_of_the_formula_has_words_for_what_to_improve(pull: ArchivedPull) -> None:
    names = {its.name for point in pull.points for its in point.flow.budget}
    names |= {
        NEAR_ZERO,
        influences.ALLOWANCE,
        influences.BAROMETER,
        influences.METER_AS_ROOM,
        influences.DENSITY_FORMULA,
    }
    # physics that a shop cannot better
    unknown = {name for name in names if cure(name) == f"the {name}"}
    assert unknown == {"isentropic exponent", influences.DENSITY_FORMULA}
