"""The arithmetic of a fit: plain loops, compiled, since a replay makes hundreds of thousands of them.

Layout of the columns: see ``responses.py``. ``shared`` are products of the
shared columns with all, shape (SHARED, SIZE), and ``own`` of the columns of
each response among themselves: first squared, first by second, second
squared, shape (3, RESPONSES).
"""

import math

import numpy as np

from acquire.compiled import compiled
from acquire.series import Floats

_LEAST_PIVOT = 1e-13
"""Columns that cannot be told apart leave rounding errors only."""
_COUNTS = 1e-5
"""Weight from which a model takes part in the mixture."""
_LARGEST = 1e6
_STEPS = 8
A_UNIT, FARTHEST = 50, 6.0
Ar = tuple[float, float]


@compiled
def fill(row: Floats, since_s: float, y: float, swings: Floats, creeps: Floats, rates: Floats, omegas: Floats) -> None:
    """The columns of one block, ``row`` (SIZE,)."""
    lags, creep, n = swings.size, swings.size + 1, rates.size
    shared = creep + creeps.size + 1
    for i in range(lags):
        row[i] = swings[i]
    row[lags] = 1.0
    for i in range(creeps.size):
        row[creep + i] = math.exp(-creeps[i] * since_s)
    row[shared - 1] = y
    for i in range(n):
        decay = math.exp(-rates[i] * since_s)
        angle = omegas[i] * since_s
        row[shared + i] = decay * math.cos(angle)
        row[shared + n + i] = decay * math.sin(angle)


@compiled
def add_products(shared: Floats, own: Floats, a: Floats, b: Floats) -> None:
    """Products of two rows of columns, added to the sums."""
    k, n = shared.shape[0], own.shape[1]
    for i in range(k):
        factor = a[i]
        for j in range(k + 2 * n):
            shared[i, j] += factor * b[j]
    for j in range(n):
        first, second = k + j, k + n + j
        own[0, j] += a[first] * b[first]
        own[1, j] += a[first] * b[second]
        own[2, j] += a[second] * b[second]


@compiled
def quadratic(shared: Floats, own: Floats, beta: Floats, response: int) -> float:
    """Beta' sums beta for coefficients of the shared columns and of one response's two, (SHARED + 2,)."""
    k, n = shared.shape[0], own.shape[1]
    total, one, other = 0.0, beta[k], beta[k + 1]
    for i in range(k):
        row = 0.0
        for j in range(k):
            row += shared[i, j] * beta[j]
        row += 2.0 * (shared[i, k + response] * one + shared[i, k + n + response] * other)
        total += beta[i] * row
    within = one * one * own[0, response] + 2.0 * one * other * own[1, response]
    return float(total + within + other * other * own[2, response])


@compiled
def eliminate(shared: Floats, own: Floats, lags: int) -> None:
    """Take the first ``lags`` columns out of all others; their rows are left as they were when their turn came."""
    k, n = shared.shape[0], own.shape[1]
    for lag in range(lags):
        pivot = shared[lag, lag]
        for i in range(lag + 1, k):
            factor = shared[lag, i] / pivot
            for j in range(lag + 1, k + 2 * n):
                shared[i, j] -= factor * shared[lag, j]
        for j in range(n):
            first, second = shared[lag, k + j], shared[lag, k + n + j]
            own[0, j] -= first * first / pivot
            own[1, j] -= first * second / pivot
            own[2, j] -= second * second / pivot


