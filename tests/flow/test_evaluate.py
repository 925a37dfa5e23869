"""Readings with their budgets: against uncertainties and Monte Carlo, and what each component does."""

import dataclasses
import math

import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.budget.propagation import monte_carlo
from acquire.flow.reading import Neighbour, Window, ZeroUncertainty, local_slope, measurement
from acquire.values import FlowResult
from tests.flow.bench import (
    CHANNELS,
    INH2O,
    bench_config,
    captured,
    evaluated,
    flow_model,
    leakage_law,
)

TEST_PA, METER_PA = 28 * INH2O, 8 * INH2O
NO_ZEROS = ZeroUncertainty(0.0, 0.0)


def _relative(result: FlowResult, start: str) -> float:
    found = [c.contribution_rel for c in result.budget if c.name.startswith(start)]
    assert found, start
    return math.hypot(*found)


def test_the_area_of_the_reading_is_the_result_when_nothing_is_corrected() -> None:
    model = flow_model()
    area = model.effective_area_m2(METER_PA, TEST_PA)
    result = evaluated(model)
    assert result.effective_area_m2 == pytest.approx(area, rel=1e-12)
    assert result.flow_m3_s == pytest.approx(model.stated_flow_m3_s(area), rel=1e-12)
    assert result.mass_flow_kg_s == pytest.approx(model.mass_flow_kg_s(METER_PA, TEST_PA), rel=1e-9)
    assert (result.leakage_m3_s, result.lift_correction_m3_s) == (0.0, 0.0)


def test_the_half_width_is_the_coverage_factor_times_the_uncertainty_of_all_components() -> None:
    result = evaluated(lift_m=0.0100, step_lift_m=0.0101, neighbour=Neighbour(0.008, 3.6e-4))
    parts = math.sqrt(math.fsum(c.contribution_rel**2 for c in result.budget)) * result.effective_area_m2
    assert parts == pytest.approx(result.standard_uncertainty_m2, rel=1e-9)
    stated = result.flow_m3_s / result.effective_area_m2
    half_width = result.coverage_factor * result.standard_uncertainty_m2 * stated
    assert result.half_width_95_m3_s == pytest.approx(half_width, rel=1e-12)


@pytest.mark.filterwarnings("ignore:AffineScalarFunc:FutureWarning")
@pytest.mark.parametrize("direction", ["intake", "exhaust"])
@pytest.mark.parametrize("leak", [None, leakage_law()])
def test_the_budget_agrees_with_the_uncertainties_library(direction: str, leak: object) -> None:
    model = flow_model(direction)  # type: ignore[arg-type]
    capture = captured(model.effective_area_m2(METER_PA, TEST_PA))
    window = Window(TEST_PA, METER_PA, 0.0100, 0.0101)
    its = measurement(model, capture, window, Neighbour(0.008, 3.6e-4), leak, CHANNELS)  # type: ignore[arg-type]
    theirs = its.area_m2(
        {i.name: uncertainties.ufloat(i.value, u) if (u := i.standard_uncertainty) else i.value for i in its.inputs}
    )
    ours = evaluated(
        model,
        lift_m=0.0100,
        step_lift_m=0.0101,
        neighbour=Neighbour(0.008, 3.6e-4),
        leakage=leak,  # type: ignore[arg-type]
    )
    assert ours.effective_area_m2 == pytest.approx(theirs.nominal_value, rel=1e-12)
    assert ours.standard_uncertainty_m2 == pytest.approx(theirs.std_dev, rel=1e-6)


def test_monte_carlo_confirms_the_budget() -> None:
    # JCGM 101 clause 8: within half of the last of two digits of u
    model = flow_model()
    capture = captured(model.effective_area_m2(METER_PA, TEST_PA), dof=60.0)
    its = measurement(model, capture, Window(TEST_PA, METER_PA, 0.0100, 0.0101), None, leakage_law(), CHANNELS)
    drawn = monte_carlo(its.area_m2, its.inputs, 20_000)
    result = evaluated(model, lift_m=0.0100, step_lift_m=0.0101, leakage=leakage_law(), capture=capture)
    half_width = result.coverage_factor * result.standard_uncertainty_m2
    assert drawn.standard_deviation == pytest.approx(result.standard_uncertainty_m2, rel=0.03)
    assert drawn.low_95 == pytest.approx(result.effective_area_m2 - half_width, abs=0.05 * half_width)
    assert drawn.high_95 == pytest.approx(result.effective_area_m2 + half_width, abs=0.05 * half_width)


