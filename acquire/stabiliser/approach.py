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

from dataclasses import dataclass

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.mixture import half_width, outside
from acquire.stabiliser.noise import Noise, whitening
from acquire.stabiliser.responses import (
    ALWAYS,
    CONSTANT,
    COSINES,
    CREEP_COLUMNS,
    CREEP_PRIOR,
    DECAYS,
    FIRST,
    INDEX,
    LAGS,
    NEAR,
    NOTHING,
    OMEGA,
    OPEN,
    RATES,
    READING,
    SINES,
    SIZE,
    Columns,
    Learned,
    unlearned,
)

MISFIT = 0.2
"""No bench is quite of first or second order: so much of what is still lacking is not trusted."""
LATE = 0.03
"""From so much on that is still lacking the sums begin anew: a grid of responses is too coarse for more."""
TRUST = 0.3
"""Power to which the evidence of a large approach is taken: against a coarse grid it proves too much."""
_PRUNE = 4e-3
_AT_ONCE = 64
APPROACH_SIZE = 0.2
"""Least root mean square of what the approach lacks when the valve has come to rest."""
CREEP_SIZE = 0.012
"""Root mean square of such a creep, as a share of the reading."""


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

    def __init__(self, block_s: float, learned: Learned | None = None) -> None:
        self._block_s = block_s
        self.learned = learned or unlearned()
        self.begin()

    def begin(self) -> None:
        """Forget all of this stay: the valve has moved."""
        self._belief = self.learned.response
        self._late_since_s: float | None = None
        self._clear()

    def _clear(self) -> None:
        self._g0 = np.zeros((SIZE, SIZE))
        self._g1 = np.zeros((SIZE, SIZE))
        self._ends: list[Floats] = []
        self._new: list[Floats] = []
        self._tail: Floats | None = None
        self._last: Floats | None = None
        self._before: Floats | None = None
        self._first = 0.0
        self._since_s = 0.0
        self._bends = 0.0
        self._beta: Floats | None = None
        self._used = 0
        self._active = np.arange(RATES.size)
        self._evidence: Floats | None = None
        self._swing_belief: tuple[Floats, Floats] | None = None
        self.n = 0

    def add(self, since_s: float, y: float, swings: Floats, gap: bool) -> None:
        """One block: time since the valve came to rest, reading in scales, pressure effects (lags,)."""
        z = np.zeros(SIZE)
        decay = np.exp(-DECAYS * since_s)
        z[:LAGS] = swings
        z[CONSTANT] = 1.0
        z[COSINES:SINES] = decay[: RATES.size]
        z[COSINES + FIRST : SINES] *= np.cos(OMEGA * since_s)
        z[SINES:CREEP_COLUMNS] = decay[FIRST : RATES.size] * np.sin(OMEGA * since_s)
        z[CREEP_COLUMNS:NOTHING] = decay[RATES.size :]
        z[READING] = y
        if self._last is None:
            self._ends.append(z)
            self._first = y
        elif gap:
            self._sum()
            self._tail = None
            self._ends += [self._last, z]
            self._before = None
        else:
            if self._before is not None:
                self._bends += float(y - 2 * self._last[READING] + self._before[READING]) ** 2
            self._before = self._last
        self._new.append(z)
        self._last = z
        self._since_s = since_s
        self.n += 1
        if len(self._new) >= _AT_ONCE:
            self._sum()

    def _sum(self) -> None:
        """Add the new blocks to the sums, all at once: a product of matrices is cheaper than many small ones."""
        if not self._new:
            return
        rows = np.array(self._new)
        self._g0 += _product(rows, rows)
        joined = rows if self._tail is None else np.vstack([self._tail, rows])
        self._g1 += _product(joined[1:], joined[:-1])
        self._tail = rows[-1]
        self._new.clear()

    def rough(self) -> float:
        """Mean square second difference of the readings: an approach hardly shows in it."""
        return self._bends / max(self.n - 2, 1)

    def residuals(self) -> tuple[float, float, float]:
        """Of the best fit: sum of squares, of neighbours' products, number of parameters; zeros before any."""
        if self._beta is None:
            return 0.0, 0.0, 0.0
        self._sum()
        columns, beta = self._columns, self._beta
        square = float(beta @ self._g0[columns[:, None], columns] @ beta)
        return max(square, 0.0), float(beta @ self._g1[columns[:, None], columns] @ beta), float(self._used)

    def settle(self, noise: Noise, factor: float, digit: float, allowed: float, full: bool) -> Settled:
        """The settled value; needs at least one block.

        ``factor`` widens for an uncertain noise, ``digit`` is the relative standard
        uncertainty from the meter's digits; ``beyond`` counts errors above
        the half-width and ``allowed`` (a share of the reading); ``full`` tries every response,
        otherwise those that the last full one left standing.
        """
        assert self._last is not None
        level = max(abs(float(self._last[READING])), 1e-9)
        responses = np.arange(RATES.size) if full else self._active
        self._sum()
        index = INDEX[responses]
        there = np.zeros(SIZE, dtype=np.bool_)
        there[index] = there[ALWAYS] = True
        columns = np.flatnonzero(there)
        m, log_prior = self._precision(columns, noise, level)
        swing_part = np.linalg.inv(m[:LAGS, :LAGS]) @ m[:LAGS, LAGS:]
        rest = m[LAGS:, LAGS:] - _product(m[:LAGS, LAGS:], swing_part)
        places = (np.cumsum(there) - 1)[index]
        at = places - LAGS
        a = rest[at[..., :, None], at[..., None, :]]
        b = rest[at, -1]
        inverse = np.linalg.inv(a)
        beta = np.einsum("rcij,rcj->rci", inverse, b)
        size = log_prior[places[..., 1:]].sum(axis=-1)
        evidence = 0.5 * (beta * b).sum(axis=-1) + 0.5 * (size - np.log(np.linalg.det(a))) + CREEP_PRIOR
        log_weight = evidence + self._belief[responses][:, None]
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        per_response = weight.sum(axis=1)
        if full:
            top = evidence.max(axis=1)
            self._evidence = top + np.log(np.exp(evidence - top[:, None]).sum(axis=1))
            self._active = np.flatnonzero(per_response > _PRUNE * per_response.max())
        best = np.unravel_index(int(np.argmax(weight)), weight.shape)
        self._remember(columns, places[best], beta[best], m, swing_part)
        used = weight > 1e-5
        w = weight[used] / weight[used].sum()
        # a swinging approach lacks its envelope, whatever its phase is now
        now = self._last[index[used]]
        part = beta[used]
        left = np.hypot(part[:, 1], part[:, 2]) * np.hypot(now[:, 1], now[:, 2]) + np.abs(part[:, 3] * now[:, 3])
        mu = beta[used][:, 0]
        sd = np.sqrt(factor**2 * inverse[used][:, 0, 0] + (MISFIT * left) ** 2 + (digit * level) ** 2)
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
            swing_share=float(1 - bare / inverse[best][0, 0]),
            creep_chance=float(weight[:, 1:].sum()),
        )

    def _narrow(self, weight: Floats, level: float) -> None:
        """Begin the sums anew with what the large part of the approach has shown of the response."""
        self._late_since_s = self._since_s
        if abs(self._first - level) > LATE * level:
            tempered = weight**TRUST
            self._belief = np.log(0.97 * (NEAR @ (tempered / tempered.sum())) + 0.03 * OPEN)
            self._clear()

    def _precision(self, columns: Columns, noise: Noise, level: float) -> tuple[Floats, Floats]:
        """Sums of some columns weighted by the inverse of the noise, priors added; logarithms of the priors."""
        assert self._last is not None
        f, innovation = whitening(noise, self._block_s)
        square = columns[:, None], columns
        crossed = self._g1[square]
        ends = np.array([*self._ends, self._last])[:, columns]
        m = (1 + f * f) * self._g0[square] - f * (crossed + crossed.T) - f * f * _product(ends, ends)
        m /= innovation
        prior = np.zeros(SIZE)
        moved = abs(self._first - float(self._last[READING]))
        if self._late_since_s is None:
            prior[COSINES:CREEP_COLUMNS] = (APPROACH_SIZE * level + moved) ** -2
        else:
            envelope = np.exp(-RATES * self._late_since_s) / (1.5 * LATE * level)
            prior[COSINES:SINES] = envelope**2
            prior[SINES:CREEP_COLUMNS] = envelope[FIRST:] ** 2
        np.maximum(prior, 1e-12, out=prior)
        prior[: CONSTANT + 1] = 0.0
        prior[CREEP_COLUMNS:NOTHING] = (CREEP_SIZE * level) ** -2
        prior[NOTHING:READING] = 1.0
        prior[READING] = 0.0
        prior = prior[columns]
        m[np.arange(columns.size), np.arange(columns.size)] += prior
        precision = self.learned.precision / level**2
        m[:LAGS, :LAGS] += precision
        pull = precision @ self.learned.swings * level
        m[:LAGS, -1] += pull
        m[-1, :LAGS] += pull
        return np.asarray(m), np.log(np.where(prior > 0, prior, 1.0))

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
        weight = 0.97 * (NEAR @ weight) + 0.03 * OPEN
        swings, precision = self._swing_belief
        # a step's belief counts half at the next one, and never below a spread of 0.03
        softened = np.linalg.inv(np.linalg.inv(precision) * 2.0 + np.eye(LAGS) * 0.03**2)
        self.learned = Learned(np.log(weight), swings, np.asarray(softened, dtype=np.float64))


def _product(a: Floats, b: Floats) -> Floats:
    """a transposed times b, few rows: not by BLAS, whose threads would cost more than they save."""
    return np.asarray(np.einsum("ki,kj->ij", a, b))
