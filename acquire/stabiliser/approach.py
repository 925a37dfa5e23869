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
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acquire.series import Floats
from acquire.stabiliser.mixture import half_width
from acquire.stabiliser.models import solve
from acquire.stabiliser.noise import Noise
from acquire.stabiliser.responses import (
    CONSTANT,
    COSINES,
    CREEP,
    CREEPS,
    FIRST,
    LAGS,
    NEAR,
    OPEN,
    OPEN_SHARE,
    RATES,
    READING,
    RESPONSES,
    SHARED,
    SINES,
    SIZE,
    Learned,
    unlearned,
)
from acquire.stabiliser.settled import Best, Settled
from acquire.stabiliser.sums import Products, Sums

MISFIT = 0.2
"""No bench is quite of first or second order: so much of what is still lacking is not trusted."""
LATE = 0.03
"""From so much on that is still lacking the sums begin anew: a grid of responses is too coarse for more."""
TRUST = 0.3
"""Power to which the evidence of a large approach is taken: against a coarse grid it proves too much."""
_PRUNE = 4e-3
_COUNTS = 1e-5
"""Weight from which a model takes part in the mixture."""
_CREEPING = slice(CREEP * (SIZE + 1), READING * (SIZE + 1), SIZE + 1)
"""Squares of the creeps within the flat sums of the shared columns."""
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


class _Tried(NamedTuple):
    """Responses that take part in a fit, by their places on the grid, and the columns of all its models."""

    responses: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]

    @classmethod
    def of(cls, responses: npt.NDArray[np.intp]) -> "_Tried":
        """Of some responses."""
        return cls(responses, np.concatenate([np.arange(SHARED), COSINES + responses, SINES + responses]))


