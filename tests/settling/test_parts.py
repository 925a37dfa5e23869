"""The fit of one stay against closed forms and brute force."""

import math

import numpy as np
import numpy.typing as npt
import pytest

from acquire.config import Settling
from acquire.series import Floats
from acquire.stabiliser.blocks import BLOCK
from acquire.stabiliser.fits import add_priors, eliminate, half_width, inside, quadratic, share_of_swings, solve, weigh
from acquire.stabiliser.look import FitKept, level, look, new_fit, residuals, swing_share
from acquire.stabiliser.noise import block_correlation, estimate, keep, new_pool, noise_seen, whitening
from acquire.stabiliser.responses import (
    CONSTANT,
    COSINES,
    CREEP_TAUS_S,
    FIRST,
    LAGS,
    OMEGAS,
    PRESSURE_SIZES,
    RATES,
    READING,
    RESPONSES,
    SHARED,
    SINES,
    SIZE,
)
from acquire.stabiliser.sums import SumsKept, add_block

CHANCES = new_fit(Settling(), None).chances
STILL = np.zeros(LAGS)


@pytest.mark.parametrize(("theta_s", "m"), [(0.02, 5), (0.3, 5), (0.05, 1), (0.3, 100)])
def test_block_correlation_is_that_of_the_covariance_matrix(theta_s: float, m: int) -> None:
    i = np.arange(40 * m)
    matrix = np.exp(-np.abs(i[:, None] - i[None, :]) * 0.1 / m / theta_s)
    blocks = matrix.reshape(40, m, 40, m).mean(axis=(1, 3))
    corr, ratio = block_correlation(theta_s, float(m), 0.1)
    assert corr == pytest.approx(blocks[0, 1] / blocks[0, 0], rel=1e-9)
    # the long-run ratio is the sum over all lags
    assert ratio == pytest.approx((blocks[0, 0] + 2 * blocks[0, 1:].sum()) / blocks[0, 0], rel=1e-3)


def test_one_normal_has_its_95_percent_within_1_96_sd() -> None:
    one = np.array([1.0])
    assert half_width(one, np.array([0.0]), one, CHANCES) == pytest.approx(1.959964, rel=2e-3)
    assert inside(one, np.array([0.0]), one, 1.959964, CHANCES) == pytest.approx(0.95, abs=1e-5)


def test_the_chance_within_a_limit_is_that_of_the_normal_distribution_at_any_place() -> None:
    # source: the error function of the standard library
    one = np.array([1.0])
    for off, sd, limit in [(0.0, 1.0, 0.013), (0.7, 0.3, 0.5), (-2.0, 1.5, 1.0), (0.0, 1.0, 9.0), (50.0, 1.0, 3.0)]:
        edges = [0.5 * (1 + math.erf((edge - off) / sd / math.sqrt(2))) for edge in (limit, -limit)]
        assert inside(one, np.array([off]), one * sd, limit, CHANCES) == pytest.approx(edges[0] - edges[1], abs=5e-5)


def test_what_is_not_a_number_has_no_chance_and_reads_beyond_no_table() -> None:
    one, nan = np.array([1.0]), np.array([math.nan])
    assert inside(one, nan, one, 1.0, CHANCES) == 0.0
    assert inside(one, np.array([0.0]), nan, 1.0, CHANCES) == 0.0
    assert inside(one, np.array([0.0]), one, math.inf, CHANCES) == pytest.approx(1.0, abs=1e-8)
    assert math.isnan(half_width(one, nan, one, CHANCES))


def test_a_distant_part_of_a_mixture_widens_it_once_it_weighs_more_than_5_percent() -> None:
    sd, off = np.array([1.0, 1.0]), np.array([0.0, 30.0])
    assert half_width(np.array([0.97, 0.03]), off, sd, CHANCES) < 3
    assert half_width(np.array([0.90, 0.10]), off, sd, CHANCES) > 25


def even_blocks(n: int) -> npt.NDArray[np.void]:
    """Blocks of five samples, without any digit."""
    blocks = np.zeros(n, BLOCK)
    blocks["t_start_us"] = np.arange(n) * 100_000
    blocks["n"] = 5
    blocks["digit"] = math.inf
    return blocks


