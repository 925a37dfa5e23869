"""The noise of the flow reading, pooled over steps: level, correlation, long-run variance.

The flow's turbulence is taken as first-order noise of correlation time theta,
seen through blocks of ``m`` even samples. A mean over a time T long against
theta then has variance (long-run variance) / T.
"""

import math

import numpy as np

from acquire.compiled import Record, compiled, fields, new
from acquire.response import NoiseSeen
from acquire.series import Floats

THETAS_S = np.geomspace(0.004, 0.6, 50)
"""Correlation times among which the noise's is looked for."""
FIRST_THETA_S = 0.15
"""Correlation assumed until the record has shown its own."""
_PRIOR_BLOCKS = 12.0
_LEAST_REL = 1e-6

# what the residuals of earlier steps were like, see ``NoiseSeen``
POOL = fields(*((name, "f8") for name in NoiseSeen.model_fields))


def new_pool(seen: NoiseSeen | None) -> Record:
    """Remembers what the residuals of earlier steps were like."""
    pool = new(POOL)
    for name, value in (seen.model_dump() if seen else {}).items():
        pool[name] = value
    return pool


def noise_seen(pool: Record) -> NoiseSeen | None:
    """What is remembered; None before any step."""
    return NoiseSeen(**dict(zip(POOL.names or (), pool.tolist(), strict=True))) if pool["blocks"] else None


@compiled
def block_correlation(theta_s: float, m: float, block_s: float) -> tuple[float, float]:
    """Lag-1 correlation of block means of first-order noise, and their long-run ratio.

    ``m`` samples a block, one or more, evenly spread. Follows from the sums
    of f^|i-j| within and between neighbouring blocks.
    """
    m = max(1.0, m)
    f = math.exp(-block_s / (m * theta_s))
    fm = f**m
    within = m * (1 + f) / (1 - f) - 2 * f * (1 - fm) / (1 - f) ** 2
    between = f * ((1 - fm) / (1 - f)) ** 2
    return between / within, m * (1 + f) / (1 - f) / within


@compiled
def _matching(observed: float, n: float, p: float, correlations: Floats, ratios: Floats, logs: Floats) -> float:
    """The correlation time whose expected lag-1 correlation was observed, from ``n`` blocks and ``p`` parameters.

    Each fitted parameter is smooth: it takes about one long-run variance out of either sum.
    """
    expected, log = np.empty(logs.size), np.empty(logs.size)
    for i in range(logs.size):
        lost = min(p * ratios[i], 0.7 * n)
        its, at = (n * correlations[i] - lost) / (n - lost), i
        while at > 0 and expected[at - 1] > its:
            expected[at], log[at] = expected[at - 1], log[at - 1]
            at -= 1
        expected[at], log[at] = its, logs[i]
    if observed <= expected[0]:
        return math.exp(log[0])
    at = 1
    while at < logs.size - 1 and expected[at] < observed:
        at += 1
    low, high = expected[at - 1], expected[at]
    share = min((observed - low) / (high - low), 1.0) if high > low else 1.0
    return math.exp(log[at - 1] + share * (log[at] - log[at - 1]))


@compiled
def estimate(
    pool: Record,
    residuals: tuple[float, float, float],
    n: float,
    m: float,
    rough: float,
    reading: float,
    block_s: float,
) -> tuple[float, float, float, float]:
    """Variance of the blocks' noise, its correlation time, its long-run variance over it, degrees of freedom.

    In the unit of the ``residuals``: sums of squares and of neighbours' products of this step's ``n`` blocks, and how
    many parameters were fitted. ``rough`` is the mean square second difference of the blocks: an approach hardly shows
    in it, so it bounds the level before any fit is good. ``reading`` is what the noise is relative to; ``m`` samples
    a block.
    """
    thetas_s = THETAS_S
    logs, correlations, ratios = np.empty(thetas_s.size), np.empty(thetas_s.size), np.empty(thetas_s.size)
    for i in range(thetas_s.size):
        logs[i] = math.log(thetas_s[i])
        correlations[i], ratios[i] = block_correlation(thetas_s[i], m, block_s)
    s0, s1, p = residuals
    longest = correlations[-1]
    if p == 0 or s0 > 3.0 * n * rough / (6 - 8 * longest + 2 * longest * longest):
        s0, s1, p = n * rough / 4, 0.0, 0.0
    # what some blocks of the first guess would have shown
    first, _ = block_correlation(FIRST_THETA_S, m, block_s)
    scale = 1.0 / max(s0 / max(n - p, 0.3 * n, 1.0), 1e-30)
    sum0 = s0 * scale + pool.squares + _PRIOR_BLOCKS
    sum1 = s1 * scale + pool.products + _PRIOR_BLOCKS * first
    theta_s = _matching(sum1 / sum0, n + pool.blocks + _PRIOR_BLOCKS, p + pool.parameters, correlations, ratios, logs)
    r1, ratio = block_correlation(theta_s, m, block_s)
    own = max(n - min(p * ratio, 0.7 * n), 1.0)
    variance = (s0 + pool.weight * pool.variance_rel * reading * reading) / (own + pool.weight)
    # a gauge that sends the same digits over and over shows none at all: never quieter than a millionth
    variance = max(variance, (_LEAST_REL * reading) ** 2)
    dof = max(3.0, (1 - r1 * r1) / (1 + r1 * r1) * (own + pool.weight))
    return variance, theta_s, ratio, dof


@compiled
def keep(pool: Record, residuals: tuple[float, float, float], n: float, variance: float, reading: float) -> None:
    """Remember a finished step of ``n`` blocks."""
    if n < 8 or variance <= 0:
        return
    s0, s1, p = residuals
    forget = min(1.0, 400.0 / max(pool.blocks + n, 1.0))
    pool.squares = forget * (pool.squares + s0 / variance)
    pool.products = forget * (pool.products + s1 / variance)
    pool.blocks = forget * (pool.blocks + n)
    pool.parameters = forget * (pool.parameters + p)
    pool.variance_rel = variance / (reading * reading)
    pool.weight = min(12.0, n / 2)


@compiled
def whitening(variance: float, ratio: float, theta_s: float, block_s: float) -> tuple[float, float]:
    """AR(1) coefficient of blocks, and the innovation variance that keeps the long-run variance."""
    f = math.exp(-block_s / theta_s)
    return f, variance * ratio * (1 - f) ** 2
