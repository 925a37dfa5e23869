"""A curve through reference points: straight line or quadratic, with what the points say of its trust.

Pure. Least squares of the reference on the number received (JCGM 100:2008,
H.3, for the straight line), through a QR decomposition of the centred and
scaled numbers, so that large raw counts cost no digits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acquire.calibration.record import Fit, ReferencePoint

LEAST_REFERENCES: dict[Fit, int] = {"line": 3, "quadratic": 5}
# two references of a water column are the same place when they lie this near, in shares of the span
SAME_PLACE = 0.01


@dataclass(frozen=True, slots=True)
class Fitted:
    """Coefficients (lowest power first), their covariance, and the residuals: curve minus reference."""

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    dof: int
    residuals: tuple[float, ...]
    hysteresis: float


def fit_points(points: Sequence[ReferencePoint], fit: Fit, least_sd: float = 0.0) -> Fitted:
    """The curve through the points, and how they lie about it.

    ``least_sd``: what rounding to a digit hides, in the references' unit; the
    residuals are never taken for finer. Raises ``ValueError`` with one
    sentence for points that give no curve.
    """
    x = np.array([point.number for point in points], np.float64)
    y = np.array([point.reference for point in points], np.float64)
    terms = 2 if fit == "line" else 3
    _check(x, y, fit)
    centre, spread = float(x.mean()), float(np.max(np.abs(x - x.mean())))
    scaled = np.vander((x - centre) / spread, terms, increasing=True)
    q, r = np.linalg.qr(scaled)
    if np.min(np.abs(np.diag(r))) < 1e-10 * np.max(np.abs(np.diag(r))):
        raise ValueError(f"the readings lie at too few different values for a {fit}: take more references")
    inverse = np.linalg.inv(r)
    local = inverse @ (q.T @ y)
    residuals = scaled @ local - y
    dof = len(points) - terms
    sd = max(math.sqrt(float(residuals @ residuals) / dof), least_sd)
    back = _powers_of_line(centre, spread, terms)
    covariance = back @ (inverse @ inverse.T) @ back.T * sd**2
    coefficients = back @ local
    errors = tuple(map(float, residuals))
    found = Fitted(
        coefficients=tuple(map(float, coefficients)),
        covariance=tuple(tuple(map(float, row)) for row in covariance),
        residual_sd=sd,
        dof=dof,
        residuals=errors,
        hysteresis=hysteresis(points, errors),
    )
    _check_monotone(found.coefficients, float(x.min()), float(x.max()))
    return found


def hysteresis(points: Sequence[ReferencePoint], errors: Sequence[float]) -> float:
    """The largest |up - down| at one reference; 0 where no reference was visited both ways.

    The errors are compared, not the readings: a column of water never stands at the same height twice.
    """
    near = SAME_PLACE * _span([point.reference for point in points])
    both = [
        abs(up_error - down_error)
        for up, up_error in zip(points, errors, strict=True)
        for down, down_error in zip(points, errors, strict=True)
        if not up.falling and down.falling and abs(up.reference - down.reference) <= near
    ]
    return max(both, default=0.0)


def directed(pairs: Sequence[tuple[float, float]]) -> list[tuple[float, float, bool]]:
    """(reference, number) pairs in the order taken, with whether each was taken on the way down.

    Raises ``ValueError`` when the references do not first rise and then fall.
    """
    references = [reference for reference, _ in pairs]
    top = references.index(max(references)) if references else 0
    for i, (before, after) in enumerate(pairwise(references), 1):
        if (i <= top and after < before) or (i > top and after > before):
            raise ValueError(
                f"the references are out of order: {after:g} comes after {before:g} (point {i + 1}); "
                "go up to the highest one first, then down"
            )
    return [(reference, number, i > top) for i, (reference, number) in enumerate(pairs)]


def different(references: Sequence[float]) -> int:
    """How many different references there are."""
    ordered, near = sorted(references), SAME_PLACE * _span(references)
    return sum(i == 0 or its - ordered[i - 1] > near for i, its in enumerate(ordered))


def _check(x: NDArray[np.float64], y: NDArray[np.float64], fit: Fit) -> None:
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("a reference or a reading is not a number: correct it")
    found, least = different(y.tolist()), LEAST_REFERENCES[fit]
    if found < least or len(x) < least:
        raise ValueError(
            f"a {fit} needs at least {least} different references, but there are {found}: take more points"
        )
    if float(x.min()) == float(x.max()):
        raise ValueError("all readings are equal: check that the instrument sees the reference (hose, valve, cable)")


def _check_monotone(coefficients: Sequence[float], low: float, high: float) -> None:
    if len(coefficients) < 3:
        return
    slopes = [coefficients[1] + 2.0 * coefficients[2] * number for number in (low, high)]
    if slopes[0] * slopes[1] <= 0.0:
        turn = -coefficients[1] / (2.0 * coefficients[2])
        raise ValueError(
            f"the quadratic turns round at a reading of {turn:.6g}, inside its own range: use a straight line, "
            "or look for a wrong point"
        )


def _powers_of_line(centre: float, spread: float, terms: int) -> NDArray[np.float64]:
    """Rows: powers of x; columns: powers of (x - centre) / spread."""
    found = np.zeros((terms, terms))
    for power in range(terms):
        for low in range(power + 1):
            found[low, power] = math.comb(power, low) * (-centre) ** (power - low) / spread**power
    return found


def _span(references: Sequence[float]) -> float:
    return max(references, default=0.0) - min(references, default=0.0)
