"""Leakage laws from blank-plate points."""

import math
import random
from collections.abc import Callable

import pytest

from acquire.budget.influences import READING
from acquire.budget.propagation import coverage_factor
from acquire.leakage.law import leakage_area_m2, leakage_uncertainty_m2
from acquire.leakage.run import BELOW_RANGE, bound_of, fit_law, judged_beside_m2, reads_least
from acquire.records import LeakageLaw
from acquire.values import AirState, Component, FlowResult, Hold, Point
from tests.flow.bench import INH2O, bench_config, captured, flow_model, leakage_law

RUN = (7.0, 14.0, 28.0)


def reading_of(test_inh2o: float, area: float, u: float = 1e-7, dof: float = 20.0, common: float = 0.0) -> Point:
    """A reading of own scatter ``u`` and a share ``common`` of it that the whole run has."""
    total = math.hypot(u, common)
    scale = max(abs(area), total)
    budget = (
        Component(READING, area, "m2", u, "t", dof, u / scale, False),
        Component("meter calibration", 1.0, "1", 0.0, "normal", 1e6, common / scale, True),
    )
    flow = FlowResult(0.0, area, total, dof, 2.0, 0.0, 0.0, 0.0, 0.0, budget)
    return _with(flow, test_inh2o, captured(area, u, dof))


def _with(flow: FlowResult, test_inh2o: float, capture: object = None) -> Point:
    pressure = test_inh2o * INH2O
    hold = Hold(pressure, 100.0, pressure, 0.0, 1.0, 0.0, 0.0, 1.0, 100, True, "")
    room = AirState(99000.0, 295.0, 0.4)
    kept = captured(flow.effective_area_m2) if capture is None else capture
    return Point(0, 1, 0, "settled", True, "", None, None, pressure, 100.0, room, 295.0, "small", kept, hold, flow)  # type: ignore[arg-type]


def _law(*points: Point) -> LeakageLaw:
    return fit_law(7, "intake", "2026-01-01T00:00:00+00:00", points)


def hole(area: float = 8e-6) -> Callable[[float], float]:
    return lambda _: area


def gap(area: float = 8e-6) -> Callable[[float], float]:
    return lambda inh2o: area * math.sqrt(inh2o / 28)


def both(area: float = 8e-6, share: float = 0.4) -> Callable[[float], float]:
    return lambda inh2o: area * (1 - share + share * math.sqrt(inh2o / 28))


def test_one_pressure_gives_its_area_there_and_knows_little_elsewhere() -> None:
    law = _law(reading_of(28, 8e-6))
    assert (law.pull_id, law.direction) == (7, "intake")
    assert leakage_area_m2(law, 28 * INH2O) == pytest.approx(8e-6)
    assert leakage_uncertainty_m2(law, 28 * INH2O) == pytest.approx(1e-7, rel=0.1)
    for true in (hole(), gap(), both()):
        off = leakage_area_m2(law, 7 * INH2O) - true(7)
        assert abs(off) < 1.96 * leakage_uncertainty_m2(law, 7 * INH2O)


@pytest.mark.parametrize("true", [hole(), gap(), both(), both(share=0.8)])
def test_several_pressures_give_back_the_law(true: Callable[[float], float]) -> None:
    law = _law(*[reading_of(p, true(p), 1e-8) for p in RUN])
    assert law.reference_pressure_pa == pytest.approx(28 * INH2O)
    for inh2o in (7, 10, 20, 28, 35):
        assert leakage_area_m2(law, inh2o * INH2O) == pytest.approx(true(inh2o), rel=0.012)
        assert leakage_uncertainty_m2(law, inh2o * INH2O) < 0.02 * true(inh2o)


@pytest.mark.parametrize(("kind", "seed"), [("hole", 1), ("gap", 2), ("both", 3)])
@pytest.mark.parametrize(("run", "stated"), [(RUN, (10, 14, 20, 25, 28)), ((28.0,), (28,))])
def test_the_stated_interval_holds_the_true_leak_as_often_as_it_says(
    kind: str, seed: int, run: tuple[float, ...], stated: tuple[int, ...]
) -> None:
    chance = random.Random(seed)
    inside, n = 0, 0
    for _ in range(300):
        true = {"hole": hole(), "gap": gap(), "both": both(share=chance.random())}[kind]
        # scatter 1 %, its estimate from 15 degrees of freedom, the meter off by 0.5 % in the whole run
        meter = 1 + chance.gauss(0, 0.005)
        points = []
        for p in run:
            estimated = 0.01 * true(p) * math.sqrt(chance.gammavariate(7.5, 2) / 15)
            area = true(p) * meter + chance.gauss(0, 0.01 * true(p))
            points.append(reading_of(p, area, estimated, 15.0, 0.005 * true(p)))
        law = _law(*points)
        for inh2o in stated:
            half = coverage_factor(law.dof) * leakage_uncertainty_m2(law, inh2o * INH2O)
            inside += abs(leakage_area_m2(law, inh2o * INH2O) - true(inh2o)) <= half
            n += 1
    # 93 to 97 % is wanted; five pressures of one run are no five trials, so chance is allowed 1.2 % more
    assert 0.92 <= inside / n <= 0.985


