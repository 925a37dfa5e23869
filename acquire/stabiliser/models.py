"""Many small linear Gaussian models solved at once, in closed form.

A model has a settled value, two columns of a response and one of a creep or
none. Sources: D. J. C. MacKay, Neural Computation 4 (1992) 415 (evidence);
Golub & Van Loan, Matrix Computations (1996), 4.1.2 (L D L' factors).
"""

from dataclasses import dataclass

import numpy as np

from acquire.series import Floats

_LEAST_PIVOT = 1e-13
"""Columns that cannot be told apart leave rounding errors only."""


@dataclass(frozen=True, slots=True)
class Fits:
    """Of each model, shape (1 + creeps, responses), no creep first: settled value and its precision, the other
    coefficients, log evidence.

    The evidence is for flat priors of unit size: half the logarithms of the priors' own are to be added.
    """

    value: Floats
    precision: Floats
    first: Floats
    second: Floats
    creep: Floats
    evidence: Floats


def solve(shared: Floats, own: Floats) -> Fits:
    """Fit every model to sums weighted by precision, priors added.

    ``shared``: of constant, creeps and reading with themselves, with the first
    columns of all responses and with their second ones, shape (2 + creeps, 2 +
    creeps + 2 * responses); ``own``: first squared, first by second, second
    squared, shape (3, responses). Eliminated in this order: response, creep, settled value.
    """
    k, n = shared.shape[0], own.shape[1]
    common, first, second = shared[:, :k], shared[:, k : k + n], shared[:, k + n :]
    creeps = slice(1, k - 1)
    pivot0 = own[0]
    swing = own[1] / pivot0
    low0 = first / pivot0
    pivot1 = np.maximum(own[2] - swing * own[1], _LEAST_PIVOT * own[2])
    rest = second - swing * first
    low1 = rest / pivot1
    # constant, creeps and reading with the constant, once the response is taken out
    with_constant = common[:, :1] - first * low0[0] - rest * low1[0]
    size = common.diagonal()[creeps, None]
    pivot2 = np.ones((k - 1, n))
    pivot2[1:] = size - first[creeps] * low0[creeps] - rest[creeps] * low1[creeps]
    np.maximum(pivot2[1:], _LEAST_PIVOT * size, out=pivot2[1:])
    constant, read = np.zeros((k - 1, n)), np.zeros((k - 1, n))
    constant[1:] = with_constant[creeps]
    read[1:] = common[creeps, -1:] - first[creeps] * low0[-1] - rest[creeps] * low1[-1]
    low2 = constant / pivot2
    pivot3 = np.maximum(with_constant[0] - low2 * constant, _LEAST_PIVOT * common[0, 0])
    value = (with_constant[-1] - low2 * read) / pivot3
    alone = read / pivot2
    creep = alone - low2 * value
    # without a creep its coefficient is nothing, whatever stands in its row
    second_part = low1[-1] - low1[:-1] * creep - low1[0] * value
    first_part = low0[-1] - swing * second_part - low0[:-1] * creep - low0[0] * value
    explained = first[-1] * low0[-1] + rest[-1] * low1[-1] + read * alone + pivot3 * value * value
    # one logarithm instead of four: the product of four pivots stays far inside the range of a float
    evidence = 0.5 * (explained - np.log(pivot0 * pivot1 * pivot2 * pivot3))
    return Fits(value, pivot3, first_part, second_part, creep, evidence)
