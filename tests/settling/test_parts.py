"""The parts of the judgement against closed forms and brute force."""

import math

import numpy as np
import pytest

from acquire.stabiliser.approach import Approach, CreepPrior
from acquire.stabiliser.blocks import Blocks
from acquire.stabiliser.digits import digit_uncertainty
from acquire.stabiliser.mixture import half_width, outside
from acquire.stabiliser.models import solve
from acquire.stabiliser.noise import Noise, NoisePool, block_correlation, whitening
from acquire.stabiliser.responses import (
    CONSTANT,
    COSINES,
    FIRST,
    OMEGAS,
    PRESSURE_LAGS_S,
    PRESSURE_SIZES,
    RATES,
    READING,
    SINES,
)
from acquire.stabiliser.sums import Sums
from acquire.stabiliser.swings import Swings
from acquire.stabiliser.witness import LiftWitness, PressureWitness
from acquire.values import Step


@pytest.mark.parametrize(("theta_s", "m"), [(0.02, 5), (0.3, 5), (0.05, 1), (0.3, 100)])
def test_block_correlation_is_that_of_the_covariance_matrix(theta_s: float, m: int) -> None:
    i = np.arange(40 * m)
    matrix = np.exp(-np.abs(i[:, None] - i[None, :]) * 0.1 / m / theta_s)
    blocks = matrix.reshape(40, m, 40, m).mean(axis=(1, 3))
    corr, ratio = block_correlation(np.array([theta_s]), m, 0.1)
    assert corr[0] == pytest.approx(blocks[0, 1] / blocks[0, 0], rel=1e-9)
    # the long-run ratio is the sum over all lags
    assert ratio[0] == pytest.approx((blocks[0, 0] + 2 * blocks[0, 1:].sum()) / blocks[0, 0], rel=1e-3)


def test_one_normal_has_its_95_percent_within_1_96_sd() -> None:
    one = np.array([1.0])
    assert half_width(one, np.array([0.0]), one) == pytest.approx(1.959964, rel=2e-3)
    assert outside(one, np.array([0.0]), one, 1.959964) == pytest.approx(0.05, abs=1e-5)


def test_a_distant_part_of_a_mixture_widens_it_once_it_weighs_more_than_5_percent() -> None:
    sd, off = np.array([1.0, 1.0]), np.array([0.0, 30.0])
    assert half_width(np.array([0.97, 0.03]), off, sd) < 3
    assert half_width(np.array([0.90, 0.10]), off, sd) > 25


@pytest.mark.parametrize("spread", [0.05, 0.2, 0.4])
def test_noise_narrower_than_a_digit_leaves_an_error_that_the_uncertainty_covers(spread: float) -> None:
    rng = np.random.default_rng(2)
    errors, stated = [], []
    for _ in range(150):
        true = float(rng.uniform(10, 11))
        x = np.round(true + spread * rng.standard_normal(300)).reshape(60, 5)
        errors.append(x.mean() - true)
        stated.append(digit_uncertainty(x.mean(axis=1), x.var(axis=1), float(x[-1, -1]), 1.0))
    assert np.std(errors) <= np.hypot(np.mean(stated), spread / np.sqrt(300)) * 1.1


def test_noise_wider_than_a_digit_takes_the_rounding_out() -> None:
    x = np.round(10.3 + 1.2 * np.random.default_rng(4).standard_normal(300)).reshape(60, 5)
    assert digit_uncertainty(x.mean(axis=1), x.var(axis=1), 10.0, 1.0) < 0.01
    assert digit_uncertainty(x.mean(axis=1), x.var(axis=1), 10.0, 0.0) == 0.0


def feed(values: list[float]) -> tuple[float, int]:
    blocks = Blocks()
    rng = np.random.default_rng(1)
    total, n, rejected = 0.0, 0, 0
    for i, value in enumerate([*(1 + 0.001 * rng.standard_normal(40)), *values]):
        blocks.push(i * 20_000, float(value), float(value))
        if i % 5 == 4:
            block = blocks.close()
            if block is not None:
                total, n, rejected = total + block.area_m2 * block.n, n + block.n, rejected + block.rejected
    return total / n, rejected


@pytest.mark.parametrize("spike", [[1.3], [0.0], [1.3, 0.7], [1.05, 1.06, 1.05]])
def test_one_to_three_stray_samples_are_left_out(spike: list[float]) -> None:
    mean, rejected = feed([*spike, *[1.0] * 12])
    assert rejected == len(spike)
    assert mean == pytest.approx(1.0, abs=0.001)