def fresh() -> tuple[SumsKept, FitKept]:
    fit = new_fit(Settling(creep_chance=0.15, creep_size=0.012), None)
    # nothing is allowed beside the half-width
    fit.its["wanted"] = 0.0
    return SumsKept.none(), fit


def test_a_pressure_that_stands_off_leaves_the_value_open_by_its_effect() -> None:
    # by hand: as large a column as the settled value's own adds its prior variance to that of the value
    alone = 0.0
    for off in (0.0, 1e-4, 1e-3, 0.05):
        rng = np.random.default_rng(5)
        sums, fit = fresh()
        for i in range(40):
            add_block(sums, 5 + 0.1 * i, 1 + 0.0003 * float(rng.standard_normal()), np.array([off, 0.0, 0.0]), False)
        # the first look takes the noise from the record's roughness: each time the same
        look(sums, fit, even_blocks(40), 0)
        alone = alone or 1 / fit.its["precision"]
        effect = (PRESSURE_SIZES[0] * off * level(sums)) ** 2
        assert swing_share(fit) == pytest.approx(effect / (effect + alone), rel=1e-3, abs=1e-9)
        assert fit.its["beyond"] == pytest.approx(0.05, abs=0.001)


def test_a_swing_lacks_its_envelope_even_while_it_crosses_the_end_value() -> None:
    rng = np.random.default_rng(3)
    sums, fit = fresh()
    crossing = 1.5 * np.pi / 0.5
    for t in np.arange(0.1, crossing, 0.1):
        y = 1 + 0.025 * np.exp(-0.2 * t) * np.cos(0.5 * t) + 0.0003 * rng.standard_normal()
        add_block(sums, float(t), float(y), STILL, False)
    look(sums, fit, even_blocks(int(sums.its["n"])), 0)
    scale = float(sums.its["scale"])
    assert scale * fit.its["left"] == pytest.approx(0.025 * np.exp(-0.2 * crossing), rel=0.3)
    assert abs(scale * fit.its["value"] - 1) <= scale * fit.its["half_width"]


def test_sums_are_those_of_the_whole_record_whitened_run_by_run() -> None:
    # brute force: each run between gaps weighed by the inverse of the AR(1) covariance of its blocks
    rng = np.random.default_rng(8)
    sums = SumsKept.none()
    rows: list[list[float]] = []
    runs: list[Floats] = []
    f, innovation = whitening(2e-4, 1.7, 0.12, 0.1)
    swinging = FIRST + 7
    first = 0.0
    for i in range(40):
        since, area, gap = 0.1 * i, 1e-3 * (1 + 0.01 * float(rng.standard_normal())), i in (7, 8, 25)
        swings = 0.01 * rng.standard_normal(LAGS)
        add_block(sums, since, area, swings, gap)
        first = first or area
        if gap:
            runs.append(np.array(rows))
            rows = []
        decay, angle = float(np.exp(-RATES[swinging] * since)), float(OMEGAS[swinging] * since)
        creep = math.exp(-since / CREEP_TAUS_S[1])
        rows.append([swings[2], 1.0, creep, area / first, decay * math.cos(angle), decay * math.sin(angle)])
        if i in (3, 7, 30, 39):
            # looking at it on the way must not change it
            shared, own = weighted(sums, f, innovation)
            whole = np.zeros((6, 6))
            for run in [*runs, np.array(rows)]:
                apart = np.abs(np.subtract.outer(np.arange(len(run)), np.arange(len(run))))
                whole += run.T @ np.linalg.inv(innovation / (1 - f * f) * f**apart) @ run
            columns = [LAGS - 1, CONSTANT, CONSTANT + 2, READING, COSINES + swinging, SINES + swinging]
            assert shared[columns[:4]][:, columns] == pytest.approx(whole[:4], rel=1e-9, abs=1e-9)
            assert own[:, swinging] == pytest.approx(whole[[4, 4, 5], [4, 5, 5]], rel=1e-9)


def weighted(sums: SumsKept, f: float, innovation: float) -> tuple[Floats, Floats]:
    shared, own = np.empty((SHARED, SIZE)), np.empty((3, RESPONSES))
    within, between, ends = sums.within, sums.between, sums.ends
    of_all = (within.shared, within.own, between.shared, between.own, ends.shared, ends.own)
    weigh(shared, own, of_all, sums.rows[sums.its["row"]], (f, innovation))
    return shared, own