@compiled
def solve(shared: Floats, own: Floats, lags: int, out: Floats) -> None:
    """Fit the models of each response, once what moves with the pressure is eliminated.

    ``out``, (6, 1 + creeps, responses), gets value, precision, coefficients of the response's first and second
    column and of the creep, log evidence for flat priors of unit size.
    """
    k, n = shared.shape[0], own.shape[1]
    constant, reading = lags, k - 1
    creeps = reading - constant - 1
    scale = shared[constant, constant]
    for r in range(n):
        first, second = k + r, k + n + r
        pivot0 = own[0, r]
        swing = own[1, r] / pivot0
        pivot1 = max(own[2, r] - swing * own[1, r], _LEAST_PIVOT * own[2, r])
        first_c, first_y = shared[constant, first], shared[reading, first]
        rest_c, rest_y = shared[constant, second] - swing * first_c, shared[reading, second] - swing * first_y
        low0_c, low0_y, low1_c, low1_y = first_c / pivot0, first_y / pivot0, rest_c / pivot1, rest_y / pivot1
        alone = scale - first_c * low0_c - rest_c * low1_c
        beside = shared[constant, reading] - first_y * low0_c - rest_y * low1_c
        explained = first_y * low0_y + rest_y * low1_y
        for creep in range(1 + creeps):
            low0_k = low1_k = crossed = read = 0.0
            pivot2 = 1.0
            if creep > 0:
                i = constant + creep
                first_k = shared[i, first]
                rest_k = shared[i, second] - swing * first_k
                low0_k, low1_k = first_k / pivot0, rest_k / pivot1
                size = shared[i, i]
                pivot2 = max(size - first_k * low0_k - rest_k * low1_k, _LEAST_PIVOT * size)
                crossed = shared[constant, i] - first_k * low0_c - rest_k * low1_c
                read = shared[i, reading] - first_k * low0_y - rest_k * low1_y
            low2 = crossed / pivot2
            pivot3 = max(alone - low2 * crossed, _LEAST_PIVOT * scale)
            value = (beside - low2 * read) / pivot3
            creeping = read / pivot2 - low2 * value
            second_part = low1_y - low1_k * creeping - low1_c * value
            out[0, creep, r] = value
            out[1, creep, r] = pivot3
            out[2, creep, r] = low0_y - swing * second_part - low0_k * creeping - low0_c * value
            out[3, creep, r] = second_part
            out[4, creep, r] = creeping
            fitted = explained + read * read / pivot2 + pivot3 * value * value
            out[5, creep, r] = 0.5 * (fitted - math.log(pivot0 * pivot1 * pivot2 * pivot3))


@compiled
def inside(w: Floats, off: Floats, sd: Floats, limit: float, chances: Floats) -> float:
    """Chance of a mixture of normals to lie within ``limit`` of 0, by a table of the normal distribution."""
    total = 0.0
    for i in range(w.size):
        total += w[i] * (_chance((limit - off[i]) / sd[i], chances) - _chance((-limit - off[i]) / sd[i], chances))
    return total


@compiled
def _chance(score: float, chances: Floats) -> float:
    # what is not a number is no place in a table
    place = min((score + FARTHEST) * A_UNIT, 2 * FARTHEST * A_UNIT) if score > -FARTHEST else 0.0
    at = int(place)
    return float(chances[at] + (place - at) * (chances[at + 1] - chances[at]))


@compiled
def half_width(w: Floats, off: Floats, sd: Floats, chances: Floats) -> float:
    """Where 95 % of the mixture lie within, to a thousandth of its spread."""
    spread = 0.0
    for i in range(w.size):
        spread += w[i] * (off[i] * off[i] + sd[i] * sd[i])
    # Chebyshev: no more than 5 % of any mixture lie beyond 4.48 spreads
    low, high = 0.0, 4.48 * math.sqrt(spread)
    below, above = 0.0, 1.0
    for _ in range(2):
        step = (high - low) / _STEPS
        start = low
        for i in range(1, _STEPS + 1):
            high = start + i * step
            above = inside(w, off, sd, high, chances)
            if above >= 0.95 or i == _STEPS:
                break
            low, below = high, above
    share = (0.95 - below) / max(above - below, 1e-12)
    return low + (high - low) * min(max(share, 0.0), 1.0)


