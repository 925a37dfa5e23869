"""Near zero flow the meter's root bends: the stated interval must hold the truth all the same."""

import math

import numpy as np
import pytest

from acquire.budget.propagation import monte_carlo
from acquire.flow.reading import NEAR_ZERO, Window, ZeroUncertainty, measurement
from acquire.values import FlowResult
from tests.flow.bench import CHANNELS, INH2O, captured, evaluated, flow_model

TEST_PA = 28 * INH2O
NO_ZEROS = ZeroUncertainty(0.0, 0.0)
METER = {"ranges": {"large": {"area": "8 cm2", "accuracy": "0.5 %", "highest_pressure": "16 inH2O"}}}
MODEL = flow_model(meter=METER)
# of the bench's gauge: 95 % accuracy and the digit
U_PA = math.hypot(0.02 / 1.96, 0.005 / math.sqrt(3.0)) * INH2O


def area_m2(meter_pa: float) -> float:
    return MODEL.effective_area_m2(max(meter_pa, 0.0), TEST_PA)


def read_at(meter_pa: float, lifted_m2: float = 0.0) -> FlowResult:
    """A reading of that mean pressure; ``lifted_m2``: how far noise put the mean of the areas above it."""
    capture = captured(area_m2(meter_pa) + lifted_m2, 1e-9)
    return evaluated(MODEL, meter_pa=meter_pa, capture=capture, carry_allowance=False, zeros=NO_ZEROS)


pytestmark = pytest.mark.xdist_group("near zero")


@pytest.fixture(scope="module")
def read() -> tuple[np.ndarray, list[FlowResult]]:
    """Results by the pressure read, in standard uncertainties of the gauge."""
    ratios = np.array([-3.0, 0.0, 0.5, 1.0, 1.5, 1.9, 2.2, 4.0, 9.5, 12.0])
    return ratios, [read_at(ratio * U_PA) for ratio in ratios]


def _coverage(read: tuple[np.ndarray, list[FlowResult]], half_widths: list[float], truth: float) -> float:
    """The share of readings, gauge errors normal, whose interval holds the area at ``truth`` uncertainties."""
    errors = np.linspace(-4.0, 4.0, 8001)
    weights = np.exp(-0.5 * errors**2)
    # half-widths go with the root near zero, so that their squares are straight between the readings
    half = np.sqrt(np.interp(truth + errors, read[0], np.square(half_widths))) * (1.0 + 1e-3)
    stated = np.array([area_m2((truth + e) * U_PA) for e in errors])
    inside = np.abs(stated - area_m2(truth * U_PA)) <= half
    return float((weights * inside).sum() / weights.sum())


@pytest.mark.parametrize("truth", [0.0, 0.3, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
def test_the_stated_interval_holds_the_truth_near_zero(read: tuple[np.ndarray, list[FlowResult]], truth: float) -> None:
    half_widths = [r.coverage_factor * r.standard_uncertainty_m2 for r in read[1]]
    assert _coverage(read, half_widths, truth) >= 0.945


def test_first_order_alone_would_not(read: tuple[np.ndarray, list[FlowResult]]) -> None:
    alone = [
        r.coverage_factor * math.hypot(*(c.contribution_rel for c in r.budget if c.name != NEAR_ZERO)) * _scale(r)
        for r in read[1]
    ]
    # by hand for a root: inside where the reading is below 0.98 standard uncertainties: 83.6 %
    assert _coverage(read, alone, 0.0) == pytest.approx(0.836, abs=0.02)


def _scale(r: FlowResult) -> float:
    return max(abs(r.effective_area_m2), r.standard_uncertainty_m2)


def test_the_result_says_which_way_its_interval_was_found(read: tuple[np.ndarray, list[FlowResult]]) -> None:
    by_ratio = dict(zip(read[0].tolist(), read[1], strict=True))
    assert by_ratio[1.5].interval_by == "monte carlo"
    assert by_ratio[12.0].interval_by == "first order"
    assert evaluated().interval_by == "first order"
    for r in read[1]:
        total = math.sqrt(math.fsum(c.contribution_rel**2 for c in r.budget)) * _scale(r)
        assert total == pytest.approx(r.standard_uncertainty_m2, rel=1e-9)
        named = any(c.name == NEAR_ZERO for c in r.budget)
        assert named == (r.interval_by == "monte carlo")
    assert read_at(1.5 * U_PA) == by_ratio[1.5]


def test_noise_that_lifts_the_mean_of_the_samples_is_inside_the_interval() -> None:
    # a tight port, and noise of twenty times the gauge's uncertainty: the mean of max(0, noise)^0.5 is 0.411 sd^0.5
    lifted = 0.411 * math.sqrt(20.0) * area_m2(U_PA)
    result = read_at(0.0, lifted)
    assert result.effective_area_m2 == pytest.approx(lifted)
    assert result.coverage_factor * result.standard_uncertainty_m2 >= lifted


@pytest.mark.parametrize("meter_pa", [0.0, -0.4])
def test_the_monte_carlo_run_starts_from_what_was_read_and_from_nothing_below_zero(meter_pa: float) -> None:
    window = Window(TEST_PA, meter_pa, None, None)
    its = measurement(
        MODEL, captured(0.0, 1e-9), window, None, None, CHANNELS, carry_allowance=False, zeros=NO_ZEROS
    ).as_read()
    assert its.start_pa == 0.0
    drawn = monte_carlo(its.area_m2, its.inputs, 4000)
    # half of the draws are below zero, and the upper end is the area of 1.96 uncertainties
    assert drawn.low_95 == pytest.approx(0.0, abs=1e-8)
    assert drawn.high_95 == pytest.approx(area_m2(1.96 * U_PA), rel=0.03)


def test_the_formula_about_the_reading_gives_the_same_value_away_from_zero() -> None:
    capture = captured(area_m2(8 * INH2O))
    its = measurement(MODEL, capture, Window(TEST_PA, 8 * INH2O, None, None), None, None, CHANNELS)
    assert not its.near_zero
    assert its.as_read() is its
