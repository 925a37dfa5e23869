"""Blank-plate runs on the simulated bench: several pressures, and fixtures too tight for the meter."""

import pytest

from acquire.budget.propagation import coverage_factor
from acquire.demo.plan import demo_requests
from acquire.leakage.law import leakage_area_m2, leakage_uncertainty_m2
from acquire.pull.core import PullCore
from acquire.records import LeakageLaw, PullRequest
from acquire.units import INH2O_PA
from tests.whole.virtual import VirtualBench, demo_config, law_of

INH2O = INH2O_PA["conventional"]
FROM_ZERO = {'lowest_pressure = "0.05 inH2O"': 'lowest_pressure = "0 inH2O"'}


def request(bench: VirtualBench, direction: str = "intake") -> PullRequest:
    return next(r for r in demo_requests(bench.config) if r.kind == "leakage" and r.direction == direction)


def half_width(law: LeakageLaw, inh2o: float) -> float:
    return coverage_factor(law.dof) * leakage_uncertainty_m2(law, inh2o * INH2O)


@pytest.mark.parametrize(("seed", "direction"), [(1, "intake"), (2, "exhaust"), (3, "intake")])
def test_a_run_over_three_pressures_finds_the_leak_at_any_of_them(seed: int, direction: str) -> None:
    bench = VirtualBench(seed)
    law = bench.leakage(request(bench, direction))
    true = bench.bench.built.leakage_m2[direction]  # type: ignore[index]
    assert law.below_m2 is None
    for inh2o in (7, 14, 20, 28):
        assert abs(leakage_area_m2(law, inh2o * INH2O) - true) <= half_width(law, inh2o)
        assert half_width(law, inh2o) < 0.05 * true


def test_a_fixture_too_tight_for_the_meter_gives_a_bound_and_no_refusal() -> None:
    bench = VirtualBench(1)
    bench.bench.built.leakage_m2["intake"] = 1e-9
    run = bench.pull(request(bench))
    assert len(run.points) == 3
    assert all(its.settled for its in run.points)
    assert not [said for said in run.sentences if "is below what" in said]
    law = law_of(request(bench), run)
    assert law.area_m2 == 0.0
    # 0.05 inH2O across 40 mm2 is what the small range reads at least; the zero may move by another 0.005
    assert law.below_m2 == pytest.approx(40e-6 * (0.055 / 28) ** 0.5, rel=0.03)
    assert bench.bench.built.leakage_m2["intake"] < half_width(law, 28)


def test_a_leak_near_nothing_settles_as_fast_as_any_on_a_meter_that_reads_from_zero() -> None:
    usual = VirtualBench(1)
    usual_s = usual.pull(request(usual)).seconds
    bench = VirtualBench(1, demo_config(**FROM_ZERO))
    bench.bench.built.leakage_m2["intake"] = 2e-8
    run = bench.pull(request(bench))
    assert all(its.settled for its in run.points)
    assert run.seconds < 1.5 * usual_s
    law = law_of(request(bench), run)
    assert law.below_m2 is not None
    assert law.below_m2 < bench.config.leakage.allowance_area_m2 / 4
    assert abs(leakage_area_m2(law, 28 * INH2O) - 2e-8) <= half_width(law, 28)


def test_a_range_too_large_for_the_leak_is_not_taken_for_a_bound() -> None:
    bench = VirtualBench(1)
    wrong = request(bench).model_copy(update={"meter_range": "large"})
    faults: list[str] = []

    def look(core: PullCore, _: object) -> None:
        if core.fault:
            faults.append(core.fault)

    with pytest.raises(AssertionError):
        bench.pull(wrong, limit_s=30.0, each=look)
    assert "use range 'small'" in faults[-1]
