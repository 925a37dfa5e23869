"""How far a mixture of normals reaches."""

import math
from statistics import NormalDist

import numpy as np

from acquire.series import Floats

# the normal distribution as a table: linear between entries, to 2e-5
_FARTHEST, _A_UNIT = 6.0, 50
_CHANCES = np.array([NormalDist().cdf(i / _A_UNIT - _FARTHEST) for i in range(round(2 * _FARTHEST * _A_UNIT) + 2)])
_RISES = np.diff(_CHANCES, append=1.0)
_GRID = np.linspace(0.0, 1.0, 9)


def outside(w: Floats, off: Floats, sd: Floats, limit: float) -> float:
    """Chance of a mixture of normals to lie farther than ``limit`` from 0."""
    return 1 - float(_inside(w, off / sd, 1 / sd, np.array([limit]))[0])


def half_width(w: Floats, off: Floats, sd: Floats) -> float:
    """Where 95 % of the mixture lie within, to a thousandth of its spread."""
    score, reach = off / sd, 1 / sd
    # Chebyshev: no more than 5 % of any mixture lie beyond 4.48 spreads
    coarse = 4.48 * math.sqrt(float(w @ (off**2 + sd**2))) * _GRID
    at = _reached(_inside(w, score, reach, coarse))
    fine = coarse[at - 1] + (coarse[at] - coarse[at - 1]) * _GRID
    inside = _inside(w, score, reach, fine)
    at = _reached(inside)
    share = (0.95 - inside[at - 1]) / max(float(inside[at] - inside[at - 1]), 1e-12)
    return float(fine[at - 1] + (fine[at] - fine[at - 1]) * min(max(float(share), 0.0), 1.0))


def _inside(w: Floats, score: Floats, reach: Floats, limits: Floats) -> Floats:
    """Chance to lie within each of ``limits``; shape (limits,)."""
    at = limits[:, None] * reach
    both = np.empty((2, *at.shape))
    np.subtract(at, score, out=both[0])
    both[0] += _FARTHEST
    at += score
    np.subtract(_FARTHEST, at, out=both[1])
    above, below = _chance(both)
    above -= below
    return np.asarray(above @ w)


def _chance(place: Floats) -> Floats:
    """Of a normal value to lie so far above the beginning of the table, which is at ``-_FARTHEST``; done in place.

    np.interp does the same by a search, four times slower.
    """
    np.maximum(place, 0.0, out=place)
    np.minimum(place, 2 * _FARTHEST, out=place)
    place *= _A_UNIT
    entry = np.floor(place)
    place -= entry
    at = entry.astype(np.intp)
    place *= _RISES.take(at)
    place += _CHANCES.take(at)
    return place


def _reached(inside: Floats) -> int:
    """The first place where 95 % lie within, never the first of all."""
    return max(1, min(int(inside.searchsorted(0.95)), inside.size - 1))
