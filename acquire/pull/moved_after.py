"""Did the flow stand, and then move, after the lift was typed? Pure.

A typed lift cannot say that the valve was turned afterwards, and the flow
settles on whatever it was turned to. But a flow that follows a valve at rest
moves at once and then less and less; one that stood and then moved was moved
by something. Both are fitted, a level that decays to another one from the
beginning and one that begins to do so later, and the better one wins by far or
not at all.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PIECE_S = 0.25
# so long a flow may take to begin to move after a valve has come to rest
DEAD_S = 0.5
_TIME_CONSTANTS_S = np.array([0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 15.0])
_LEAST_PIECES = 8
# twice the gain in log likelihood: of 120 stays with a valve at rest one was above, and of moves by 3 % of the
# flow a second or more after the typing all but a few
_BY_FAR = 20.0


def stood_then_moved(t_us: Sequence[int], area_m2: Sequence[float], least_rel: float) -> bool:
    """Whether a record of the flow, shapes (n,), from the typing on, moves by ``least_rel`` or more after it stood.

    A movement that begins within ``DEAD_S`` of the record's begin cannot be told apart.
    """
    level, t_s = _pieces(np.asarray(t_us, dtype=np.float64), np.asarray(area_m2, dtype=np.float64))
    if level.size < _LEAST_PIECES:
        return False
    later = np.arange(DEAD_S + PIECE_S, t_s[-1] - 3 * PIECE_S, PIECE_S)
    if not later.size:
        return False
    at_once, _ = _left_over(level, t_s, np.arange(0.0, DEAD_S + PIECE_S / 2, PIECE_S))
    after, moved = _left_over(level, t_s, later)
    if not after > 0.0:
        return at_once > 0.0 and moved > least_rel * abs(float(level[-1]))
    by_far = level.size * math.log(at_once / after) > _BY_FAR
    return by_far and moved > least_rel * abs(float(level[-1]))


def _pieces(t_us: Floats, area_m2: Floats) -> tuple[Floats, Floats]:
    """The medians of the record's pieces, and the middle of each in s: a spike is no movement."""
    if t_us.size == 0:
        return np.empty(0), np.empty(0)
    place = ((t_us - t_us[0]) / (1e6 * PIECE_S)).astype(np.int64)
    filled = [n for n in range(int(place[-1])) if np.any(place == n)]
    level = np.array([float(np.median(area_m2[place == n])) for n in filled])
    return level, (np.array(filled, dtype=np.float64) + 0.5) * PIECE_S


def _left_over(level: Floats, t_s: Floats, starts: Floats) -> tuple[float, float]:
    """The best fit of a level that decays exponentially to another from one of ``starts`` on.

    Its sum of squares, and by how much the two levels differ.
    """
    since = np.maximum(t_s[None, None, :] - starts[:, None, None], 0.0)
    shape = np.exp(-since / _TIME_CONSTANTS_S[None, :, None])
    shape -= shape.mean(axis=2, keepdims=True)
    off = level - level.mean()
    squares = np.maximum((shape**2).sum(axis=2), 1e-12)
    product = shape @ off
    gain = product**2 / squares
    best = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return float(off @ off - gain[best]), abs(float(product[best] / squares[best]))
