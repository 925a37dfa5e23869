"""The three conventions of a stated flow: worked example, weather, intervals."""

import math
from typing import get_args

import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.budget.propagation import monte_carlo
from acquire.config import Reference
from acquire.flow.air import density_kg_m3
from acquire.flow.convention import convention_said, flow_unit_said
from acquire.flow.reading import FlowModel, Window, measurement
from acquire.flow.restriction import ideal_mass_flux
from acquire.flow.statement import Statement
from acquire.text import Shown
from acquire.units import UnitError
from acquire.values import AirState, Convention, Direction, FlowResult
from tests.flow.bench import CFM, CHANNELS, INH2O, bench_config, captured, evaluated, flow_model, leakage_law

TEST_PA, METER_PA = 28 * INH2O, 8 * INH2O
CONVENTIONS: tuple[Convention, ...] = ("same restriction", "by mass", "as is")
HOT = AirState(95000.0, 308.15, 0.6)


def _stating(convention: Convention, direction: Direction = "intake", room: AirState = HOT) -> FlowModel:
    return flow_model(direction, room, reference={"convention": convention})


def _contribution(result: FlowResult, name: str) -> float:
    return next(its.contribution_rel for its in result.budget if its.name == name)


# 250 cfm at an inlet density of 1.059842 kg/m3 (35 C, 60 %, 95 kPa; CIPM-2007), reference density 1.2041, at one
# barometer: 250 x 1.059842/1.2041, 250 x the root of that ratio, 250; by hand
@pytest.mark.parametrize(("convention", "cfm"), [("by mass", 220.049), ("same restriction", 234.547), ("as is", 250.0)])
def test_three_statements_of_one_flow(convention: Convention, cfm: float) -> None:
    low, high = 250.0, 300.0
    for _ in range(60):  # the dry reference air of 95 kPa that has this density
        middle = 0.5 * (low + high)
        low, high = (middle, high) if density_kg_m3(AirState(95000.0, middle, 0.0)) > 1.2041 else (low, middle)
    statement = Statement(Reference(air_pressure_pa=95000.0, air_temperature_k=low, convention=convention))
    density = density_kg_m3(HOT)
    area_m2 = 250 * CFM * density / ideal_mass_flux(95000.0, density, TEST_PA, 1.4)
    stated = area_m2 * statement.speed_from_m_s(TEST_PA, 95000.0, density)
    assert stated / CFM == pytest.approx(cfm, rel=1e-5)


def _meter_pressure_pa(model: FlowModel, area_m2: float) -> float:
    """What the meter reads when an ideal port of that area is on the bench, by bisection."""
    low, high = 1.0, 30e3
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if model.effective_area_m2(middle, TEST_PA) < area_m2 else (low, middle)
    return low


WEATHER = st.builds(AirState, st.floats(75e3, 105e3), st.floats(275.0, 315.0), st.floats(0.0, 1.0))


@given(WEATHER, WEATHER, st.sampled_from(("intake", "exhaust")))
@settings(max_examples=25, deadline=None)
def test_only_the_same_restriction_does_not_move_with_the_weather(
    one: AirState, other: AirState, direction: Direction
) -> None:
    area_m2, flows = 9e-4, {}
    for convention in CONVENTIONS:
        for name, room in (("one", one), ("other", other)):
            model = _stating(convention, direction, room)
            read_m2 = model.effective_area_m2(_meter_pressure_pa(model, area_m2), TEST_PA)
            upstream_pa = room.pressure_pa + (TEST_PA if direction == "exhaust" else 0.0)
            density = model.port_air.density_kg_m3(upstream_pa)
            flux = ideal_mass_flux(upstream_pa, density, TEST_PA, 1.4)
            flows[convention, name] = model.stated_flow_m3_s(read_m2), density, flux
    same, mass, as_is = ([flows[its, name] for name in ("one", "other")] for its in CONVENTIONS)
    assert same[0][0] == pytest.approx(same[1][0], rel=1e-8)
    # the mass flow itself, and the density upstream of the port between the other two
    assert mass[0][0] / mass[1][0] == pytest.approx(mass[0][2] / mass[1][2], rel=1e-8)
    for (by_mass, density, _), (volume, _, _) in zip(mass, as_is, strict=True):
        assert by_mass / volume == pytest.approx(density / Statement(Reference()).density_kg_m3, rel=1e-9)


