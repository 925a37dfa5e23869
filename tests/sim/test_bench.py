"""The bench in virtual time: the same seed, the same bytes, at little cost, and what it tells of its state."""

import time
from dataclasses import replace
from typing import Any

import pytest

from sim.air import INCH_M, INH2O_PA
from sim.bench import SimBench
from sim.scenario import EXACT, FAULTS, ROUGH, SCENARIOS, SHOP, STEADY_HANDS, Scenario


def record(seed: int, scenario: Scenario = SHOP, dt_s: float = 0.1) -> dict[str, bytes]:
    bench = SimBench(seed, scenario)
    out: dict[str, bytes] = {}
    wants = [{"lift_m": lift * INCH_M, "test_pressure_pa": 28 * INH2O_PA} for lift in (0.1, 0.2, 0.3)]
    for n in range(round(45.0 / dt_s)):
        if n % round(15.0 / dt_s) == 0:
            bench.follow(dict(wants[n * round(dt_s * 100) // 1500]))
            bench.write("weather", b"?\r")
        bench.advance(dt_s)
        for name, data in bench.outputs().items():
            out[name] = out.get(name, b"") + data
    return out


@pytest.mark.parametrize("scenario", SCENARIOS.values(), ids=SCENARIOS)
def test_the_same_seed_gives_the_same_bytes(scenario: Scenario) -> None:
    assert record(3, scenario) == record(3, scenario)


def test_another_seed_gives_other_bytes() -> None:
    assert record(3) != record(4)


def test_the_bytes_do_not_depend_on_how_time_is_cut() -> None:
    assert record(3, FAULTS, 0.1) == record(3, FAULTS, 0.02)


def test_steps_left_over_are_kept_for_the_next_call() -> None:
    bench = SimBench(1)
    for _ in range(1000):
        bench.advance(0.003)
    assert bench.t_s == pytest.approx(3.0, abs=0.0101)


def test_a_simulated_minute_takes_well_below_half_a_second() -> None:
    bench = SimBench(1, ROUGH)
    bench.follow({"lift_m": 0.4 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    before_s = time.process_time()
    bench.advance(60.0)
    assert time.process_time() - before_s < 0.5


def states(seed: int, scenario: Scenario) -> list[dict[str, Any]]:
    bench = SimBench(seed, scenario)
    bench.follow({"lift_m": 0.2 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    bench.advance(20.0)
    bench.follow({"lift_m": 0.3 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    seen = []
    for _ in range(2000):
        bench.advance(0.01)
        seen.append(bench.true_now())
    return seen


def test_nothing_counts_as_settled_while_hands_move_or_pause() -> None:
    for seed in range(8):
        seen = states(seed, ROUGH)
        assert not any(now["settled"] for now in seen if now["lift_doing"] != "holding")
        off = [now for now in seen if abs(now["test_pressure_pa"] / (28 * INH2O_PA) - 1.0) > 0.02]
        assert off
        assert not any(now["settled"] for now in off)


def test_the_flow_ends_up_settled() -> None:
    for seed in range(8):
        last = states(seed, replace(EXACT, habits=STEADY_HANDS))[-1]
        assert last["settled"]
        assert abs(last["flow_error_rel"]) < 1e-5


def test_the_error_to_the_wanted_lift_shows_a_plateau_for_what_it_is() -> None:
    habits = replace(STEADY_HANDS, pause_share=1.0, pause_s=(1.8, 1.9))
    seen = states(2, replace(EXACT, habits=habits, time_constant_s=(0.3, 0.3), meter_lag_s=(0.05, 0.05)))
    paused = [now for now in seen if now["lift_doing"] == "paused"]
    assert len(paused) > 150
    assert abs(paused[-1]["flow_error_rel"]) < 0.02
    assert paused[-1]["flow_error_to_wanted_rel"] < -0.08


def test_a_creep_ends_at_the_true_flow() -> None:
    scenario = replace(EXACT, creep_share=1.0, creep_rel=(0.01, 0.01), creep_s=(6.0, 6.0))
    seen = states(3, scenario)
    held = next(n for n, now in enumerate(seen) if now["lift_doing"] == "holding")
    errors = [abs(now["flow_error_rel"]) for now in seen[held:]]
    assert 0.004 < errors[250] < 0.012
    assert errors[-1] < 1e-4


def test_an_instrument_that_does_not_exist_is_named_in_the_refusal() -> None:
    with pytest.raises(ValueError, match="'kettle'"):
        SimBench(1).write("kettle", b"")


def test_another_head_differs_at_low_lift_only_and_no_two_mounts_are_quite_alike() -> None:
    bench = SimBench(3)
    lifts = [0.002, 0.012]
    first = [bench.truth("intake", lift)["effective_area_m2"] for lift in lifts]
    bench.mount(low_lift=0.05, scatter=0.0)
    other = [bench.truth("intake", lift)["effective_area_m2"] for lift in lifts]
    assert other[0] / first[0] > 1.03
    assert abs(other[1] / first[1] - 1.0) < 0.002
    bench.mount()
    again = [bench.truth("intake", lift)["effective_area_m2"] for lift in lifts]
    assert again[0] != first[0]
    assert all(abs(a / b - 1.0) < 0.01 for a, b in zip(again, first, strict=True))
    with pytest.raises(ValueError, match="low_lift"):
        bench.mount(low_lift=2.0)