def test_a_run_of_four_is_a_change_and_stays() -> None:
    _, rejected = feed([1.3, 1.31, 1.3, 1.29, 1.3, 1.3, 1.3, 1.3, 1.3, 1.3])
    assert rejected == 0


def test_a_pressure_that_ramps_is_seen_late_by_slope_times_lag() -> None:
    swings = Swings()
    # log pressure rising by 0.01 a second: the exact answer of a first-order lag, long after the start
    late = [swings.block(t, 7000 * np.exp(0.01 * t), 7000.0) for t in np.arange(0, 12, 0.1)][-1]
    assert late == pytest.approx([-0.01 * lag for lag in PRESSURE_LAGS_S], rel=1e-3)


def test_a_single_stray_lift_sample_is_doubt_and_no_movement() -> None:
    lift = LiftWitness(5.08e-5)
    lift.aim(0.0127)
    for i in range(10):
        lift.push(i * 100_000, 0.0127)
    lift.push(1_000_000, 0.0254)
    assert lift.settled_since_us() is None
    lift.push(1_100_000, 0.0127)
    assert lift.settled_since_us() == 0
    lift.push(1_200_000, 0.0130)
    lift.push(1_300_000, 0.0130)
    assert lift.settled_since_us() is None
    assert lift.still_since_us == 1_300_000


def test_the_pressure_enters_its_band_at_nine_tenths_of_it_and_leaves_at_the_whole() -> None:
    pressure = PressureWitness(0.02)
    pressure.aim(Step(None, 1000.0))
    for i, value in enumerate([981.0, 981.5]):
        pressure.block(i * 100_000, value)
        assert pressure.inside_since_us is None
    pressure.block(200_000, 982.5)
    pressure.block(300_000, 981.0)
    assert pressure.inside_since_us == 200_000
    pressure.block(400_000, 970.0)
    assert pressure.inside_since_us == 200_000
    pressure.block(500_000, 970.0)
    assert pressure.inside_since_us is None


def test_a_pressure_that_stands_off_leaves_the_value_open_by_its_effect() -> None:
    # by hand: as large a column as the settled value's own adds its prior variance to that of the value
    noise = Noise(variance=9e-8, theta_s=0.02, ratio=1.05, dof=40)
    alone = 0.0
    for off in (0.0, 1e-4, 1e-3, 0.05):
        rng = np.random.default_rng(5)
        approach = Approach(0.1, CreepPrior(0.15, 0.012))
        for i in range(40):
            approach.add(5 + 0.1 * i, 1 + 0.0003 * float(rng.standard_normal()), [off, 0.0, 0.0], False)
        settled = approach.settle(noise, 1.0, 0.0, True)
        alone = alone or 1 / settled.precision
        effect = (PRESSURE_SIZES[0] * off * approach.reading) ** 2
        assert settled.swing_share() == pytest.approx(effect / (effect + alone), rel=1e-3, abs=1e-9)
        assert settled.beyond(0.0) == pytest.approx(0.05, abs=0.001)


def test_a_meter_is_the_same_since_its_last_change_wherever_in_a_block_that_was() -> None:
    for changes in range(1, 7):
        blocks = Blocks()
        areas = [1e-3 * (1 + 0.002 * min(i, changes)) for i in range(8)]
        blocks.push_many(range(0, 80_000, 10_000), areas, [100 * area for area in areas])
        blocks.close()
        assert not blocks.same_for_too_long(10_000 * changes + 800_000, 0)
        assert blocks.same_for_too_long(10_000 * changes + 800_001, 0)


def test_a_swing_lacks_its_envelope_even_while_it_crosses_the_end_value() -> None:
    rng = np.random.default_rng(3)
    approach = Approach(0.1, CreepPrior(0.15, 0.012))
    crossing = 1.5 * np.pi / 0.5
    for t in np.arange(0.1, crossing, 0.1):
        y = 1 + 0.025 * np.exp(-0.2 * t) * np.cos(0.5 * t) + 0.0003 * rng.standard_normal()
        approach.add(float(t), float(y), [0.0] * len(PRESSURE_LAGS_S), False)
    noise = Noise(variance=9e-8, theta_s=0.02, ratio=1.05, dof=40)
    settled = approach.settle(noise, 1.0, 0.0, True)
    assert settled.left == pytest.approx(0.025 * np.exp(-0.2 * crossing), rel=0.3)
    assert abs(settled.value - 1) <= settled.half_width