def random_sums(lags: int, creeps: int, responses: int) -> tuple[Floats, Floats, Floats]:
    """A whole matrix of normal equations with priors, and what is kept of it: shared, own."""
    k = lags + creeps + 2
    rows = np.random.default_rng(4).standard_normal((60, k + 2 * responses))
    priors = [2.0] * lags + [0.0] + [3.0] * creeps + [0.0] + [0.5] * 2 * responses
    whole = rows.T @ rows + np.diag(priors)
    first, second = range(k, k + responses), range(k + responses, k + 2 * responses)
    own = np.array([[whole[a, a], whole[a, b], whole[b, b]] for a, b in zip(first, second, strict=True)]).T.copy()
    return whole, whole[:k].copy(), own


def columns_of(lags: int, creeps: int, responses: int, creep: int, response: int) -> list[int]:
    k = lags + creeps + 2
    return [lags, k + response, k + responses + response, *([lags + creep] if creep else [])]


@pytest.mark.parametrize("lags", [0, 2])
def test_every_model_is_fitted_as_by_solving_its_normal_equations(lags: int) -> None:
    # brute force: each model's own matrix, solved by elimination with pivots
    creeps, responses = 2, 3
    whole, shared, own = random_sums(lags, creeps, responses)
    moving, reading = list(range(lags)), lags + creeps + 1
    eliminate(shared, own, lags)
    fits = np.empty((6, 1 + creeps, responses))
    solve(shared, own, lags, fits)
    of_lags = whole[:lags, :lags]
    for response in range(responses):
        for creep in range(1 + creeps):
            columns = [*columns_of(lags, creeps, responses, creep, response), *moving]
            m, y = whole[np.ix_(columns, columns)], whole[columns, reading]
            beta = np.linalg.solve(m, y)
            value, precision, one, other, creeping, evidence = fits[:, creep, response]
            assert value == pytest.approx(beta[0], rel=1e-9)
            assert one == pytest.approx(beta[1], rel=1e-9)
            assert other == pytest.approx(beta[2], rel=1e-9)
            assert creeping == pytest.approx(beta[3] if creep else 0.0, rel=1e-9)
            assert 1 / precision == pytest.approx(np.linalg.inv(m)[0, 0], rel=1e-9)
            # what moves with the pressure is the same part of every model's evidence
            beside = whole[:lags, reading] @ np.linalg.solve(of_lags, whole[:lags, reading]) if lags else 0.0
            logs = np.linalg.slogdet(m)[1] - (np.linalg.slogdet(of_lags)[1] if lags else 0.0)
            assert evidence == pytest.approx(0.5 * (y @ beta - beside - logs), rel=1e-9)


@pytest.mark.parametrize("creep", [0, 2])
def test_the_share_of_a_moving_pressure_is_what_the_variance_lacks_without_it(creep: int) -> None:
    lags, creeps, responses, response = 2, 2, 3, 1
    whole, shared, own = random_sums(lags, creeps, responses)
    columns = columns_of(lags, creeps, responses, creep, response)
    alone = np.linalg.inv(whole[np.ix_(columns, columns)])[0, 0]
    columns += range(lags)
    both = np.linalg.inv(whole[np.ix_(columns, columns)])[0, 0]
    found = share_of_swings(shared, own, lags, creep, response, 1 / both)
    assert 0.001 < found < 0.999
    assert found == pytest.approx(1 - alone / both, rel=1e-9)


def test_a_quadratic_form_is_that_of_the_whole_matrix() -> None:
    whole, shared, own = random_sums(2, 2, 3)
    beta = np.random.default_rng(1).standard_normal(8)
    columns = [0, 1, 2, 3, 4, 5, 7, 10]
    assert quadratic(shared, own, beta, 1) == pytest.approx(beta @ whole[np.ix_(columns, columns)] @ beta, rel=1e-9)


