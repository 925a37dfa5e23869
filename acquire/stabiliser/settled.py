"""What a fit of the approach says: the settled value, how far it reaches, and the likeliest of its models."""

from dataclasses import dataclass

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.mixture import outside
from acquire.stabiliser.responses import CONSTANT, CREEP, FIRST, LAGS, SHARED
from acquire.stabiliser.sums import Products


@dataclass(frozen=True, slots=True)
class Best:
    """The likeliest fit: coefficients of the shared columns and of its response's two, and the sums it was made from.

    ``creep`` 0 is none; ``at`` the place of its response within ``sums``.
    """

    shared: Floats
    pair: Floats
    response: int
    creep: int
    sums: Products
    at: int

    @property
    def parameters(self) -> float:
        """How many coefficients it has."""
        return 2.0 + (self.response >= FIRST) + (self.creep > 0)

    def swings(self) -> tuple[Floats, Floats]:
        """What it says of a moving pressure: effects relative to the reading, and their precision."""
        level = abs(float(self.shared[CONSTANT])) or 1.0
        lags = self.sums.shared[:LAGS]
        crossed = lags[:, self._columns]
        if self.creep == 0:
            crossed[:, 1] = 0.0
        precision = lags[:, :LAGS] - crossed @ self.inverse() @ crossed.T
        return self.shared[:LAGS] / level, precision * level**2

    def inverse(self) -> Floats:
        """Of the sums of constant, creep and response; (4, 4)."""
        columns = self._columns
        beside = self.sums.shared.take(columns[:2], axis=0).take(columns, axis=1)
        square, between, other = self.sums.own[:, self.at].tolist()
        sums = np.empty((4, 4))
        sums[:2] = beside
        sums[2:, :2] = beside[:, 2:].T
        sums[2:, 2:] = (square, between), (between, other)
        if self.creep == 0:
            sums[1] = sums[:, 1] = 0.0
            sums[1, 1] = 1.0
        return np.asarray(np.linalg.inv(sums), np.float64)

    @property
    def _columns(self) -> list[int]:
        """Places within the sums of constant, creep and response."""
        cosine = SHARED + self.at
        return [CONSTANT, CREEP + max(self.creep, 1) - 1, cosine, cosine + self.sums.own.shape[1]]


@dataclass(frozen=True, slots=True)
class Settled:
    """The settled value by the record so far, in units of the scale.

    ``half_width`` holds it with 95 %, ``left`` is what the approach and a creep
    may still lack now. What is seldom asked is worked out when it is: from the
    mixture (weights, values off ``value``, spreads), and from its likeliest
    fit, whose value has that ``precision``.
    """

    value: float
    half_width: float
    left: float
    mixture: tuple[Floats, Floats, Floats]
    best: Best
    precision: float

    def beyond(self, allowed: float) -> float:
        """Chance of an error above the half-width by ``allowed``, a share of the value."""
        return outside(*self.mixture, self.half_width + allowed * abs(self.value))

    def swing_share(self) -> float:
        """How much of the variance of the value comes from a moving test pressure."""
        return float(1 - self.best.inverse()[0, 0] * self.precision)