def test_by_mass_at_the_reference_test_pressure_is_the_meters_own_mass_flow() -> None:
    for direction in get_args(Direction):
        model = _stating("by mass", direction)
        area_m2 = model.effective_area_m2(METER_PA, TEST_PA)
        mass_kg_s = model.mass_flow_kg_s(METER_PA, TEST_PA)
        assert model.stated_flow_m3_s(area_m2) * model.statement.density_kg_m3 == pytest.approx(mass_kg_s, rel=1e-12)


@given(st.floats(0.5, 15.9), st.floats(0.01, 5.0), st.sampled_from(CONVENTIONS))
@settings(max_examples=40, deadline=None)
def test_a_stated_flow_rises_with_the_meters_pressure(meter: float, more: float, convention: Convention) -> None:
    model = _stating(convention)
    lower, higher = (
        model.stated_flow_m3_s(model.effective_area_m2(inches * INH2O, TEST_PA)) for inches in (meter, meter + more)
    )
    assert 0.0 < lower < higher


@given(st.floats(3.0, 60.0))
def test_the_effective_area_of_an_ideal_port_does_not_depend_on_the_test_pressure(inches: float) -> None:
    model, test_pa, area_m2 = flow_model(), inches * INH2O, 4e-4
    low, high = 1e-6, 0.3 * model.room.pressure_pa
    wanted = area_m2 * model.port_flux_kg_s_m2(test_pa)
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if model.mass_flow_kg_s(middle, test_pa) < wanted else (low, middle)
    assert model.effective_area_m2(low, test_pa) == pytest.approx(area_m2, rel=1e-8)


# ------------------------------------------------------------ intervals


def test_the_days_air_counts_in_the_interval_where_the_convention_counts_it() -> None:
    results = {its: evaluated(flow_model(reference={"convention": its})) for its in CONVENTIONS}
    u_pa, u_k = 100.0 / 1.96, 0.5 / 1.96
    # a mass flow is the meter's: the room's thermometer only says how moist its air is, the barometer half its density
    by_mass = results["by mass"]
    assert abs(_contribution(by_mass, "room temperature")) < 5e-5
    assert _contribution(by_mass, "room pressure") == pytest.approx(0.5 * u_pa / (99000.0 - TEST_PA), rel=0.15)
    assert _contribution(by_mass, "meter temperature") == pytest.approx(-0.5 * 0.5 / 1.96 / 297, rel=0.02)
    # a volume of the room's air goes with its temperature, and a little more as warmer air is moister
    assert _contribution(results["as is"], "room temperature") == pytest.approx(u_k / 295.0, rel=0.06)
    assert abs(_contribution(results["same restriction"], "room pressure")) < 1e-4
    assert [its.convention for its in results.values()] == list(CONVENTIONS)


@pytest.mark.filterwarnings("ignore:AffineScalarFunc:FutureWarning")
@pytest.mark.parametrize("direction", ["intake", "exhaust"])
@pytest.mark.parametrize("convention", ["by mass", "as is"])
def test_the_interval_agrees_with_the_uncertainties_library_and_with_monte_carlo(
    direction: Direction, convention: Convention
) -> None:
    model = flow_model(direction, reference={"convention": convention})
    capture = captured(model.effective_area_m2(METER_PA, TEST_PA), dof=60.0)
    its = measurement(model, capture, Window(TEST_PA, METER_PA, 0.0100, 0.0101), None, leakage_law(), CHANNELS)
    ours = evaluated(model, lift_m=0.0100, step_lift_m=0.0101, leakage=leakage_law(), capture=capture)
    theirs = its.area_m2(
        {i.name: uncertainties.ufloat(i.value, u) if (u := i.standard_uncertainty) else i.value for i in its.inputs}
    )
    assert ours.standard_uncertainty_m2 == pytest.approx(theirs.std_dev, rel=1e-6)
    drawn = monte_carlo(its.area_m2, its.inputs, 6_000)
    assert drawn.standard_deviation == pytest.approx(ours.standard_uncertainty_m2, rel=0.04)
    # and the interval is that of the flow: value and half-width by one factor
    stated = ours.flow_m3_s / ours.effective_area_m2
    assert stated == pytest.approx(model.stated_speed_m_s, rel=1e-12)
    half_width = ours.coverage_factor * ours.standard_uncertainty_m2 * stated
    assert ours.half_width_95_m3_s == pytest.approx(half_width, rel=1e-12)


