"""What a seed draws: a plausible head, errors of the stated size, the same every time."""

import itertools
import statistics

import pytest

from sim.air import CFM_M3_S, INCH_M
from sim.bench import SimBench
from sim.build import STATED_CHANNELS, STATED_RANGES, ZEROED, build
from sim.scenario import CALM, EXACT, FAULTS, SHOP

SEEDS = range(60)


def cfm(bench: SimBench, direction: str, lift_in: float) -> float:
    assert direction in ("intake", "exhaust")
    return bench.truth("intake" if direction == "intake" else "exhaust", lift_in * INCH_M)["flow_m3_s"] / CFM_M3_S


@pytest.mark.parametrize("seed", SEEDS)
def test_every_head_flows_like_a_head(seed: int) -> None:
    """Common practice, no source: about 60 cfm at 0.1 in, 230 to 290 cfm wide open, exhaust about 70 % of it."""
    bench = SimBench(seed)
    assert 52.0 < cfm(bench, "intake", 0.1) < 68.0
    assert 210.0 < cfm(bench, "intake", 0.6) < 290.0
    assert 230.0 < cfm(bench, "intake", 0.8) < 290.0
    for lift_in in (0.1, 0.3, 0.5, 0.8):
        assert 0.64 < cfm(bench, "exhaust", lift_in) / cfm(bench, "intake", lift_in) < 0.76


@pytest.mark.parametrize("direction", ["intake", "exhaust"])
@pytest.mark.parametrize("seed", range(10))
def test_flow_rises_with_lift_and_bends_down(seed: int, direction: str) -> None:
    bench = SimBench(seed)
    flows = [cfm(bench, direction, 0.01 * n) for n in range(86)]
    rises = [after - before for before, after in itertools.pairwise(flows)]
    assert flows[0] == 0.0
    assert all(rise > 0.0 for rise in rises)
    assert all(after <= before + 1e-9 for before, after in itertools.pairwise(rises))


def test_the_valve_curtain_never_passes_more_than_its_area() -> None:
    for seed in SEEDS:
        for port in build(seed, SHOP).ports.values():
            curtain_m2 = 3.14159265 * port.valve_diameter_m * 0.05 * INCH_M
            assert 0.5 < port.area_m2(0.05 * INCH_M) / curtain_m2 < 0.75


def test_calibration_errors_are_drawn_from_the_stated_accuracy() -> None:
    """95 % figures: half of them is the standard deviation."""
    for name, stated in STATED_RANGES.items():
        errors = [build(seed, SHOP).range_areas_m2[name] / stated.area_m2 - 1.0 for seed in range(400)]
        assert statistics.stdev(errors) == pytest.approx(stated.accuracy / 2, rel=0.12)
        assert statistics.mean(errors) == pytest.approx(0.0, abs=stated.accuracy / 8)


def test_transducer_errors_are_drawn_from_the_stated_accuracy() -> None:
    for name, stated in STATED_CHANNELS.items():
        made = [build(seed, SHOP).transducers[name] for seed in range(400)]
        gains = [one.gain * 100.0 for one in made]
        if name in ZEROED:  # the figure holds for a reading whose zero was subtracted
            assert statistics.stdev(one.bend for one in made) == pytest.approx(stated.accuracy / 2, rel=0.12)
            for one in made:
                away = one.reading(40.0 * stated.accuracy, 0.0) - one.reading(0.0, 0.0) - 40.0 * stated.accuracy
                expected = one.bend + one.gain * 40.0 * stated.accuracy
                assert away == pytest.approx(expected, abs=1.1 * stated.resolution + 0.001 * stated.accuracy)
        if name == "lift":  # its zero is wherever it was set last
            assert all(abs(one.offset) <= 0.002 for one in made)
            continue
        assert statistics.stdev(one.offset for one in made) == pytest.approx(stated.accuracy / 2, rel=0.12)
        if stated.accuracy_percent_of_reading:
            assert statistics.stdev(gains) == pytest.approx(stated.accuracy_percent_of_reading / 2, rel=0.12)
        else:
            assert set(gains) == {0.0}


def test_leakage_is_one_to_three_cfm_at_28_inches_of_water() -> None:
    for seed in SEEDS:
        for direction in ("intake", "exhaust"):
            leak = SimBench(seed).truth(direction)["leakage_m3_s"] / CFM_M3_S
            assert 0.99 < leak < 3.01


def test_truth_depends_on_the_seed_alone() -> None:
    before = SimBench(7).truth("intake", 0.3 * INCH_M)
    for scenario in (CALM, EXACT, FAULTS):
        bench = SimBench(7, scenario)
        bench.follow({"lift_m": 0.2 * INCH_M, "test_pressure_pa": 6975.0})
        bench.advance(7.0)
        assert bench.truth("intake", 0.3 * INCH_M) == before
    assert SimBench(8).truth("intake", 0.3 * INCH_M) != before


def test_truth_does_not_move_with_the_day_but_with_the_reference() -> None:
    bench = SimBench(3)
    at_28, at_10 = bench.truth("exhaust", 0.3 * INCH_M), bench.truth("exhaust", 0.3 * INCH_M, 10 * 249.08891)
    assert at_28["effective_area_m2"] == at_10["effective_area_m2"]
    # compressible flow, 10 to 28 inH2O at 101.325 kPa
    assert at_28["flow_m3_s"] / at_10["flow_m3_s"] == pytest.approx(1.632076, rel=1e-4)
    warm = bench.truth("exhaust", 0.3 * INCH_M, air_temperature_k=303.15)
    assert warm["flow_m3_s"] / at_28["flow_m3_s"] == pytest.approx((303.15 / 293.15) ** 0.5, rel=1e-4)


def test_an_unknown_direction_is_refused() -> None:
    with pytest.raises(ValueError, match="use intake or exhaust"):
        SimBench(1).truth("sideways", 0.1)  # type: ignore[arg-type]