def test_a_pressure_error_counts_half_in_the_area() -> None:
    # the area goes with the root of both pressures: half the relative error, 95 % figures over 1.96
    result = evaluated()
    test_rel = (0.05 + 0.001 * 28) / 28 / 1.96
    assert _relative(result, "test pressure") > 0.5 * test_rel
    by_name = {c.name: c for c in result.budget}
    # with its sign: the higher the test pressure, the smaller the area of the same flow
    assert by_name["test pressure"].contribution_rel == pytest.approx(-0.5 * test_rel, rel=0.05)
    assert by_name["meter pressure"].contribution_rel == pytest.approx(0.5 * (0.02 + 0.001 * 8) / 8 / 1.96, rel=0.05)
    assert by_name["meter pressure, digit"].standard_uncertainty == pytest.approx(0.005 * INH2O / math.sqrt(3))
    assert by_name["meter calibration"].contribution_rel == pytest.approx(0.0025 / 0.98, rel=1e-3)
    # a barometer moves meter and port alike
    assert abs(by_name["room pressure"].contribution_rel) < 1e-4
    # 0.9 F is 0.5 K, half of it relative to 295 K
    assert by_name["room temperature"].contribution_rel == pytest.approx(0.5 * 0.5 / 1.96 / 295, rel=0.02)


def test_shared_marks_what_two_heads_on_one_bench_have_in_common() -> None:
    shared = {c.name: c.shared for c in evaluated(lift_m=0.01, step_lift_m=0.01).budget}
    common = {"test pressure", "meter pressure", "meter calibration", "room pressure", "lift indicator"}
    own = {
        "reading",
        "test pressure, zero",
        "meter pressure, digit",
        "slope over lift",
        "leakage (not measured, allowance)",
    }
    assert all(shared[name] for name in common)
    assert not any(shared[name] for name in own)


def test_measured_leakage_is_subtracted_and_stated() -> None:
    model, law = flow_model(), leakage_law(8e-6)
    result, without = evaluated(model, leakage=law), evaluated(model)
    assert without.effective_area_m2 - result.effective_area_m2 == pytest.approx(8e-6, rel=1e-9)
    assert result.leakage_m3_s == pytest.approx(model.stated_flow_m3_s(8e-6), rel=1e-12)
    component = next(c for c in result.budget if c.name == "leakage")
    assert (component.standard_uncertainty, component.dof, component.shared) == (2e-7, 9.0, True)


def test_an_unmeasured_leak_is_not_subtracted_but_carried() -> None:
    model = flow_model(leakage={"allowance_area": "6 mm2"})
    result = evaluated(model)
    component = next(c for c in result.budget if "not measured, allowance" in c.name)
    assert component.standard_uncertainty == pytest.approx(6e-6 / math.sqrt(3))
    assert result.effective_area_m2 == pytest.approx(model.effective_area_m2(METER_PA, TEST_PA), rel=1e-12)
    blank = evaluated(model, carry_allowance=False)
    assert not any("leakage" in c.name for c in blank.budget)
    assert blank.standard_uncertainty_m2 < result.standard_uncertainty_m2


def test_a_reading_beside_its_lift_is_moved_along_the_local_slope() -> None:
    model, neighbour = flow_model(), Neighbour(0.008, 3.0e-4)
    area = model.effective_area_m2(METER_PA, TEST_PA)
    result = evaluated(model, lift_m=0.0100, step_lift_m=0.0101, neighbour=neighbour, carry_allowance=False)
    chord = (area - 3.0e-4) / 0.002
    assert result.effective_area_m2 == pytest.approx(area + 0.7 * chord * 0.0001, rel=1e-12)
    assert result.lift_correction_m3_s == pytest.approx(model.stated_flow_m3_s(0.7 * chord * 0.0001), rel=1e-9)
    by_name = {c.name: c for c in result.budget}
    expected = 0.3 * chord / math.sqrt(3) * 0.0001 / result.effective_area_m2
    assert by_name["slope over lift"].contribution_rel == pytest.approx(expected, rel=1e-6)
    expected = 0.7 * chord * 0.001 * 0.0254 / 1.96 / result.effective_area_m2
    assert by_name["lift indicator"].contribution_rel == pytest.approx(-expected, rel=1e-4)


def test_the_local_slope_starts_at_the_closed_valve_or_the_neighbour() -> None:
    from_seat = local_slope(0.005, 2e-4, None)
    assert from_seat is not None
    assert (from_seat.best, from_seat.half_width) == pytest.approx((0.7 * 0.04, 0.3 * 0.04))
    from_below = local_slope(0.005, 2e-4, Neighbour(0.0025, 1.2e-4))
    assert from_below is not None
    assert from_below.best == pytest.approx(0.7 * 0.8e-4 / 0.0025)
    # a neighbour that is hardly lower says nothing about the slope
    assert local_slope(0.005, 2e-4, Neighbour(0.0049, 1.9e-4)) == from_seat
    falling = local_slope(0.005, 2e-4, Neighbour(0.0025, 2.2e-4))
    assert falling is not None
    assert falling.best < 0.0 < falling.half_width
    assert local_slope(0.0, 2e-4, None) is None


