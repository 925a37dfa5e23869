"""Many small linear Gaussian models solved at once, in closed form.

A model has a settled value, two columns of a response and one of a creep. Sources: D. J. C. MacKay,
Neural Computation 4 (1992) 415 (evidence); Golub & Van Loan, Matrix
Computations (1996), 4.1.2 (L D L' factors).
"""

from dataclasses import dataclass

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.responses import Columns

_ORDER = (1, 2, 3, 0)
"""The settled value last: the last pivot is its precision."""
_ROWS = 10


@dataclass(frozen=True, slots=True)
class Fits:
    """Of each model, arrays of one shape: settled value, its variance, the other coefficients, log evidence.

    The evidence is for flat priors of unit size: half the logarithms of the priors' own are to be added.
    """

    value: Floats
    variance: Floats
    response: tuple[Floats, Floats]
    creep: Floats
    evidence: Floats


def solve(m: Floats, at: Columns) -> Fits:
    """Fit every model. ``m``: sums weighted by precision, the reading last; ``at``: places, shape (..., 4)."""
    places = [at[..., i] for i in _ORDER]
    d: list[Floats] = []
    low: list[list[Floats]] = [[] for _ in range(5)]
    for j in range(4):
        diagonal = m[places[j], places[j]]
        scaled = [low[j][k] * d[k] for k in range(j)]
        pivot = diagonal - _sum_of(scaled, low[j])
        # columns that cannot be told apart leave rounding errors only
        d.append(np.maximum(pivot, 1e-13 * diagonal))
        for i in range(j + 1, 5):
            entry = m[places[j], places[i] if i < 4 else -1]
            low[i].append((entry - _sum_of(scaled, low[i])) / d[j])
    z = low[4]
    value = z[3]
    creep = z[2] - low[3][2] * value
    second = z[1] - low[2][1] * creep - low[3][1] * value
    first = z[0] - low[1][0] * second - low[2][0] * creep - low[3][0] * value
    explained = sum(d[j] * z[j] ** 2 for j in range(4))
    # one logarithm instead of four: the product of four pivots stays far inside the range of a float
    evidence = 0.5 * (explained - np.log(d[0] * d[1] * d[2] * d[3]))
    return Fits(value, 1 / d[3], (first, second), creep, evidence)


def _sum_of(scaled: list[Floats], row: list[Floats]) -> Floats | float:
    return sum(a * b for a, b in zip(scaled, row, strict=False)) if scaled else 0.0


def product(a: Floats, b: Floats) -> Floats:
    """a transposed times b, ten rows at a time: from more on BLAS starts threads, which cost more than they save."""
    total = a[:_ROWS].T @ b[:_ROWS]
    for row in range(_ROWS, a.shape[0], _ROWS):
        total += a[row : row + _ROWS].T @ b[row : row + _ROWS]
    return np.asarray(total)