@compiled
def weigh(
    shared: Floats, own: Floats, sums: tuple[Floats, Floats, Floats, Floats, Floats, Floats], last: Floats, ar: Ar
) -> None:
    """Fill ``shared`` and ``own`` with sums weighted by the inverse of first-order autoregressive noise.

    ``sums``: within blocks, between neighbours both ways round, and of the blocks beside a gap but the ``last``; each
    as ``shared`` and ``own``. ``ar``: correlation of neighbours, innovation variance. Source: G. E. P. Box and
    G. M. Jenkins, Time Series Analysis (1970), 7.1.
    """
    within, within_own, between, between_own, ends, ends_own = sums
    f, innovation = ar
    k, n = shared.shape[0], own.shape[1]
    for i in range(k):
        for j in range(k + 2 * n):
            end = f * f * (ends[i, j] + last[i] * last[j])
            shared[i, j] = ((1.0 + f * f) * within[i, j] - f * between[i, j] - end) / innovation
    for j in range(n):
        first, second = last[k + j], last[k + n + j]
        for i in range(3):
            square = (first if i < 2 else second) * (first if i == 0 else second)
            end = f * f * (ends_own[i, j] + square)
            own[i, j] = ((1.0 + f * f) * within_own[i, j] - f * between_own[i, j] - end) / innovation


@compiled
def add_priors(
    shared: Floats,
    own: Floats,
    sizes: tuple[float, Floats, float],
    omegas: Floats,
    pressure: tuple[Floats, Floats, float],
    log_sizes: Floats,
) -> None:
    """Add the priors of all coefficients to weighted sums.

    ``sizes``, root mean squares: of each response's columns, if its share in ``late`` (responses,) were one, and of a
    creep's. ``pressure``: precision (lags, lags) and mean (lags,) of a moving pressure's effects, both relative to the
    level that comes last. ``log_sizes`` (responses,) gets what the sizes take from the evidence; the second column of
    a response without angular frequency is none.
    """
    size, late, creep_size = sizes
    precision, swings, level = pressure
    lags, k = swings.size, shared.shape[0]
    for j in range(own.shape[1]):
        its = min(size / max(late[j], 1e-300), _LARGEST)
        own[0, j] += 1.0 / (its * its)
        log_sizes[j] = math.log(its)
        if omegas[j] > 0.0:
            own[2, j] += 1.0 / (its * its)
            log_sizes[j] *= 2.0
        else:
            own[2, j] += 1.0
    for i in range(lags + 1, k - 1):
        shared[i, i] += 1.0 / (creep_size * creep_size)
    for i in range(lags):
        pull = 0.0
        for j in range(lags):
            shared[i, j] += precision[i, j] / (level * level)
            pull += precision[i, j] * swings[j] / level
        shared[i, k - 1] += pull
        shared[k - 1, i] += pull


@compiled
def share_of_swings(shared: Floats, own: Floats, lags: int, creep: int, response: int, precision: float) -> float:
    """How much of the variance of the settled value comes from a moving pressure; ``precision`` is that of the value.

    Weighted sums, priors added; the model's creep, 0 for none, and response.
    """
    k, n = shared.shape[0], own.shape[1]
    first, second = k + response, k + n + response
    swing = own[1, response] / own[0, response]
    pivot1 = max(own[2, response] - swing * own[1, response], _LEAST_PIVOT * own[2, response])
    first_c = shared[lags, first]
    rest_c = shared[lags, second] - swing * first_c
    alone = shared[lags, lags] - first_c * first_c / own[0, response] - rest_c * rest_c / pivot1
    if creep > 0:
        i = lags + creep
        first_k = shared[i, first]
        rest_k = shared[i, second] - swing * first_k
        pivot2 = shared[i, i] - first_k * first_k / own[0, response] - rest_k * rest_k / pivot1
        crossed = shared[lags, i] - first_k * first_c / own[0, response] - rest_k * rest_c / pivot1
        alone -= crossed * crossed / max(pivot2, _LEAST_PIVOT * shared[i, i])
    return float(1.0 - precision / alone)


