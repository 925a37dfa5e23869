"""The plant: mass is conserved, the meter follows the port, and the signals are as lively as stated."""

import random
import statistics
from dataclasses import replace

import fluids
import numpy as np
import pytest

from sim.air import INH2O_PA, density
from sim.bench import SimBench
from sim.build import PLENUM_M3, Direction, build
from sim.noise import Correlated, Hunting
from sim.physics import STEP_S, Plant
from sim.scenario import EXACT, ROUGH, SHOP, Scenario

AREA_M2 = 900e-6


def plant(direction: Direction, scenario: Scenario = EXACT, seed: int = 5) -> Plant:
    made = Plant(build(seed, scenario), scenario, random.Random(f"{seed}"))
    made.direction = direction
    return made


def run(made: Plant, seconds: float) -> list[tuple[float, float, float]]:
    """Port, leakage and meter mass flows, step by step."""
    flows = []
    for _ in range(round(seconds / STEP_S)):
        made.step()
        flows.append((made.port_kg_s, made.leak_kg_s, made.meter_kg_s))
    return flows


@pytest.mark.parametrize("direction", ["intake", "exhaust"])
def test_what_goes_through_port_and_leaks_goes_through_the_meter(direction: Direction) -> None:
    made = plant(direction)
    made.port_m2, made.source_pa = AREA_M2, 28 * INH2O_PA
    port, leak, meter = run(made, 30.0)[-1]
    assert made.test_pressure_pa == pytest.approx(28 * INH2O_PA, rel=1e-9)
    assert port > 0.05
    assert leak > 0.0003
    assert meter == pytest.approx(port + leak, rel=1e-6)


@pytest.mark.parametrize("direction", ["intake", "exhaust"])
def test_the_plenum_keeps_what_does_not_leave_it(direction: Direction) -> None:
    """Integrated over a start of the blower; the meter's own lag holds its share back."""
    made = plant(direction)
    made.port_m2, made.source_pa = AREA_M2, 28 * INH2O_PA
    run(made, 5.0)
    before_pa = made.test_pressure_pa
    made.source_pa = 20 * INH2O_PA
    through = sum(meter - port - leak for port, leak, meter in run(made, 10.0)) * STEP_S
    per_pa = PLENUM_M3 * density(1e5, made.meter_temperature_k, made.vapour) / 1e5
    stored = per_pa * (made.test_pressure_pa - before_pa)
    lag_s = build(5, EXACT).response.meter_lag_s
    flow_before, flow_after = AREA_M2 * made.flux(28 * INH2O_PA), AREA_M2 * made.flux(20 * INH2O_PA)
    held_back = (flow_before - flow_after) * lag_s * 1.01  # the leakage is 1 % of this port
    assert through == pytest.approx(stored + held_back, abs=0.03 * (abs(stored) + abs(held_back)))


def test_the_meter_reads_what_iso_5167_says_of_its_mass_flow() -> None:
    """fluids' plate relation with C = 1 and D far larger than the bore is the plate in a wall."""
    for direction, sign in (("intake", -1.0), ("exhaust", 1.0)):
        made = plant("intake" if direction == "intake" else "exhaust")
        made.port_m2, made.source_pa = AREA_M2, 28 * INH2O_PA
        run(made, 200.0)
        built = build(5, EXACT)
        drop_pa = made.meter_pressure_pa()
        plenum_pa = built.room_pressure_pa + sign * made.test_pressure_pa
        upstream_pa = plenum_pa + (drop_pa if direction == "exhaust" else 0.0)
        bore_m = (4.0 * built.range_areas_m2["large"] / np.pi) ** 0.5
        dense = density(upstream_pa, made.meter_temperature_k, made.vapour)
        low_pa = upstream_pa - drop_pa
        eps = fluids.flow_meter.orifice_expansibility(1000.0, bore_m, upstream_pa, low_pa, 1.4)
        mass = fluids.flow_meter.flow_meter_discharge(1000.0, bore_m, upstream_pa, low_pa, dense, 1.0, eps)  # type: ignore[no-untyped-call]
        assert made.meter_kg_s == pytest.approx(mass, rel=2e-5)


def test_blown_air_comes_out_warmer_and_drawn_air_does_not() -> None:
    for direction, low_k, high_k in (("exhaust", 2.0, 5.5), ("intake", -0.1, 0.1)):
        made = plant("exhaust" if direction == "exhaust" else "intake")
        made.port_m2, made.source_pa = AREA_M2, 28 * INH2O_PA
        run(made, 240.0)
        assert low_k < made.meter_temperature_k - made.room_temperature_k < high_k