def test_readings_that_do_not_fit_a_leak_widen_its_law() -> None:
    fits = _law(*[reading_of(p, hole()(p), 2e-8) for p in RUN])
    law = _law(*[reading_of(p, 8e-6 * (p / 28) ** 0.9, 2e-8) for p in RUN])
    assert law.standard_uncertainty_m2 > 3 * fits.standard_uncertainty_m2
    assert leakage_uncertainty_m2(law, 7 * INH2O) > 3 * leakage_uncertainty_m2(fits, 7 * INH2O)


def test_what_the_whole_run_shares_is_not_averaged_away() -> None:
    law = _law(*[reading_of(28, 8e-6, 1e-9, common=2e-7) for _ in range(9)])
    assert law.standard_uncertainty_m2 == pytest.approx(2e-7, rel=0.02)


def test_more_readings_lower_what_is_their_own() -> None:
    one, nine = _law(reading_of(28, 8e-6)), _law(*[reading_of(28, 8e-6) for _ in range(9)])
    assert nine.standard_uncertainty_m2 == pytest.approx(one.standard_uncertainty_m2 / 3, rel=0.05)
    assert nine.dof > one.dof


def test_a_leak_too_small_to_tell_is_given_as_an_upper_bound() -> None:
    law = _law(reading_of(7, -1e-8), reading_of(14, 3e-8), reading_of(28, 1e-8))
    assert law.below_m2 is not None
    assert 5e-8 < law.below_m2 < 4e-7
    assert 0 <= leakage_area_m2(law, 28 * INH2O) < law.below_m2
    assert _law(reading_of(28, 8e-6)).below_m2 is None


def test_a_leak_that_the_meter_cannot_read_is_bounded_by_what_it_can() -> None:
    model = flow_model()
    flow = bound_of(model, 28 * INH2O)
    # 1 inH2O across 8 cm2 is what the range reads at least
    assert flow.half_width_95_m3_s == pytest.approx(0.95 * model.stated_flow_m3_s(8e-4 * math.sqrt(1 / 28)), rel=0.06)
    assert [part.name for part in flow.budget] == [BELOW_RANGE]
    law = _law(_with(flow, 28), _with(bound_of(model, 14 * INH2O), 14))
    assert law.area_m2 == 0.0
    assert law.below_m2 == pytest.approx(flow.standard_uncertainty_m2 * math.sqrt(3))
    assert law.reference_pressure_pa == 28 * INH2O
    u = leakage_uncertainty_m2(law, 28 * INH2O)
    assert leakage_uncertainty_m2(law, 7 * INH2O) == u
    assert leakage_uncertainty_m2(law, 56 * INH2O) == pytest.approx(math.sqrt(2) * u)


def test_a_bound_beside_true_readings_is_left_out() -> None:
    bound = _with(bound_of(flow_model(), 7 * INH2O), 7)
    assert _law(bound, reading_of(28, 8e-6)) == _law(reading_of(28, 8e-6))


def test_only_the_range_that_reads_least_may_bound_a_leak() -> None:
    config = bench_config()
    assert reads_least(config, "small")
    assert not reads_least(config, "large")


def test_a_leak_is_judged_beside_a_share_of_the_allowance() -> None:
    assert judged_beside_m2(bench_config(leakage={"allowance_area": "9 mm2"})) == pytest.approx(3e-6)
    assert judged_beside_m2(bench_config(leakage={"allowance_area": "0 mm2"})) == 0.0


def test_a_law_of_the_first_version_says_what_it_said() -> None:
    law = leakage_law(8e-6, 0.0, 2e-7)
    assert leakage_uncertainty_m2(law, 28 * INH2O) == pytest.approx(2e-7)
    assert leakage_uncertainty_m2(law, 14 * INH2O) == pytest.approx(
        math.hypot(2e-7, 8e-6 * 0.5 / math.sqrt(3) * math.log(2))
    )
    bent = leakage_law(8e-6, 0.2, 2e-7)
    assert leakage_area_m2(bent, 14 * INH2O) == pytest.approx(8e-6 * 0.5**0.2)
    assert leakage_area_m2(law, 0.0) == leakage_uncertainty_m2(law, -5.0) == 0.0


def test_points_that_cannot_be_used_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one step"):
        _law()
    with pytest.raises(ValueError, match="reading 2 has no test pressure"):
        _law(reading_of(28, 8e-6), reading_of(0, 8e-6))
    with pytest.raises(ValueError, match="not a number"):
        _law(reading_of(28, math.nan))
