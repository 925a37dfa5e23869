"""The simulated meters: what they state agrees with a reference library, what was built lies within it."""

import statistics
from typing import Any

import fluids
import pytest
from fluids import flow_meter
from hypothesis import given
from hypothesis import strategies as st

from sim.air import INCH_M
from sim.bench import SimBench
from sim.build import build
from sim.meters import METER_KINDS, Built, MeterAir, MeterKind, large_range, orifice_coefficient, viscosity
from sim.scenario import EXACT, SHOP

AIR = MeterAir(98000.0, 1.164605, 1.8206e-5)
SOLVED: dict[MeterKind, tuple[str, float, Any]] = {
    "pipe_orifice": (flow_meter.ISO_5167_ORIFICE, 0.060, flow_meter.ORIFICE_D_AND_D_2_TAPS),
    "pipe_nozzle": (flow_meter.LONG_RADIUS_NOZZLE, 0.048, None),
}


@pytest.mark.parametrize("kind", SOLVED)
@pytest.mark.parametrize("drop_pa", [100.0, 1493.4, 3900.0])
def test_simulated_throttles_flow_as_the_solver_of_fluids_says(kind: MeterKind, drop_pa: float) -> None:
    meter_type, bore_m, taps = SOLVED[kind]
    theirs = fluids.differential_pressure_meter_solver(
        D=0.1016, D2=bore_m, P1=98000.0, P2=98000.0 - drop_pa, rho=AIR.density_kg_m3, mu=AIR.viscosity_pa_s,
        k=1.4, meter_type=meter_type, taps=taps,
    )  # fmt: skip
    assert large_range(kind).flow_kg_s(drop_pa, AIR) == pytest.approx(theirs, rel=1e-7)


def test_the_orifice_coefficient_is_that_of_iso_5167_2() -> None:
    # D 0.1 m, beta 0.5: corner taps 0.606873; beta 0.6, D and D/2: 0.611779 (fluids 1.3.1)
    assert orifice_coefficient(1e5, 0.5, 0.0, 0.0) == pytest.approx(0.606873, abs=1e-6)
    assert orifice_coefficient(1e5, 0.6, 1.0, 0.47) == pytest.approx(0.611779, abs=1e-6)


def test_the_viscosity_of_moist_air_agrees_with_the_reference_equations() -> None:
    # CoolProp 8.0, Pa s: dry 15, 20, 35 C; 35 C with 60 % at 95 kPa
    for celsius, expected in ((15.0, 1.79615e-5), (20.0, 1.82057e-5), (35.0, 1.89278e-5)):
        assert viscosity(celsius + 273.15, 0.0) == pytest.approx(expected, rel=6e-4)
    assert viscosity(308.15, 0.0357) == pytest.approx(1.87014e-5, rel=1e-3)


@given(
    st.sampled_from(METER_KINDS),
    st.floats(25.0, 4000.0),
    st.booleans(),
    st.floats(-2, 2),
    st.floats(-2, 2),
    st.floats(-1, 1),
)
def test_the_drop_of_a_flow_is_the_drop_that_gives_it(
    kind: MeterKind, drop_pa: float, upstream: bool, first: float, second: float, limit: float
) -> None:
    built = Built(large_range(kind), first, second, limit)
    flow = built.flow_kg_s(drop_pa, AIR)
    known = AIR
    if not upstream:
        known = MeterAir(AIR.pressure_pa - drop_pa, AIR.density_kg_m3 * (1 - drop_pa / AIR.pressure_pa), 1.8206e-5)
    assert built.drop_pa(flow, known, known_is_upstream=upstream) == pytest.approx(drop_pa, rel=1e-7)
    assert built.drop_pa(-flow, known, known_is_upstream=upstream) == pytest.approx(-drop_pa, rel=1e-7)
    assert built.drop_pa(0.0, known, known_is_upstream=upstream) == 0.0


@pytest.mark.parametrize("kind", METER_KINDS)
def test_a_built_meter_is_off_by_what_its_papers_state(kind: MeterKind) -> None:
    stated = large_range(kind)
    errors = []
    for seed in range(400):
        meter = build(seed, SHOP, kind).meters["large"]
        errors.append(meter.flow_kg_s(500.0, AIR) / stated.flow_kg_s(500.0, AIR) - 1.0)
    flow = stated.flow_kg_s(500.0, AIR)
    reynolds = 4.0 * flow / (3.14159265 * stated.reynolds_length_m * AIR.viscosity_pa_s)
    expected = stated.coefficient_95(reynolds) / 1.96
    assert statistics.stdev(errors) == pytest.approx(expected, rel=0.15)
    assert abs(statistics.mean(errors)) < 4 * expected / 20
    assert build(1, EXACT, kind).meters["large"].flow_kg_s(500.0, AIR) == pytest.approx(flow, rel=1e-12)


def test_another_meter_leaves_the_head_and_everything_else_as_it_was() -> None:
    plain, other = SimBench(5), SimBench(5, meter="venturi")
    assert other.truth("intake", 0.3 * INCH_M) == plain.truth("intake", 0.3 * INCH_M)
    assert other.built.transducers == plain.built.transducers
    assert other.built.range_areas_m2["small"] == plain.built.range_areas_m2["small"]


def test_an_unknown_meter_is_refused_with_those_there_are() -> None:
    with pytest.raises(ValueError, match="use one of plate, table"):
        large_range("vane")  # type: ignore[arg-type]


def test_a_bench_that_is_held_is_at_rest_where_it_was_asked_to_be() -> None:
    bench = SimBench(3, EXACT, "laminar")
    bench.hold({"lift_m": 0.3 * INCH_M, "test_pressure_pa": 6975.0, "direction": "exhaust", "meter_range": "large"})
    now = bench.true_now()
    assert now["settled"]
    assert now["test_pressure_pa"] == pytest.approx(6975.0)
    bench.advance(5.0)
    assert bench.true_now()["mass_flow_kg_s"] == pytest.approx(now["mass_flow_kg_s"], rel=1e-3)
    before = bench.built.transducers["lift"].offset
    bench.shift_zero("lift", 0.001)
    assert bench.built.transducers["lift"].offset == pytest.approx(before + 0.001)