def test_the_flow_approaches_with_the_drawn_time_constant() -> None:
    scenario = replace(EXACT, second_order_share=0.0)
    made = plant("intake", scenario)
    time_constant_s = build(5, scenario).response.time_constant_s
    assert 0.3 <= time_constant_s <= 1.2
    made.port_m2 = AREA_M2
    run(made, time_constant_s)
    assert made.open_m2 / AREA_M2 == pytest.approx(1.0 - np.exp(-1.0), abs=0.01)


def test_a_second_order_approach_overshoots_by_what_its_damping_says() -> None:
    """Textbook: overshoot exp(-pi z / sqrt(1 - z^2)) of the step."""
    scenario = replace(EXACT, second_order_share=1.0, damping=(0.5, 0.5))
    made = plant("intake", scenario)
    made.port_m2 = AREA_M2
    highest = 0.0
    for _ in range(1000):
        made.step()
        highest = max(highest, made.open_m2)
    assert highest / AREA_M2 - 1.0 == pytest.approx(0.163, abs=0.02)
    assert made.open_m2 == pytest.approx(AREA_M2, rel=1e-3)


def test_the_blower_cannot_draw_a_large_port_through_a_small_range() -> None:
    made = plant("intake")
    made.meter_range = "middle"
    made.port_m2, made.source_pa = 1200e-6, 28 * INH2O_PA
    run(made, 20.0)
    assert made.test_pressure_pa < 20 * INH2O_PA


def test_no_flow_and_no_pressure_when_the_blower_is_off() -> None:
    made = plant("intake", SHOP)
    made.port_m2, made.source_pa = AREA_M2, 28 * INH2O_PA
    run(made, 5.0)
    made.source_pa = 0.0
    run(made, 15.0)
    assert made.test_pressure_pa == 0.0
    assert abs(made.meter_pressure_pa()) < 1e-9


def lively_flow(seed: int, area_m2: float) -> tuple[float, float]:
    """Relative scatter of the flow at the meter and of the test pressure over 200 s, long swings taken out."""
    scenario = replace(SHOP, hunting_share=0.0, line_drift=0.0)
    made = plant("intake", scenario, seed)
    made.port_m2, made.source_pa = area_m2, 28 * INH2O_PA
    run(made, 10.0)
    drops, pressures = [], []
    for _ in range(20000):
        made.step()
        drops.append(made.meter_pressure_pa() ** 0.5)
        pressures.append(made.felt_test_pressure_pa())
    return (
        statistics.stdev(drops) / statistics.mean(drops),
        statistics.stdev(pressures) / statistics.mean(pressures),
    )


@pytest.mark.parametrize("seed", range(3))
def test_turbulence_is_a_tenth_to_one_percent_and_grows_with_the_flow(seed: int) -> None:
    calm, pressure_calm = lively_flow(seed, 150e-6)
    lively, pressure_lively = lively_flow(seed, 1100e-6)
    assert 0.001 <= calm < lively <= 0.010
    for pressure in (pressure_calm, pressure_lively):
        assert 0.0003 < pressure < 0.0024


@pytest.mark.parametrize("time_s", [0.02, 0.1, 0.3])
def test_correlated_noise_has_unit_scatter_and_its_correlation_time(time_s: float) -> None:
    noise = Correlated(time_s, STEP_S, random.Random(1))
    values = np.array([noise.step() for _ in range(60000)])
    assert values.std() == pytest.approx(1.0, abs=0.06)
    assert abs(values.mean()) < 0.06
    assert np.corrcoef(values[:-1], values[1:])[0, 1] == pytest.approx(np.exp(-STEP_S / time_s), abs=0.02)


def test_hunting_swings_within_its_range_and_period() -> None:
    hunting = Hunting(replace(ROUGH, hunting_share=1.0), STEP_S, random.Random(2))
    values = np.array([hunting.step() for _ in range(60000)])
    assert 0.001 < np.abs(values).max() <= 0.010
    crossings = np.count_nonzero(np.diff(np.sign(values)))
    assert 2.0 < 2 * 600.0 / crossings < 8.0


def test_hunting_is_absent_where_the_scenario_has_none() -> None:
    hunting = Hunting(EXACT, STEP_S, random.Random(2))
    assert {hunting.step() for _ in range(5000)} == {0.0}


def test_a_closed_valve_and_a_blank_plate_leave_the_leakage_alone() -> None:
    bench = SimBench(4, EXACT)
    bench.follow({"fitted": "blank plate", "meter_range": "small", "test_pressure_pa": 28 * INH2O_PA})
    bench.advance(30.0)
    leak = bench.truth("intake")["leakage_area_m2"]
    assert bench.plant.port_kg_s == 0.0
    assert bench.plant.meter_kg_s == pytest.approx(leak * bench.plant.flux(28 * INH2O_PA), rel=1e-4)
    assert 0.3 * INH2O_PA < bench.plant.meter_pressure_pa() < 5.0 * INH2O_PA