def test_without_a_thermometer_at_the_meter_its_warmth_is_carried() -> None:
    channels = {name: its for name, its in CHANNELS.items() if name != "meter_temperature"}
    intake = evaluated(flow_model("intake", meter_temperature_k=295.0), channels=channels)
    by_name = {c.name: c for c in intake.budget}
    # +-3 K, rectangular, half of it in the root of the density
    assert by_name["meter temperature (not measured)"].contribution_rel == pytest.approx(
        -0.5 * 3 / 295 / 3**0.5, rel=0.01
    )
    # an error of the room's thermometer then moves both alike
    assert abs(by_name["room temperature"].contribution_rel) < 1e-5
    # exhaust: meter and port have the same air, so that its warmth hardly matters
    exhaust = evaluated(flow_model("exhaust", meter_temperature_k=295.0), channels=channels)
    assert _relative(exhaust, "meter temperature") < 1e-4


def test_room_air_entered_by_hand_counts_with_its_configured_accuracy() -> None:
    channels = {name: its for name, its in CHANNELS.items() if not name.startswith("room")}
    result = evaluated(channels=channels)
    by_name = {c.name: c for c in result.budget}
    assert by_name["room temperature"].standard_uncertainty == pytest.approx(1.0 / 1.96, rel=1e-4)
    assert by_name["room pressure"].standard_uncertainty == pytest.approx(200.0 / 1.96, rel=1e-4)


def test_a_flow_stated_away_from_the_held_pressure_carries_the_port_s_doubt() -> None:
    held = evaluated()
    low = evaluated(test_pa=10 * INH2O, meter_pa=3 * INH2O)
    name = "port between held and stated test pressure"
    assert _relative(held, name) < 1e-6
    # half-width 1.37 % from 10 to 28 inH2O at this barometer, rectangular
    assert _relative(low, name) == pytest.approx(0.014 / math.sqrt(3), rel=0.1)


def test_a_closed_port_reads_nothing_with_an_honest_interval() -> None:
    # the blank plate of a tight bench: zero across the meter, known to +-u
    model = flow_model(
        meter={"ranges": {"large": {"area": "8 cm2", "accuracy": "0.5 %", "highest_pressure": "16 inH2O"}}}
    )
    for meter_pa in (0.0, -0.4):
        result = evaluated(model, meter_pa=meter_pa, capture=captured(0.0, 1e-8), carry_allowance=False, zeros=NO_ZEROS)
        u = math.hypot(0.02 / 1.96, 0.005 / math.sqrt(3)) * INH2O
        widest = model.effective_area_m2(1.96 * u, TEST_PA)
        assert result.effective_area_m2 == 0.0
        assert result.coverage_factor * result.standard_uncertainty_m2 == pytest.approx(widest, rel=0.05)
        assert all(math.isfinite(c.contribution_rel) for c in result.budget)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["intake", "exhaust"]),
    st.floats(1.0, 16.0),
    st.floats(3.0, 45.0),
    st.floats(1e-9, 1e-4),
    st.floats(1.0, 1e7),
    st.floats(0.0, 0.02),
)
def test_every_number_of_a_result_is_finite_and_repeats_to_the_bit(
    direction: str, meter: float, test: float, u: float, dof: float, lift: float
) -> None:
    model = flow_model(direction)  # type: ignore[arg-type]
    capture = captured(model.effective_area_m2(meter * INH2O, test * INH2O), u, dof)

    def once() -> FlowResult:
        return evaluated(
            model, meter_pa=meter * INH2O, test_pa=test * INH2O, capture=capture, lift_m=lift, step_lift_m=lift + 1e-5
        )

    result = once()
    assert once() == result
    fields = [v for v in dataclasses.astuple(result)[:-1] if isinstance(v, float)]
    assert all(map(math.isfinite, fields))
    assert all(math.isfinite(v) for c in result.budget for v in dataclasses.astuple(c) if isinstance(v, float))
    assert result.half_width_95_m3_s > 0.0


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"test_pa": 0.0}, "gives no flow"),
        ({"test_pa": -100.0}, "which way round"),
        ({"meter_pa": 20 * INH2O}, "above what range 'large'"),
        ({"meter_pa": 0.2 * INH2O}, "below what range 'large' .* use range 'small'"),
        ({"meter_pa": math.nan}, "not a number"),
        ({"capture": captured(math.nan)}, "not a number"),
        ({"capture": captured(4e-4, dof=math.nan)}, "not a number"),
        ({"channels": {}}, "no instrument is configured for test_pressure"),
    ],
)
def test_a_reading_that_gives_no_flow_is_refused_in_one_sentence(changes: dict[str, object], part: str) -> None:
    with pytest.raises(ValueError, match=part) as caught:
        evaluated(**{"capture": captured(4e-4), **changes})  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_units_of_the_channels_reach_the_budget() -> None:
    # the same instrument in pascals gives the same budget
    in_pa = CHANNELS["test_pressure"].model_copy(
        update={"unit": "Pa", "accuracy": 0.05 * INH2O, "resolution": 0.01 * INH2O}
    )
    theirs = evaluated(channels={**CHANNELS, "test_pressure": in_pa})
    assert theirs.standard_uncertainty_m2 == pytest.approx(evaluated().standard_uncertainty_m2, rel=1e-12)
    assert bench_config().water == "conventional"
