"""The noise of the flow reading, pooled over steps: level, correlation, long-run variance.

The flow's turbulence is taken as first-order noise of correlation time theta,
seen through blocks of ``m`` even samples. A mean over a time T long against
theta then has variance (long-run variance) / T.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np

from acquire.response import NoiseSeen
from acquire.series import Floats

THETAS_S = np.geomspace(0.004, 0.6, 50)
_LEAST_REL = 1e-6
FIRST_THETA_S = 0.15
"""Correlation assumed until the record has shown its own."""
_LOGS = np.log(THETAS_S)
_FIRST_AT = int(np.argmin(np.abs(_LOGS - math.log(FIRST_THETA_S))))
Theta = TypeVar("Theta", np.float64, Floats)


@dataclass(frozen=True, slots=True)
class Noise:
    """In the unit of the residuals. ``ratio`` = long-run variance of blocks over their variance."""

    variance: float
    theta_s: float
    ratio: float
    dof: float

    @property
    def long_run(self) -> float:
        """Variance of a block as far as slow quantities are concerned."""
        return self.variance * self.ratio


def block_correlation(theta_s: Theta, m: float, block_s: float) -> tuple[Theta, Theta]:
    """Lag-1 correlation of block means of first-order noise, and their long-run ratio.

    ``m`` samples a block, one or more, evenly spread. Follows from the sums
    of f^|i-j| within and between neighbouring blocks.
    """
    m = max(1.0, m)
    f = np.exp(-block_s / (m * theta_s))
    fm = f**m
    within = m * (1 + f) / (1 - f) - 2 * f * (1 - fm) / (1 - f) ** 2
    between = f * ((1 - fm) / (1 - f)) ** 2
    return between / within, m * (1 + f) / (1 - f) / within


@lru_cache(maxsize=64)
def _grid(m: float, block_s: float) -> tuple[Floats, Floats]:
    return block_correlation(THETAS_S, m, block_s)


class NoisePool:
    """Remembers what the residuals of earlier steps were like."""

    def __init__(self, block_s: float, seen: NoiseSeen | None = None) -> None:
        self._block_s = block_s
        self._s0 = seen.squares if seen else 0.0
        self._s1 = seen.products if seen else 0.0
        self._n = seen.blocks if seen else 0.0
        self._p = seen.parameters if seen else 0.0
        self._level = seen.variance_rel if seen else 0.0
        self._level_weight = seen.weight if seen else 0.0

    @property
    def seen(self) -> NoiseSeen | None:
        """What is remembered; None before any step."""
        if self._n == 0:
            return None
        return NoiseSeen(
            squares=self._s0,
            products=self._s1,
            blocks=self._n,
            parameters=self._p,
            variance_rel=self._level,
            weight=self._level_weight,
        )

    def estimate(self, s0: float, s1: float, n: float, p: float, m: float, rough: float, reading: float) -> Noise:
        """From this step's residual sums (squares, lagged products), count, parameters fitted.

        ``rough`` is the mean square second difference of the blocks: an approach
        hardly shows in it, so it bounds the level before any fit is good. ``reading``
        is what the noise is relative to, in the unit of the residuals.
        """
        # the number of samples in a block hardly matters: a tenth is near enough to keep the grid
        corr, ratios = _grid(round(m, 1), self._block_s)
        if p == 0 or s0 > 3.0 * n * rough / (6 - 8 * corr[-1] + 2 * corr[-1] ** 2):
            s0, s1, p = n * rough / 4, 0.0, 0.0
        # what a prior of twelve blocks at the first guess would have shown
        prior_n = 12.0
        level = s0 / max(n - p, 0.3 * n, 1.0)
        scale = 1.0 / max(level, 1e-30)
        total_n = n + self._n + prior_n
        total_p = p * n / max(n, 1e-9) + self._p
        sum0 = s0 * scale + self._s0 + prior_n
        sum1 = s1 * scale + self._s1 + prior_n * float(corr[_FIRST_AT])
        # each fitted parameter is smooth: it takes about one long-run variance out of either sum
        lost = np.minimum(total_p * ratios, 0.7 * total_n)
        expected = (total_n * corr - lost) / (total_n - lost)
        order = expected.argsort()
        theta = float(np.exp(np.interp(sum1 / sum0, expected[order], _LOGS[order])))
        r1, ratio = map(float, block_correlation(np.float64(theta), m, self._block_s))
        own = max(n - min(p * ratio, 0.7 * n), 1.0)
        variance = (s0 + self._level_weight * self._level * reading**2) / (own + self._level_weight)
        # a gauge that sends the same digits over and over shows none at all: never quieter than a millionth
        variance = max(variance, (_LEAST_REL * reading) ** 2)
        shrink = (1 - r1 * r1) / (1 + r1 * r1)
        dof = max(3.0, shrink * (own + self._level_weight))
        return Noise(variance, theta, ratio, dof)

    def keep(self, s0: float, s1: float, n: float, p: float, noise: Noise, reading: float) -> None:
        """Remember a finished step."""
        if n < 8 or noise.variance <= 0:
            return
        forget = min(1.0, 400.0 / max(self._n + n, 1.0))
        self._s0 = forget * (self._s0 + s0 / noise.variance)
        self._s1 = forget * (self._s1 + s1 / noise.variance)
        self._n = forget * (self._n + n)
        self._p = forget * (self._p + p)
        self._level = noise.variance / reading**2
        self._level_weight = min(12.0, n / 2)


def whitening(noise: Noise, block_s: float) -> tuple[float, float]:
    """AR(1) coefficient of blocks, and the innovation variance that keeps the long-run variance."""
    f = math.exp(-block_s / noise.theta_s)
    return f, noise.long_run * (1 - f) ** 2
