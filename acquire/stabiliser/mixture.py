"""How far a mixture of normals reaches."""

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
    coarse = 4.48 * float(np.sqrt(w @ (off**2 + sd**2))) * _GRID
    at = _reached(_inside(w, score, reach, coarse))
    fine = coarse[at - 1] + (coarse[at] - coarse[at - 1]) * _GRID
    inside = _inside(w, score, reach, fine)
    at = _reached(inside)
    share = (0.95 - inside[at - 1]) / max(float(inside[at] - inside[at - 1]), 1e-12)
    return float(fine[at - 1] + (fine[at] - fine[at - 1]) * min(max(float(share), 0.0), 1.0))


def _inside(w: Floats, score: Floats, reach: Floats, limits: Floats) -> Floats:
    """Chance to lie within each of ``limits``; shape (limits,)."""
    at = limits[:, None] * reach
    above, below = _chance(np.stack([at - score, -at - score]))
    return np.asarray((above - below) @ w)


def _chance(score: Floats) -> Floats:
    """Of a normal value to lie below ``score``; np.interp does the same by a search, four times slower."""
    place = score + _FARTHEST
    np.maximum(place, 0.0, out=place)
    np.minimum(place, 2 * _FARTHEST, out=place)
    place *= _A_UNIT
    at = place.astype(np.intp)
    place -= at
    place *= _RISES.take(at)
    place += _CHANCES.take(at)
    return place


def _reached(inside: Floats) -> int:
    """The first place where 95 % lie within, never the first of all."""
    return max(1, min(int(np.searchsorted(inside, 0.95)), inside.size - 1))