_EVERY = _Tried.of(np.arange(RESPONSES))


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
        # what was left of each response when the sums began anew
        self._late: Floats | None = None
        self._clear()

    def _clear(self) -> None:
        self._sums = Sums()
        self._best: Best | None = None
        self._active = _EVERY
        self._evidence: Floats | None = None

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
        its = self._best
        if its is None:
            return 0.0, 0.0, 0.0
        return *self._sums.residuals(its.shared, its.pair, its.response), its.parameters

    def settle(self, noise: Noise, factor: float, digit: float, full: bool) -> Settled:
        """The settled value; needs at least one block.

        ``factor`` widens for an uncertain noise, ``digit`` is the relative standard
        uncertainty from the meter's digits; ``full`` tries every response, otherwise
        those that the last full one left standing.
        """
        level = self.reading
        m, priors = self._precision(noise, level)
        last, belief, tried = self._sums.last, self._belief, _EVERY
        if not full:
            tried = self._active
            belief, priors = belief.take(tried.responses), priors.take(tried.responses, axis=1)
            m = Products(m.shared.take(tried.columns, axis=1), m.own.take(tried.responses, axis=1))
            last = last.take(tried.columns)
        count = tried.responses.size
        lags = m.shared[:LAGS]
        swing_part = np.linalg.inv(lags[:, :LAGS]) @ lags[:, LAGS:]
        rest = m.shared[LAGS:, LAGS:] - lags[:, LAGS:SHARED].T @ swing_part
        beside, moved = lags[:, SHARED:], swing_part[:, SHARED - LAGS :]
        own = m.own.copy()
        own[::2] -= (beside * moved).sum(axis=0).reshape(2, count)
        own[1] -= (beside[:, :count] * moved[:, count:]).sum(axis=0)
        fits = solve(rest, own)
        of_creeps = self._creep_weights.copy()
        of_creeps[1:] -= np.log(self._creep.size * level)
        logs = np.log(priors)
        evidence = fits.evidence + 0.5 * (logs[0] + logs[1]) + of_creeps[:, None]
        weight = evidence + belief
        weight -= weight.max()
        np.exp(weight, out=weight)
        weight /= weight.sum()
        if full:
            per_response = weight.sum(axis=0)
            top = evidence.max(axis=0)
            self._evidence = top + np.log(np.exp(evidence - top).sum(axis=0))
            self._active = _Tried.of(np.flatnonzero(per_response > _PRUNE * per_response.max()))
        best = int(weight.argmax())
        creep, at = divmod(best, count)
        pair = np.array([fits.first.item(best), fits.second.item(best)])
        shared = np.zeros(SHARED)
        shared[CONSTANT], shared[READING] = fits.value.item(best), -1.0
        if creep > 0:
            shared[CREEP + creep - 1] = fits.creep.item(best)
        shared[:LAGS] = -(swing_part[:, : SHARED - LAGS] @ shared[LAGS:] + moved[:, [at, count + at]] @ pair)
        self._best = its = Best(shared, pair, int(tried.responses[at]), creep, m, at)
        (used,) = (weight > _COUNTS).ravel().nonzero()
        w = weight.take(used)
        w /= w.sum()
        # a swinging approach lacks its envelope, whatever its phase is now
        lacking = np.hypot(fits.first, fits.second) * np.hypot(last[SHARED : SHARED + count], last[SHARED + count :])
        lacking[1:] += np.abs(fits.creep[1:] * last[CREEP:READING, None])
        left = lacking.take(used)
        mu = fits.value.take(used)
        variance = 1 / fits.precision.take(used)
        sd = np.sqrt(factor**2 * variance + (MISFIT * left) ** 2 + (digit * level) ** 2)
        value = float(w @ mu)
        mu -= value
        half = half_width(w, mu, sd)
        likely = float(w @ left)
        if full and self._late is None and likely < LATE * level and half < 3 * LATE * level:
            self._narrow(weight.sum(axis=0), level)
        return Settled(value, half, likely, (w, mu, sd), its, fits.precision.item(best))

    def _narrow(self, weight: Floats, level: float) -> None:
        """Begin the sums anew with what the large part of the approach has shown of the response."""
        self._late = np.exp(-RATES * self._sums.since_s)
        if abs(self._sums.first_reading - level) > LATE * level:
            tempered = weight**TRUST
            self._belief = np.log((1 - OPEN_SHARE) * (NEAR @ (tempered / tempered.sum())) + OPEN_SHARE * OPEN)
            self._clear()

    def _precision(self, noise: Noise, level: float) -> tuple[Products, Floats]:
        """The sums weighted by the inverse of the noise, priors added; the priors of the responses' two columns."""
        m = self._sums.weighted(noise, self._block_s)
        priors = np.ones((2, RESPONSES))
        if self._late is None:
            moved = abs(self._sums.first_reading - self._sums.last_reading)
            priors[0] = priors[1, FIRST:] = max((APPROACH_SIZE * level + moved) ** -2, 1e-12)
        else:
            priors[0] = np.maximum((self._late / (1.5 * LATE * level)) ** 2, 1e-12)
            priors[1, FIRST:] = priors[0, FIRST:]
        m.own[::2] += priors
        m.shared.reshape(-1)[_CREEPING] += (self._creep.size * level) ** -2
        precision = self.learned.precision / level**2
        m.shared[:LAGS, :LAGS] += precision
        pull = precision @ self.learned.swings * level
        m.shared[:LAGS, READING] += pull
        m.shared[READING, :LAGS] += pull
        return m, priors

    def learn(self) -> None:
        """Carry what this step showed over to the next one."""
        if self._evidence is None or self._best is None:
            return
        log = self._belief + self._evidence
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        weight = (1 - OPEN_SHARE) * (NEAR @ weight) + OPEN_SHARE * OPEN
        swings, precision = self._best.swings()
        # a step's belief counts half at the next one, and never below a spread of 0.03
        softened = np.linalg.inv(np.linalg.inv(precision) * 2.0 + np.eye(LAGS) * 0.03**2)
        self.learned = Learned(np.log(weight), swings, np.asarray(softened, dtype=np.float64))
