"""What is seen in each signal by itself: blocks, digits, swings, witnesses, what never changes."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.compiled import NEVER_US, new
from acquire.stabiliser.blocks import BLOCK, close, new_meter, same_for_too_long, survey
from acquire.stabiliser.digits import MEANS, WIDTHS, digit_uncertainty
from acquire.stabiliser.order import middle, ordered, remember
from acquire.stabiliser.responses import PRESSURE_LAGS_S
from acquire.stabiliser.swings import follow, new_swings
from acquire.stabiliser.unchanging import new_unchanging, see_values, too_long
from acquire.stabiliser.witness import (
    aim_pressure,
    lift_witness,
    pressure_witness,
    see_lift,
    see_pressure,
    settled_since_us,
)

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


# the first call may have to compile
@settings(deadline=None)
@given(VALUES)
def test_values_are_ordered_and_their_middle_is_the_median(values: list[float]) -> None:
    given_values = np.array(values)
    assert ordered(given_values).tolist() == sorted(values)
    assert middle(given_values) == statistics.median(values)
    assert given_values.tolist() == values


# the first call may have to compile
@settings(deadline=None)
@given(VALUES, st.integers(1, 8))
def test_the_newest_values_are_remembered_in_their_order(values: list[float], room: int) -> None:
    column, known = np.zeros(room), 0
    for i, value in enumerate(values):
        known = remember(column, known, value)
        assert column[:known].tolist() == values[: i + 1][-room:]


def of_digits(x: np.ndarray, digit: float) -> float:
    """Uncertainty of the mean of readings, shape (blocks, samples), not relative."""
    blocks = np.zeros(len(x), BLOCK)
    blocks["mass"], blocks["mass_square"], blocks["reading"] = x.mean(axis=1), x.var(axis=1), x[:, -1]
    return digit_uncertainty(blocks, digit, MEANS, WIDTHS) * abs(float(x.mean()))


@pytest.mark.parametrize("spread", [0.05, 0.2, 0.4])
def test_noise_narrower_than_a_digit_leaves_an_error_that_the_uncertainty_covers(spread: float) -> None:
    rng = np.random.default_rng(2)
    errors, stated = [], []
    for _ in range(150):
        true = float(rng.uniform(10, 11))
        x = np.round(true + spread * rng.standard_normal(300)).reshape(60, 5)
        errors.append(x.mean() - true)
        stated.append(of_digits(x, 1.0))
    assert np.std(errors) <= np.hypot(np.mean(stated), spread / np.sqrt(300)) * 1.1


def test_noise_wider_than_a_digit_takes_the_rounding_out() -> None:
    x = np.round(10.3 + 1.2 * np.random.default_rng(4).standard_normal(300)).reshape(60, 5)
    assert of_digits(x, 1.0) < 0.01
    assert of_digits(x, 0.0) == 0.0


def test_readings_that_never_leave_their_digit_may_be_off_by_its_whole_standard_deviation() -> None:
    # by hand: the narrowest noise of the table, 0.03 digits, less 15 %, hardly takes anything out
    x = np.full((60, 5), 10.0)
    assert of_digits(x, 1.0) == pytest.approx(math.exp(-2 * (math.pi * 0.85 * 0.03) ** 2) / math.sqrt(12), rel=1e-9)
    assert of_digits(x[:1], 1.0) == of_digits(x, 1.0)


def feed(values: list[float]) -> tuple[float, int]:
    meter, block = new_meter(), new(BLOCK)
    t_us, area, mass = np.zeros(16, np.int64), np.zeros(16), np.zeros(16)
    rng = np.random.default_rng(1)
    total, n, rejected = 0.0, 0, 0
    for i, value in enumerate([*(1 + 0.001 * rng.standard_normal(40)), *values]):
        at = int(meter["n"])
        t_us[at], area[at], mass[at] = i * 20_000, value, value
        meter["n"] = at + 1
        if i % 5 == 4 and close(meter, t_us, area, mass, block):
            total += float(block["area_m2"] * block["n"])
            n, rejected = n + int(block["n"]), rejected + int(block["rejected"])
    return total / n, rejected


@pytest.mark.parametrize("spike", [[1.3], [0.0], [1.3, 0.7], [1.05, 1.06, 1.05]])
def test_one_to_three_stray_samples_are_left_out(spike: list[float]) -> None:
    mean, rejected = feed([*spike, *[1.0] * 12])
    assert rejected == len(spike)
    assert mean == pytest.approx(1.0, abs=0.001)


def test_stray_samples_at_the_end_of_a_block_wait_for_their_successors() -> None:
    mean, rejected = feed([1.0, 1.0, 1.0, 1.3, 0.7, *[1.0] * 10])
    assert rejected == 2
    assert mean == pytest.approx(1.0, abs=0.001)


def test_a_run_of_four_is_a_change_and_stays() -> None:
    _, rejected = feed([1.3, 1.31, 1.3, 1.29, 1.3, 1.3, 1.3, 1.3, 1.3, 1.3])
    assert rejected == 0


def test_a_block_has_the_means_and_mean_squares_of_its_samples() -> None:
    meter, block = new_meter(), new(BLOCK)
    rng = np.random.default_rng(7)
    area, mass = 1e-3 * (1 + 0.01 * rng.standard_normal(8)), 0.1 + 0.01 * rng.integers(0, 5, 8).astype(np.float64)
    t_us = np.sort(rng.integers(10**9, 10**9 + 100_000, 8)).astype(np.int64)
    meter["n"] = 7
    assert close(meter, t_us.copy(), area.copy(), mass.copy(), block)
    assert (block["t_start_us"], block["t_end_us"], block["n"], block["rejected"]) == (t_us[0], t_us[6], 7, 0)
    assert block["t_mean_us"] == pytest.approx(t_us[:7].mean(), abs=1e-3)
    assert block["area_m2"] == pytest.approx(area[:7].mean(), rel=1e-12)
    assert block["square_m4"] == pytest.approx(area[:7].var(), rel=1e-9)
    assert block["mass"] == pytest.approx(mass[:7].mean(), rel=1e-12)
    assert block["mass_square"] == pytest.approx(mass[:7].var(), rel=1e-9)
    assert block["reading"] == mass[6]
    steps = np.abs(np.diff(mass[:7]))
    assert block["digit"] == steps[steps > 1e-6].min()
    assert meter["n"] == 0
    # nothing has come in: no block
    assert not close(meter, t_us, area, mass, block)


def test_the_window_of_a_reading_begins_when_everything_was_in_place_and_has_one_block_at_least() -> None:
    blocks = np.zeros(6, BLOCK)
    blocks["t_start_us"], blocks["n"] = np.arange(6) * 100_000, [5, 5, 4, 5, 5, 6]
    blocks["digit"] = [0.1, 0.2, 0.5, 0.3, math.inf, 0.4]
    assert survey(blocks, 250_000, 60) == (3, 5.0, 0.3)
    assert survey(blocks, 200_000, 2) == (2, 5.0, 0.4)
    assert survey(blocks, 900_000, 1) == (5, 5.0, 0.4)
    assert survey(blocks, NEVER_US, 1)[0] == 0


def test_a_meter_is_the_same_since_its_last_change_wherever_in_a_block_that_was() -> None:
    for changes in range(1, 7):
        meter, block = new_meter(), new(BLOCK)
        area = np.array([1e-3 * (1 + 0.002 * min(i, changes)) for i in range(8)])
        meter["n"] = 8
        close(meter, np.arange(8, dtype=np.int64) * 10_000, area, 100 * area, block)
        assert not same_for_too_long(meter, 10_000 * changes + 800_000, 0)
        assert same_for_too_long(meter, 10_000 * changes + 800_001, 0)


def test_a_pressure_that_ramps_is_seen_late_by_slope_times_lag() -> None:
    swings = new_swings()
    # log pressure rising by 0.01 a second: the exact answer of a first-order lag, long after the start
    for t in np.arange(0, 12, 0.1).tolist():
        follow(swings, t, 7000 * math.exp(0.01 * t), 7000.0)
    assert swings["effects"] == pytest.approx([-0.01 * lag for lag in PRESSURE_LAGS_S], rel=1e-3)


def test_a_single_stray_lift_sample_is_doubt_and_no_movement() -> None:
    lift = lift_witness(5.08e-5)
    lift["target_m"] = 0.0127
    for i in range(10):
        see_lift(lift, i * 100_000, 0.0127)
    see_lift(lift, 1_000_000, 0.0254)
    assert settled_since_us(lift) == NEVER_US
    see_lift(lift, 1_100_000, 0.0127)
    assert settled_since_us(lift) == 0
    see_lift(lift, 1_200_000, 0.0130)
    see_lift(lift, 1_300_000, 0.0130)
    assert settled_since_us(lift) == NEVER_US
    assert lift["still_since_us"] == 1_300_000


def test_the_pressure_enters_its_band_at_nine_tenths_of_it_and_leaves_at_the_whole() -> None:
    pressure = pressure_witness(0.02)
    aim_pressure(pressure, 1000.0)
    for i, value in enumerate([981.0, 981.5]):
        see_pressure(pressure, i * 100_000, value)
        assert pressure["inside_since_us"] == NEVER_US
    see_pressure(pressure, 200_000, 982.5)
    see_pressure(pressure, 300_000, 981.0)
    assert pressure["inside_since_us"] == 200_000
    see_pressure(pressure, 400_000, 970.0)
    assert pressure["inside_since_us"] == 200_000
    see_pressure(pressure, 500_000, 970.0)
    assert pressure["inside_since_us"] == NEVER_US


def test_a_signal_is_stuck_when_it_is_the_same_for_longer_than_its_own_habit() -> None:
    its = new_unchanging()
    assert not too_long(its, 10**9)
    # every block another value, up and down: 20 changes of direction, the longest run 0.1 s
    for i in range(23):
        see_values(its, i * 100_000, np.array([7.0, 7.0 + i % 2]), True)
    last_us = 22 * 100_000
    for i in range(23, 40):
        see_values(its, i * 100_000, np.array([7.0, 7.0]), True)
    assert its["since_us"] == last_us
    assert not too_long(its, last_us + 2_000_000)
    assert too_long(its, last_us + 2_000_001)
    # a run of a second that has ended is a habit: five of them are none too many
    its["habit_us"] = 1_000_000
    assert not too_long(its, last_us + 5_000_000)
    assert too_long(its, last_us + 5_000_001)


def test_a_signal_that_only_rises_has_shown_nothing_of_its_noise() -> None:
    its = new_unchanging()
    for i in range(60):
        see_values(its, i * 100_000, np.array([float(i)]), True)
    assert not too_long(its, 10**9)