@compiled
def settle(
    shared: Floats,
    own: Floats,
    lags: int,
    log_weights: tuple[Floats, Floats, Floats],
    last: Floats,
    doubts: tuple[float, float, float, float],
    chances: Floats,
    coefficients: Floats,
    evidence: Floats,
    share: Floats,
) -> tuple[float, float, float, float, float, int, int]:
    """The mixture of all models, from weighted sums with priors added.

    ``log_weights``: of each response by what was believed before, less what its sizes take, (responses,) each, and of
    no creep and each creep, (1 + creeps,). ``doubts``: the factor for an uncertain noise, the share of what is still
    lacking that is not trusted, the standard uncertainty from digits, and the allowed error beside the half-width.
    ``coefficients`` (SHARED + 2,) gets those of the likeliest model, ``evidence`` and ``share`` (responses,) the log
    evidence of each response and its share in the mixture.

    Returns settled value, half-width (95 %), what the approach still lacks, chance of an error beyond half-width and
    allowance, precision of the likeliest model's value, its response and creep (0 for none).
    """
    k, n = shared.shape[0], own.shape[1]
    models = k - 1 - lags
    left_shared, left_own = np.empty_like(shared), np.empty_like(own)
    for i in range(k):
        for j in range(k + 2 * n):
            left_shared[i, j] = shared[i, j]
    for i in range(3):
        for j in range(n):
            left_own[i, j] = own[i, j]
    eliminate(left_shared, left_own, lags)
    fits = np.empty((6, models, n))
    solve(left_shared, left_own, lags, fits)
    belief, log_sizes, of_creeps = log_weights
    weight = np.empty((models, n))
    best_creep = best = 0
    most = -math.inf
    for creep in range(models):
        for r in range(n):
            fits[5, creep, r] += of_creeps[creep] - log_sizes[r]
            weight[creep, r] = fits[5, creep, r] + belief[r]
            if weight[creep, r] > most:
                most, best_creep, best = weight[creep, r], creep, r
    total = 0.0
    for creep in range(models):
        for r in range(n):
            weight[creep, r] = math.exp(weight[creep, r] - most)
            total += weight[creep, r]
    for r in range(n):
        likely = 0.0
        for creep in range(models):
            weight[creep, r] /= total
            likely += weight[creep, r]
        share[r] = likely
        # far from the likeliest it hardly counts; a share of nothing has a logarithm all the same
        evidence[r] = most + math.log(max(likely * total, 1e-300)) - belief[r]
    _likeliest(left_shared, fits[:, best_creep, best], lags, best, best_creep, coefficients)

    factor, misfit, digit, allowed = doubts
    counted = 0
    w, mu, sd = np.empty(weight.size), np.empty(weight.size), np.empty(weight.size)
    kept = value = lacks = 0.0
    for creep in range(models):
        for r in range(n):
            its = weight[creep, r]
            if its <= _COUNTS:
                continue
            # a swinging approach lacks its envelope, whatever its phase is now
            left = math.hypot(fits[2, creep, r], fits[3, creep, r]) * math.hypot(last[k + r], last[k + n + r])
            if creep > 0:
                left += abs(fits[4, creep, r] * last[lags + creep])
            variance = factor**2 / fits[1, creep, r] + (misfit * left) ** 2 + digit**2
            w[counted], mu[counted], sd[counted] = its, fits[0, creep, r], math.sqrt(variance)
            counted += 1
            kept += its
            value += its * fits[0, creep, r]
            lacks += its * left
    value /= kept
    for i in range(counted):
        w[i] /= kept
        mu[i] -= value
    w, mu, sd = w[:counted], mu[:counted], sd[:counted]
    half = half_width(w, mu, sd, chances)
    beyond = 1.0 - inside(w, mu, sd, half + allowed * abs(value), chances)
    return value, half, lacks / kept, beyond, fits[1, best_creep, best], best, best_creep


@compiled
def _likeliest(shared: Floats, fit: Floats, lags: int, response: int, creep: int, out: Floats) -> None:
    """Coefficients of one model; those of the moving pressure from their rows in what was eliminated."""
    k = shared.shape[0]
    n = (shared.shape[1] - k) // 2
    for i in range(out.size):
        out[i] = 0.0
    out[lags], out[k - 1], out[k], out[k + 1] = fit[0], -1.0, fit[2], fit[3]
    if creep > 0:
        out[lags + creep] = fit[4]
    for lag in range(lags - 1, -1, -1):
        rest = shared[lag, k + response] * out[k] + shared[lag, k + n + response] * out[k + 1]
        for j in range(lag + 1, k):
            rest += shared[lag, j] * out[j]
        out[lag] = -rest / shared[lag, lag]
