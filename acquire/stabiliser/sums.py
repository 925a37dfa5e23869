"""The sums of one stay that every model of it is fitted from: they grow block by block.

A model has the shared columns and the two of one response, so that of all
products of columns only those with a shared one, and the three within each
response, are ever looked at.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.noise import Noise, whitening
from acquire.stabiliser.responses import (
    CONSTANT,
    COSINES,
    CREEP,
    CREEPS,
    DECAYS,
    LAGS,
    OMEGAS,
    READING,
    RESPONSES,
    SHARED,
    SINES,
    SIZE,
)

_AT_ONCE = 64
"""Rows in one product: from about 80 on BLAS starts threads, which cost more than they save."""
_BESIDE = SHARED * SIZE
_FALLS = -DECAYS


class Products(NamedTuple):
    """Sums of products of columns: ``shared`` with all, (SHARED, SIZE); ``own``: first squared, first by second,
    second squared of each response, (3, RESPONSES)."""

    shared: Floats
    own: Floats

    def of(self, beta: Floats, pair: Floats, response: int) -> float:
        """Beta' sums beta for coefficients of the shared columns (SHARED,) and of one response's two (2,)."""
        first, second = pair.tolist()
        crossed = self.shared[:, COSINES + response] * first + self.shared[:, SINES + response] * second
        square, between, other = self.own[:, response].tolist()
        within = first * first * square + 2 * first * second * between + second * second * other
        return float(beta @ self.shared[:, :SHARED] @ beta + 2 * (beta @ crossed) + within)


class Sums:
    """Products of columns within blocks and between neighbours, and what first and last blocks were."""

    def __init__(self) -> None:
        nothing = _BESIDE + 3 * RESPONSES
        self._within = np.zeros(nothing)
        # both ways round
        self._between = np.zeros(nothing)
        # of the blocks beside a gap, the first and the last one
        self._ends = np.zeros(nothing)
        # time, reading, pressure effects of the blocks that are not in the sums yet, and which of them follow a gap
        self._new: list[tuple[float, ...]] = []
        self._gaps: list[int] = []
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
        if gap:
            self._gaps.append(len(self._new))
        self._new.append((since_s, y, *swings))
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
        joined = rows = _columns(self._new)
        self._within += _products(rows)
        if self._last is None:
            gaps = [i for i in self._gaps if i > 0]
            self._ends += _square(rows[0])
        else:
            joined = np.concatenate([self._last[None], rows])
            gaps = [i + 1 for i in self._gaps]
        for i in gaps:
            self._ends += _products(joined[i - 1 : i + 1])
        for start, end in zip([0, *gaps], [*gaps, len(joined)], strict=True):
            if end - start > 1:
                self._between += _neighbours(joined[start:end])
        self._last = rows[-1]
        self._new.clear()
        self._gaps.clear()

    @property
    def rough(self) -> float:
        """Mean square second difference of the readings: an approach hardly shows in it."""
        return self._bends / max(self.n - 2, 1)

    def residuals(self, beta: Floats, pair: Floats, response: int) -> tuple[float, float]:
        """Sum of squares of a fit's residuals, and of the products of neighbours; see :meth:`Products.of`."""
        self._gather()
        squares = _split(self._within).of(beta, pair, response)
        return max(squares, 0.0), 0.5 * _split(self._between).of(beta, pair, response)

    def weighted(self, noise: Noise, block_s: float) -> Products:
        """The sums, weighted by the inverse of the noise."""
        f, innovation = whitening(noise, block_s)
        ends = _square(self.last)
        ends += self._ends
        ends *= f * f
        m = (1 + f * f) * self._within
        m -= f * self._between
        m -= ends
        m /= innovation
        return _split(m)


def _split(flat: Floats) -> Products:
    return Products(flat[:_BESIDE].reshape(SHARED, SIZE), flat[_BESIDE:].reshape(3, RESPONSES))


def _products(rows: Floats) -> Floats:
    """Of rows with themselves, added up; flat."""
    flat = np.empty(_BESIDE + 3 * RESPONSES)
    shared, own = _split(flat)
    np.matmul(rows[:, :SHARED].T, rows, out=shared)
    pairs = _pairs(rows)
    np.einsum("ijk,ijk->jk", pairs, pairs, out=own[::2])
    np.einsum("ij,ij->j", pairs[:, 0], pairs[:, 1], out=own[1])
    return flat


def _neighbours(rows: Floats) -> Floats:
    """Of each row with the next one, both ways round, added up; flat."""
    flat = np.empty(_BESIDE + 3 * RESPONSES)
    shared, own = _split(flat)
    earlier, later = rows[:-1], rows[1:]
    np.matmul(later[:, :SHARED].T, earlier, out=shared)
    shared += earlier[:, :SHARED].T @ later
    before, after = _pairs(earlier), _pairs(later)
    np.einsum("ijk,ijk->jk", before, after, out=own[::2])
    own[::2] *= 2.0
    crossed = np.einsum("ijk,ijk->jk", after, before[:, ::-1])
    np.add(crossed[0], crossed[1], out=own[1])
    return flat


def _square(row: Floats) -> Floats:
    """Of one row with itself; flat."""
    flat = np.empty(_BESIDE + 3 * RESPONSES)
    shared, own = _split(flat)
    np.multiply(row[:SHARED, None], row, out=shared)
    first, second = pairs = row[COSINES:].reshape(2, RESPONSES)
    np.multiply(pairs, pairs, out=own[::2])
    np.multiply(first, second, out=own[1])
    return flat


def _pairs(rows: Floats) -> Floats:
    """The two columns of each response; shape (rows, 2, RESPONSES)."""
    return rows[:, COSINES:].reshape(-1, 2, RESPONSES)


def _columns(blocks: list[tuple[float, ...]]) -> Floats:
    """Every column of every block; shape (blocks, SIZE)."""
    known = np.array(blocks)
    since_s = known[:, :1]
    z = np.empty((len(blocks), SIZE))
    decay = np.exp(_FALLS * since_s)
    z[:, :LAGS] = known[:, 2:]
    z[:, CONSTANT] = 1.0
    z[:, CREEP:READING] = decay[:, :CREEPS]
    z[:, READING] = known[:, 1]
    swinging = OMEGAS * since_s
    np.multiply(decay[:, CREEPS:], np.cos(swinging), out=z[:, COSINES:SINES])
    np.multiply(decay[:, CREEPS:], np.sin(swinging), out=z[:, SINES:])
    return z
