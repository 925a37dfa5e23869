"""The sums of one stay that every model of it is fitted from: they grow block by block."""

from collections.abc import Sequence

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

_AT_ONCE = 512


class Sums:
    """Products of columns within blocks and between neighbours, and what first and last blocks were."""

    def __init__(self) -> None:
        self._g0 = np.zeros((SIZE, SIZE))
        self._g1 = np.zeros((SIZE, SIZE))
        self._ends: list[Floats] = []
        self._new: list[tuple[float, float, tuple[float, ...], bool]] = []
        self._last: Floats | None = None
        self._before: float | None = None
        self._bends = 0.0
        self.first_reading = 0.0
        self.last_reading = 0.0
        self.since_s = 0.0
        self.n = 0

    def add(self, since_s: float, y: float, swings: Sequence[float], gap: bool) -> None:
        """One block: time since the valve came to rest, reading in scales, pressure effects (lags,)."""
        if self.n == 0:
            self.first_reading = y
        else:
            if self._before is not None:
                self._bends += (y - 2 * self.last_reading + self._before) ** 2
            self._before = self.last_reading
        self._new.append((since_s, y, tuple(swings), gap))
        self.last_reading = y
        self.since_s = since_s
        self.n += 1
        if len(self._new) >= _AT_ONCE:
            self._gather()

    @property
    def last(self) -> Floats:
        """The columns of the latest block; shape (SIZE,). Needs one block."""
        self._gather()
        assert self._last is not None
        return self._last

    def _gather(self) -> None:
        """Add the new blocks to the sums, all at once: while nobody looks they cost nothing."""
        if not self._new:
            return
        rows = _columns(self._new)
        self._g0 += product(rows, rows)
        begins = [i for i, new in enumerate(self._new) if new[3] or (i == 0 and self._last is None)]
        joined = rows if self._last is None else np.vstack([self._last, rows])
        first = len(joined) - len(rows)
        for i in begins:
            if first + i > 0:
                self._ends.append(joined[first + i - 1])
            self._ends.append(rows[i])
        run = 0
        for end in [*(first + i for i in begins if first + i > 0), len(joined)]:
            self._g1 += product(joined[run + 1 : end], joined[run : end - 1])
            run = end
        self._last = rows[-1]
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
        last = self.last
        ends = np.array([*self._ends, last])[:, columns]
        f, innovation = whitening(noise, block_s)
        square = columns[:, None], columns
        crossed = self._g1[square]
        m = (1 + f * f) * self._g0[square]
        m -= f * (crossed + crossed.T)
        m -= f * f * product(ends, ends)
        m /= innovation
        return np.asarray(m)


def _columns(blocks: list[tuple[float, float, tuple[float, ...], bool]]) -> Floats:
    """Every column of every block; shape (blocks, SIZE)."""
    since_s = np.array([block[0] for block in blocks])[:, None]
    z = np.zeros((len(blocks), SIZE))
    decay = np.exp(-DECAYS * since_s)
    z[:, :LAGS] = [block[2] for block in blocks]
    z[:, CONSTANT] = 1.0
    z[:, COSINES:SINES] = decay[:, : RATES.size]
    z[:, COSINES + FIRST : SINES] *= np.cos(OMEGA * since_s)
    z[:, SINES:CREEP_COLUMNS] = decay[:, FIRST : RATES.size] * np.sin(OMEGA * since_s)
    z[:, CREEP_COLUMNS:NOTHING] = decay[:, RATES.size :]
    z[:, READING] = [block[1] for block in blocks]
    return z
