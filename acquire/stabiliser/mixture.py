"""How far a mixture of normals reaches."""

from statistics import NormalDist

import numpy as np

from acquire.series import Floats

# the normal distribution as a table: linear between entries, to 1e-6
_SCORES = np.linspace(-7.0, 7.0, 2801)
_CHANCES = np.array([NormalDist().cdf(float(score)) for score in _SCORES])


def outside(w: Floats, off: Floats, sd: Floats, limit: float) -> float:
    """Chance of a mixture of normals to lie farther than ``limit`` from 0."""
    inside = np.interp((limit - off) / sd, _SCORES, _CHANCES) - np.interp((-limit - off) / sd, _SCORES, _CHANCES)
    return float(1 - w @ inside)


def half_width(w: Floats, off: Floats, sd: Floats) -> float:
    """Where 95 % of the mixture lie within, by bisection to a thousandth of its spread."""
    # Chebyshev: no more than 5 % of any mixture lie beyond 4.48 spreads
    low, high = 0.0, 4.48 * float(np.sqrt(w @ (off**2 + sd**2)))
    for _ in range(12):
        middle = (low + high) / 2
        if outside(w, off, sd, middle) > 0.05:
            low = middle
        else:
            high = middle
    return high
