"""A pull's flows at another test pressure."""

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.budget.influences import PORT
from acquire.cli import cli
from acquire.flow.converted import ConvertedPoint, convert_pull
from acquire.flow.statement import port_doubt_rel
from acquire.records import ArchivedPull, Refused
from acquire.store.archive import Archive
from acquire.values import AirState, Component, Convention, Direction
from tests.flow.bench import INH2O
from tests.sheet import example

OLD = Path(__file__).parents[1] / "data" / "archives" / "version_1.db"
# constant coefficient, by hand, equal to the ratio of fluids' expansibilities, at 101.325 kPa:
# (from, to, root rule, factor)
CONVERSIONS = [
    (3, 28, 3.055050, 2.951933),
    (10, 28, 1.673320, 1.632076),
    (15, 28, 1.366260, 1.341689),
    (20, 28, 1.183216, 1.169985),
    (25, 28, 1.058301, 1.053816),
    (28, 25, 0.944911, 0.948932),
    (28, 10, 0.597614, 0.612716),
]


def _held_at(
    inches: float,
    room: AirState = AirState(101325.0, 293.15, 0.0),
    direction: Direction = "intake",
    convention: Convention = "same restriction",
) -> ArchivedPull:
    made = example.pull(direction, config=example.bench(reference={"convention": convention}))
    points = tuple(replace(p, room=room, hold=replace(p.hold, mean_pa=inches * INH2O)) for p in made.points)
    return replace(made, points=points)


def _last(pull: ArchivedPull, to_inches: float) -> ConvertedPoint:
    return convert_pull(pull, to_inches * INH2O)[-1]


@pytest.mark.parametrize(("start", "end", "root", "factor"), CONVERSIONS)
def test_the_table_of_conversions_is_met(start: float, end: float, root: float, factor: float) -> None:
    its = _last(_held_at(start), end)
    assert its.flow_m3_s / its.held_m3_s == pytest.approx(factor, abs=1e-6)
    assert its.square_root_m3_s / its.held_m3_s == pytest.approx(root, abs=1e-6)
    assert its.square_root_rel == pytest.approx(root / factor - 1, abs=1e-6)


# error of the square-root rule at 84.3 kPa, by hand: 10 to 28 +3.08 %, 28 to 25 -0.52 %
@pytest.mark.parametrize(("start", "end", "error"), [(10, 28, 0.0308), (28, 25, -0.0052)])
def test_as_is_the_days_own_barometer_counts(start: float, end: float, error: float) -> None:
    its = _last(_held_at(start, AirState(84300.0, 293.15, 0.0), convention="as is"), end)
    assert its.square_root_rel == pytest.approx(error, abs=6e-5)
    assert its.convention == "as is"


def test_in_exhaust_by_mass_the_denser_plenum_counts() -> None:
    # by hand: flux goes with the pressure upstream, room plus test pressure, at one temperature
    its = _last(_held_at(10, direction="exhaust", convention="by mass"), 28)
    p = [101325 + inches * INH2O for inches in (10, 28)]
    r = [1 - inches * INH2O / above for inches, above in zip((10, 28), p, strict=True)]
    flux = [above * math.sqrt(x ** (2 / 1.4) - x ** (2.4 / 1.4)) for above, x in zip(p, r, strict=True)]
    assert its.flow_m3_s / its.held_m3_s == pytest.approx(flux[1] / flux[0], rel=2e-5)


def test_each_interval_has_the_readings_own_part_and_the_models_growing_one() -> None:
    pull = _held_at(28)
    near, far, none = _last(pull, 25), _last(pull, 10), _last(pull, 28)
    assert none.model_half_m3_s == 0.0
    assert none.half_m3_s == pytest.approx(none.held_half_m3_s, rel=1e-12)
    assert far.model_half_m3_s / far.flow_m3_s > 5 * near.model_half_m3_s / near.flow_m3_s > 0.0
    for its in (near, far):
        own = its.held_half_m3_s * its.flow_m3_s / its.held_m3_s
        assert its.half_m3_s == pytest.approx(math.hypot(own, its.model_half_m3_s), rel=1e-12)
    doubt = port_doubt_rel(101325.0, 28 * INH2O, 10 * INH2O)
    assert far.model_half_m3_s == pytest.approx(2.0 * doubt / math.sqrt(3) * far.flow_m3_s, rel=1e-9)


def test_at_another_barometer_than_the_references_the_model_has_a_part_even_at_the_held_pressure() -> None:
    high = AirState(84300.0, 293.15, 0.0)
    doubt = port_doubt_rel(84300.0, 28 * INH2O, 28 * INH2O, to_upstream_pa=101325.0)
    its = _last(_held_at(28, high), 28)
    assert doubt > 4e-3
    assert its.model_half_m3_s == pytest.approx(2.0 * doubt / math.sqrt(3) * its.flow_m3_s, rel=1e-9)
    assert _last(_held_at(28, high, convention="as is"), 28).model_half_m3_s == 0.0


def test_what_the_statement_at_the_reference_had_added_is_taken_out_again() -> None:
    made = _held_at(10)
    flow = made.points[-1].flow
    u_m2, added = flow.standard_uncertainty_m2, 0.006
    part = Component(PORT, 1.0, "1", 0.006, "rectangular", 1e6, added, shared=False)
    wider = replace(
        flow,
        standard_uncertainty_m2=math.hypot(u_m2, added * flow.effective_area_m2),
        budget=(*flow.budget, part),
    )
    pull = replace(made, points=(*made.points[:-1], replace(made.points[-1], flow=wider)))
    assert _last(pull, 10).half_m3_s == pytest.approx(_last(made, 10).half_m3_s, rel=1e-9)


@pytest.mark.parametrize("to_pa", [0.0, -7000.0, 2e5, float("nan")])
def test_a_pressure_that_is_none_is_refused_in_one_sentence(to_pa: float) -> None:
    with pytest.raises(ValueError, match="must lie between 0 and"):
        convert_pull(_held_at(28), to_pa)


def test_a_pull_without_points_has_nothing_to_convert() -> None:
    with pytest.raises(ValueError, match="nothing to convert"):
        convert_pull(replace(_held_at(28), points=()), 5000.0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("archive") / "archive.db"
    shutil.copy(OLD, path)
    with Archive.open(path):
        return path


def test_the_command_says_that_it_is_converted_and_fits_the_screen(archive: Path) -> None:
    said = CliRunner().invoke(cli, ["convert", "4", "--to", "25 inH2O", "--db", str(archive)])
    assert said.exit_code == 0
    assert "At 25 inH2O: CONVERTED, NOT MEASURED." in said.stdout
    assert "SIMULATED" in said.stdout
    assert max(map(len, said.stdout.splitlines())) <= 80
    as_json = CliRunner().invoke(cli, ["convert", "4", "--to", "25 inH2O", "--json", "--db", str(archive)])
    told = json.loads(as_json.stdout)
    assert (told["measured"], told["remark"]) == (False, "converted, not measured")
    assert len(told["points"]) == 8
    assert "nan" not in as_json.stdout.lower()


@pytest.mark.parametrize(("wanted", "said"), [("25", "not a number with a unit"), ("25 mm", "not a pressure")])
def test_the_command_refuses_in_one_sentence(archive: Path, wanted: str, said: str) -> None:
    result = CliRunner().invoke(cli, ["convert", "4", "--to", wanted, "--db", str(archive)])
    assert isinstance(result.exception, Refused)
    assert said in str(result.exception)
