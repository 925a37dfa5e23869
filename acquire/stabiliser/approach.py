"""What is left of the approach: every response the bench may have, weighed by the record.

From the moment the valve has come to rest, the flow referred to the test
pressure is taken as

    settled value + free decay of the bench's response + perhaps a creep
    + effects of a moving test pressure that average to nothing + noise

for a grid of responses (first order; second order with damping below one)
and of creeps. Each combination is a linear model with normal priors, so its
fit and its evidence are closed forms in sums that grow block by block; the
settled value is the mixture of all of them. Where the record cannot tell yet
whether something slow is still under way, the mixture is wide, and says so.

Sources: linear Gaussian models and evidence, D. J. C. MacKay, Neural
Computation 4 (1992) 415; model averaging, Hoeting et al., Statistical Science
14 (1999) 382; AR(1) likelihood, Box & Jenkins, Time Series Analysis (1970).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.mixture import half_width, outside
from acquire.stabiliser.models import product, solve
from acquire.stabiliser.noise import Noise
from acquire.stabiliser.responses import (
    ALWAYS,
    CONSTANT,
    COSINES,
    CREEP_COLUMNS,
    CREEPS,
    FIRST,
    INDEX,
    LAGS,
    NEAR,
    NOTHING,
    OPEN,
    OPEN_SHARE,
    RATES,
    READING,
    SINES,
    SIZE,
    Columns,
    Learned,
    unlearned,
)
from acquire.stabiliser.sums import Sums

MISFIT = 0.2
"""No bench is quite of first or second order: so much of what is still lacking is not trusted."""
LATE = 0.03
"""From so much on that is still lacking the sums begin anew: a grid of responses is too coarse for more."""
TRUST = 0.3
"""Power to which the evidence of a large approach is taken: against a coarse grid it proves too much."""
_PRUNE = 4e-3
APPROACH_SIZE = 0.2
"""Least root mean square of what the approach lacks when the valve has come to rest."""


@dataclass(frozen=True, slots=True)
class CreepPrior:
    """How often a reading creeps after a move, and by how much (root mean square, of the reading)."""

    chance: float
    size: float

    @property
    def log_weights(self) -> Floats:
        """Of no creep, and of each one on the grid."""
        return np.asarray(np.log([1 - self.chance] + [self.chance / CREEPS] * CREEPS))


@dataclass(frozen=True, slots=True)
class Settled:
    """The settled value by the record so far, in units of the scale.

    ``half_width`` holds it with 95 %, ``beyond`` is the chance of an error
    above that by the one allowed, ``left`` what the approach and a creep may
    still lack now, ``swing_share`` how much of the variance of the
    value comes from a moving test pressure.
    """

    value: float
    half_width: float
    beyond: float
    left: float
    swing_share: float
    creep_chance: float


class Approach:
    """The sums of one stay, and the fit of all models to them."""

    def __init__(self, block_s: float, creep: CreepPrior, learned: Learned | None = None) -> None:
        self._block_s = block_s
        self._creep = creep
        self._creep_weights = creep.log_weights
        self.learned = learned or unlearned()
        self.begin()

    def begin(self) -> None:
        """Forget all of this stay: the valve has moved."""
        self._belief = self.learned.response
        self._late_since_s: float | None = None
        self._clear()

    def _clear(self) -> None:
        self._sums = Sums()
        self._beta: Floats | None = None
        self._used = 0
        self._active = np.arange(RATES.size)
        self._evidence: Floats | None = None
        self._swing_belief: tuple[Floats, Floats] | None = None

    @property
    def n(self) -> int:
        """Blocks that the fit is made from."""
        return self._sums.n

    @property
    def reading(self) -> float:
        """Size of the latest reading, in scales; never 0."""
        return max(abs(self._sums.last_reading), 1e-9) if self.n else 1.0

    @property
    def rough(self) -> float:
        """Mean square second difference of the readings."""
        return self._sums.rough

    def add(self, since_s: float, y: float, swings: Sequence[float], gap: bool) -> None:
        """One block: time since the valve came to rest, reading in scales, pressure effects (lags,)."""
        self._sums.add(since_s, y, swings, gap)

    def residuals(self) -> tuple[float, float, float]:
        """Of the best fit: sum of squares, of neighbours' products, number of parameters; zeros before any."""
        if self._beta is None:
            return 0.0, 0.0, 0.0
        return *self._sums.residuals(self._columns, self._beta), float(self._used)

    def settle(self, noise: Noise, factor: float, digit: float, allowed: float, full: bool) -> Settled:
        """The settled value; needs at least one block.

        ``factor`` widens for an uncertain noise, ``digit`` is the relative standard
        uncertainty from the meter's digits; ``beyond`` counts errors above
        the half-width and ``allowed`` (a share of the reading); ``full`` tries every response,
        otherwise those that the last full one left standing.
        """
        last = self._sums.last
        level = self.reading
        responses = np.arange(RATES.size) if full else self._active
        index = INDEX[responses]
        there = np.zeros(SIZE, dtype=np.bool_)
        there[index] = there[ALWAYS] = True
        columns = np.flatnonzero(there)
        m, log_prior = self._precision(columns, noise, level)
        swing_part = np.linalg.inv(m[:LAGS, :LAGS]) @ m[:LAGS, LAGS:]
        rest = m[LAGS:, LAGS:] - product(m[:LAGS, LAGS:], swing_part)
        places = (np.cumsum(there) - 1)[index]
        fits = solve(rest, places - LAGS)
        evidence = fits.evidence + 0.5 * log_prior[places[..., 1:]].sum(axis=-1) + self._creep_weights
        log_weight = evidence + self._belief[responses][:, None]
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        per_response = weight.sum(axis=1)
        if full:
            top = evidence.max(axis=1)
            self._evidence = top + np.log(np.exp(evidence - top[:, None]).sum(axis=1))
            self._active = np.flatnonzero(per_response > _PRUNE * per_response.max())
        best = np.unravel_index(int(np.argmax(weight)), weight.shape)
        found = np.array([fits.value[best], fits.response[0][best], fits.response[1][best], fits.creep[best]])
        self._remember(columns, places[best], found, m, swing_part)
        used = weight > 1e-5
        w = weight[used] / weight[used].sum()
        # a swinging approach lacks its envelope, whatever its phase is now
        now = last[index[used]]
        first, second = (part[used] for part in fits.response)
        left = np.hypot(first, second) * np.hypot(now[:, 1], now[:, 2]) + np.abs(fits.creep[used] * now[:, 3])
        mu = fits.value[used]
        sd = np.sqrt(factor**2 * fits.variance[used] + (MISFIT * left) ** 2 + (digit * level) ** 2)
        value = float(w @ mu)
        half = half_width(w, mu - value, sd)
        lacking = float(w @ left)
        if full and self._late_since_s is None and lacking < LATE * level and half < 3 * LATE * level:
            self._narrow(per_response, level)
        bare = np.linalg.inv(m[places[best][:, None], places[best]])[0, 0]
        return Settled(
            value=value,
            half_width=half,
            beyond=outside(w, mu - value, sd, half + allowed * abs(value)),
            left=lacking,
            swing_share=float(1 - bare / fits.variance[best]),
            creep_chance=float(weight[:, 1:].sum()),
        )

    def _narrow(self, weight: Floats, level: float) -> None:
        """Begin the sums anew with what the large part of the approach has shown of the response."""
        self._late_since_s = self._sums.since_s
        if abs(self._sums.first_reading - level) > LATE * level:
            tempered = weight**TRUST
            self._belief = np.log((1 - OPEN_SHARE) * (NEAR @ (tempered / tempered.sum())) + OPEN_SHARE * OPEN)
            self._clear()

    def _precision(self, columns: Columns, noise: Noise, level: float) -> tuple[Floats, Floats]:
        """Sums of some columns weighted by the inverse of the noise, priors added; logarithms of the priors."""
        m = self._sums.weighted(columns, noise, self._block_s)
        prior = np.zeros(SIZE)
        moved = abs(self._sums.first_reading - self._sums.last_reading)
        if self._late_since_s is None:
            prior[COSINES:CREEP_COLUMNS] = (APPROACH_SIZE * level + moved) ** -2
        else:
            envelope = np.exp(-RATES * self._late_since_s) / (1.5 * LATE * level)
            prior[COSINES:SINES] = envelope**2
            prior[SINES:CREEP_COLUMNS] = envelope[FIRST:] ** 2
        np.maximum(prior, 1e-12, out=prior)
        prior[: CONSTANT + 1] = 0.0
        prior[CREEP_COLUMNS:NOTHING] = (self._creep.size * level) ** -2
        prior[NOTHING:READING] = 1.0
        prior[READING] = 0.0
        prior = prior[columns]
        m[np.arange(columns.size), np.arange(columns.size)] += prior
        precision = self.learned.precision / level**2
        m[:LAGS, :LAGS] += precision
        pull = precision @ self.learned.swings * level
        m[:LAGS, -1] += pull
        m[-1, :LAGS] += pull
        return m, np.log(np.where(prior > 0, prior, 1.0))

    def _remember(self, columns: Columns, places: Columns, beta: Floats, m: Floats, swing_part: Floats) -> None:
        """The best fit in full, and what it says of a moving pressure."""
        real = columns[places] < NOTHING
        fit = np.zeros(columns.size)
        fit[places[real]] = beta[real]
        fit[-1] = -1.0
        fit[:LAGS] = -swing_part @ fit[LAGS:]
        there = fit != 0
        self._columns = columns[there]
        self._beta = fit[there]
        self._used = int(real.sum())
        cross = m[:LAGS][:, places]
        precision = m[:LAGS, :LAGS] - cross @ np.linalg.inv(m[places[:, None], places]) @ cross.T
        level = abs(float(beta[0])) or 1.0
        self._swing_belief = (fit[:LAGS] / level, precision * level**2)

    def learn(self) -> None:
        """Carry what this step showed over to the next one."""
        if self._evidence is None or self._swing_belief is None:
            return
        log = self._belief + self._evidence
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        weight = (1 - OPEN_SHARE) * (NEAR @ weight) + OPEN_SHARE * OPEN
        swings, precision = self._swing_belief
        # a step's belief counts half at the next one, and never below a spread of 0.03
        softened = np.linalg.inv(np.linalg.inv(precision) * 2.0 + np.eye(LAGS) * 0.03**2)
        self.learned = Learned(np.log(weight), swings, np.asarray(softened, dtype=np.float64))
