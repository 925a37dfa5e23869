"""The sums of one stay that every model of it is fitted from: they grow block by block."""

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.models import product
from acquire.stabiliser.noise import Noise, whitening
from acquire.stabiliser.responses import (
    CONSTANT,
    COSINES,
    CREEP_COLUMNS,
    DECAYS,
    FIRST,
    LAGS,
    NOTHING,
    OMEGA,
    RATES,
    READING,
    SINES,
    SIZE,
    Columns,
)

_AT_ONCE = 64


class Sums:
    """Products of columns within blocks and between neighbours, and what first and last blocks were."""

    def __init__(self) -> None:
        self._g0 = np.zeros((SIZE, SIZE))
        self._g1 = np.zeros((SIZE, SIZE))
        self._ends: list[Floats] = []
        self._new: list[Floats] = []
        self._tail: Floats | None = None
        self._before: Floats | None = None
        self._bends = 0.0
        self.last: Floats | None = None
        self.first_reading = 0.0
        self.since_s = 0.0
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
        if self.last is None:
            self._ends.append(z)
            self.first_reading = y
        elif gap:
            self._gather()
            self._tail = None
            self._ends += [self.last, z]
            self._before = None
        else:
            if self._before is not None:
                self._bends += float(y - 2 * self.last[READING] + self._before[READING]) ** 2
            self._before = self.last
        self._new.append(z)
        self.last = z
        self.since_s = since_s
        self.n += 1
        if len(self._new) >= _AT_ONCE:
            self._gather()

    def _gather(self) -> None:
        """Add the new blocks to the sums, all at once: a product of matrices is cheaper than many small ones."""
        if not self._new:
            return
        rows = np.array(self._new)
        self._g0 += product(rows, rows)
        joined = rows if self._tail is None else np.vstack([self._tail, rows])
        self._g1 += product(joined[1:], joined[:-1])
        self._tail = rows[-1]
        self._new.clear()

    @property
    def rough(self) -> float:
        """Mean square second difference of the readings: an approach hardly shows in it."""
        return self._bends / max(self.n - 2, 1)

    def residuals(self, columns: Columns, beta: Floats) -> tuple[float, float]:
        """Sum of squares of a fit's residuals, and of the products of neighbours."""
        self._gather()
        square = columns[:, None], columns
        return max(float(beta @ self._g0[square] @ beta), 0.0), float(beta @ self._g1[square] @ beta)

    def weighted(self, columns: Columns, noise: Noise, block_s: float) -> Floats:
        """Sums of some columns, weighted by the inverse of the noise."""
        assert self.last is not None
        self._gather()
        f, innovation = whitening(noise, block_s)
        square = columns[:, None], columns
        crossed = self._g1[square]
        ends = np.array([*self._ends, self.last])[:, columns]
        m = (1 + f * f) * self._g0[square]
        m -= f * (crossed + crossed.T)
        m -= f * f * product(ends, ends)
        m /= innovation
        return np.asarray(m)