def test_sums_are_those_of_the_whole_record_whitened_run_by_run() -> None:
    # brute force: each run between gaps weighed by the inverse of the AR(1) covariance of its blocks
    rng = np.random.default_rng(8)
    sums = Sums()
    rows: list[list[float]] = []
    runs: list[np.ndarray] = []
    noise = Noise(variance=2e-4, theta_s=0.12, ratio=1.7, dof=30)
    f, innovation = whitening(noise, 0.1)
    swinging = FIRST + 7
    for i in range(40):
        since, y, gap = 0.1 * i, 1 + 0.01 * float(rng.standard_normal()), i in (7, 8, 25)
        sums.add(since, y, [0.0] * len(PRESSURE_LAGS_S), gap)
        if gap:
            runs.append(np.array(rows))
            rows = []
        decay, angle = float(np.exp(-RATES[swinging] * since)), float(OMEGAS[swinging] * since)
        rows.append([1.0, y, decay * math.cos(angle), decay * math.sin(angle)])
        if i in (3, 7, 30, 39):
            # looking at it on the way must not change it
            its = sums.weighted(noise, 0.1)
            whole = np.zeros((4, 4))
            for run in [*runs, np.array(rows)]:
                apart = np.abs(np.subtract.outer(np.arange(len(run)), np.arange(len(run))))
                whole += run.T @ np.linalg.inv(innovation / (1 - f * f) * f**apart) @ run
            columns = [CONSTANT, READING, COSINES + swinging, SINES + swinging]
            assert its.shared[[CONSTANT, READING]][:, columns] == pytest.approx(whole[:2], rel=1e-9)
            assert its.own[:, swinging] == pytest.approx(whole[[2, 2, 3], [2, 3, 3]], rel=1e-9)


def test_every_model_is_fitted_as_by_solving_its_normal_equations() -> None:
    # brute force: each model's own matrix, solved by elimination with pivots
    rng = np.random.default_rng(4)
    creeps, responses = 2, 3
    rows = rng.standard_normal((60, 1 + creeps + 1 + 2 * responses))
    whole = rows.T @ rows + np.diag([0.0, 3.0, 3.0, 0.0, *[0.5] * 2 * responses])
    k = creeps + 2
    first, second = range(k, k + responses), range(k + responses, k + 2 * responses)
    own = np.array([[whole[a, a], whole[a, b], whole[b, b]] for a, b in zip(first, second, strict=True)]).T
    fits = solve(whole[:k], own)
    for response in range(responses):
        for creep in range(1 + creeps):
            columns = [0, first[response], second[response], *([creep] if creep else [])]
            m, y = whole[np.ix_(columns, columns)], whole[columns, k - 1]
            beta = np.linalg.solve(m, y)
            at = creep, response
            assert fits.value[at] == pytest.approx(beta[0], rel=1e-9)
            assert fits.first[at] == pytest.approx(beta[1], rel=1e-9)
            assert fits.second[at] == pytest.approx(beta[2], rel=1e-9)
            assert fits.creep[at] == pytest.approx(beta[3] if creep else 0.0, rel=1e-9)
            assert 1 / fits.precision[at] == pytest.approx(np.linalg.inv(m)[0, 0], rel=1e-9)
            evidence = 0.5 * (y @ beta - np.linalg.slogdet(m)[1])
            assert fits.evidence[at] == pytest.approx(evidence, rel=1e-9)


def test_a_record_without_any_scatter_still_has_a_noise_to_weigh_by() -> None:
    # a gauge that sends the same digits over and over: a variance of 0 would divide by it
    for blocks in (1.0, 8.0, 40.0):
        noise = NoisePool(0.1).estimate(0.0, 0.0, blocks, 0.0, 5.0, 0.0, 1.0)
        assert noise.variance > 0.0
        assert math.isfinite(noise.theta_s)
        assert math.isfinite(noise.dof)


def test_blocks_that_come_far_apart_show_their_roughness_too() -> None:
    # an instrument that sends three times a second: every block follows a gap
    sums = Sums()
    for i, y in enumerate((1.0, 1.01, 0.99, 1.02, 0.98)):
        sums.add(0.3 * i, y, (0.0,) * len(PRESSURE_LAGS_S), True)
    # by hand: second differences -0.03, 0.05, -0.07
    assert sums.rough == pytest.approx((0.03**2 + 0.05**2 + 0.07**2) / 3)