def test_priors_stand_on_the_diagonal_and_the_moving_pressure_is_pulled_to_what_is_known() -> None:
    lags, creeps, responses = 2, 2, 3
    k = lags + creeps + 2
    shared, own, log_sizes = np.zeros((k, k + 2 * responses)), np.zeros((3, responses)), np.empty(responses)
    late, omegas = np.array([1.0, 0.5, 1e-30]), np.array([0.0, 2.0, 3.0])
    precision, swings = np.array([[4.0, 1.0], [1.0, 3.0]]), np.array([0.3, -0.2])
    add_priors(shared, own, (0.2, late, 0.05), omegas, (precision, swings, 2.0), log_sizes)
    # the sizes 0.2, 0.4 and, no larger for what is hardly there, a million
    assert own[0] == pytest.approx([25.0, 6.25, 1e-12])
    assert own[2] == pytest.approx([1.0, 6.25, 1e-12])
    assert not own[1].any()
    assert log_sizes == pytest.approx([math.log(0.2), 2 * math.log(0.4), 2 * math.log(1e6)])
    assert shared.diagonal()[lags + 1 : k - 1] == pytest.approx([400.0, 400.0])
    assert shared[lags, lags] == 0.0
    assert shared[:lags, :lags] == pytest.approx(precision / 4)
    assert shared[:lags, k - 1] == pytest.approx(precision @ swings / 2)
    assert shared[k - 1, :lags] == pytest.approx(precision @ swings / 2)


def test_residuals_are_those_of_the_likeliest_model_block_by_block() -> None:
    rng = np.random.default_rng(2)
    sums, fit = fresh()
    y = [1 + 0.02 * math.exp(-0.1 * i / 0.8) + 0.0005 * float(rng.standard_normal()) for i in range(40)]
    rows = []
    for i, value in enumerate(y):
        add_block(sums, 0.1 * i, value, 0.001 * rng.standard_normal(LAGS), False)
        rows.append(sums.rows[sums.its["row"]].copy())
    look(sums, fit, even_blocks(40), 0)
    response, creep = int(fit.its["response"]), int(fit.its["creep"])
    columns = [*range(SHARED), COSINES + response, SINES + response]
    rest = np.array(rows)[:, columns] @ fit.coefficients
    squares, products, parameters = residuals(sums, fit)
    assert squares == pytest.approx(rest @ rest, rel=1e-6)
    assert products == pytest.approx(rest[1:] @ rest[:-1], rel=1e-6, abs=1e-9)
    assert parameters == 2 + (response >= FIRST) + (creep > 0)
    assert math.sqrt(squares / 40) * sums.its["scale"] == pytest.approx(0.0005, rel=0.3)


def test_a_record_without_any_scatter_still_has_a_noise_to_weigh_by() -> None:
    # a gauge that sends the same digits over and over: a variance of 0 would divide by it
    for blocks in (1.0, 8.0, 40.0):
        variance, theta_s, ratio, dof = estimate(new_pool(None), (0.0, 0.0, 0.0), blocks, 5.0, 0.0, 1.0, 0.1)
        assert variance > 0.0
        assert ratio > 0.0
        assert math.isfinite(theta_s)
        assert math.isfinite(dof)


def test_the_noise_of_a_long_record_is_found_again_and_remembered() -> None:
    # white noise: its neighbours' products average to nothing
    pool = new_pool(None)
    variance, theta_s, ratio, dof = estimate(pool, (400 * 4e-6, 0.0, 3.0), 400.0, 1.0, 6 * 4e-6, 1.0, 0.1)
    assert variance == pytest.approx(4e-6, rel=0.02)
    assert theta_s < 0.05
    assert ratio == pytest.approx(1.0, abs=0.3)
    assert dof == pytest.approx(400, rel=0.1)
    assert noise_seen(pool) is None
    keep(pool, (400 * 4e-6, 0.0, 3.0), 7.0, variance, 1.0)
    assert noise_seen(pool) is None
    keep(pool, (400 * 4e-6, 0.0, 3.0), 400.0, variance, 2.0)
    seen = noise_seen(pool)
    assert seen is not None
    assert seen.variance_rel == pytest.approx(1e-6, rel=0.02)
    assert (seen.blocks, seen.parameters, seen.weight) == (400.0, 3.0, 12.0)


def test_blocks_that_come_far_apart_show_their_roughness_too() -> None:
    # an instrument that sends three times a second: every block follows a gap
    sums = SumsKept.none()
    for i, y in enumerate((1.0, 1.01, 0.99, 1.02, 0.98)):
        add_block(sums, 0.3 * i, y, STILL, True)
    # by hand: second differences -0.03, 0.05, -0.07
    assert sums.its["bends"] == pytest.approx(0.03**2 + 0.05**2 + 0.07**2)