def test_leakage_and_lift_correction_are_stated_by_the_same_convention() -> None:
    model = flow_model(reference={"convention": "as is"})
    result = evaluated(model, lift_m=0.0100, step_lift_m=0.0101, leakage=leakage_law(8e-6))
    assert result.leakage_m3_s == pytest.approx(8e-6 * model.stated_speed_m_s, rel=1e-12)
    assert result.lift_correction_m3_s > 0.0
    same = evaluated(flow_model(), lift_m=0.0100, step_lift_m=0.0101, leakage=leakage_law(8e-6))
    by_convention = result.lift_correction_m3_s / same.lift_correction_m3_s
    assert by_convention == pytest.approx(result.leakage_m3_s / same.leakage_m3_s, rel=1e-9)


def test_another_barometer_than_the_references_is_carried_where_it_matters() -> None:
    # at 84.3 kPa the nozzle's Y at 28 inH2O is 0.9547 in place of 0.9624, a sharp edge's moves by 0.4: by hand
    name = "port at the reference air pressure"
    high = evaluated(flow_model(room=AirState(84300.0, 295.0, 0.4)))
    edge = [1 - 0.351 * (1 - (1 - TEST_PA / p) ** (1 / 1.4)) for p in (101325.0, 84300.0)]
    expected = abs((edge[0] / 0.96242) / (edge[1] / 0.9547) - 1) / math.sqrt(3)
    assert _contribution(high, name) == pytest.approx(expected, rel=0.03)
    for model in (flow_model(), flow_model(room=AirState(84300.0, 295.0, 0.4), reference={"convention": "by mass"})):
        assert name not in {its.name for its in evaluated(model).budget}


def test_the_density_formula_counts_where_a_density_is_stated_or_the_air_is_unusual() -> None:
    def doubt(model: FlowModel) -> float | None:
        found = [c.standard_uncertainty for c in evaluated(model).budget if c.name == "air density formula"]
        return found[0] if found else None

    cold = AirState(99000.0, 281.0, 0.4)
    assert doubt(flow_model()) is None
    assert doubt(flow_model(reference={"convention": "by mass"})) == 22e-6  # Picard et al. 2008
    assert doubt(flow_model(room=cold, meter_temperature_k=282.0)) == 5e-5
    assert doubt(flow_model(room=AirState(99000.0, 262.0, 0.4), meter_temperature_k=262.0)) == 2e-4


def test_the_convention_is_said_with_the_unit() -> None:
    assert flow_unit_said("cfm", "same restriction") == "cfm"
    assert flow_unit_said("cfm", "by mass") == "cfm by mass"
    said = convention_said(bench_config(reference={"convention": "as is"}))
    assert said.startswith("cfm as is at 28 inH2O")
    assert "moves with the weather" in said


def test_a_stated_flow_is_shown_in_any_unit_of_flow_and_as_a_mass_where_it_has_a_density() -> None:
    flow = 200 * CFM
    by_mass = bench_config(reference={"convention": "by mass"})
    assert Shown(by_mass).flow(flow) == "200.00"
    assert Shown(by_mass, "l/s").flow(flow) == "94.39"
    # 0.0943895 m3/s of 1.204557 kg/m3, CIPM-2007
    assert Shown(by_mass, "kg/s").flow(flow) == "0.11370"
    with pytest.raises(UnitError, match="stated as is"):
        Shown(bench_config(reference={"convention": "as is"}), "kg/s")
    with pytest.raises(UnitError, match="no unit of flow: use one of"):
        Shown(by_mass, "mm")


def test_another_convention_is_refused_with_the_ones_that_are_known() -> None:
    with pytest.raises(ValueError, match="same restriction"):
        bench_config(reference={"convention": "standard"})
