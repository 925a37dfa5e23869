"""What a meter's last digit hides: how far the mean of rounded readings may be from the true mean.

Noise as wide as a digit takes the rounding out of a mean; narrower noise does
not. How wide it is shows in how the readings spread over the digits. Source:
B. Widrow & I. Kollar, Quantization Noise (2008), ch. 4: the mean of a rounded
normal is off by up to d/pi exp(-2 pi^2 sd^2 / d^2).
"""

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from acquire.series import Floats

_SPREADS = np.geomspace(0.03, 0.9, 36)
_PLACES = np.linspace(0.0, 0.5, 21)


def _rounded() -> tuple[Floats, Floats]:
    """Mean and standard deviation, in digits, of a rounded normal; shape (spreads, places of its mean)."""
    normal = NormalDist()
    levels = np.arange(-5, 7)
    mean = np.empty((_SPREADS.size, _PLACES.size))
    variance = np.empty_like(mean)
    for i, spread in enumerate(_SPREADS):
        for j, place in enumerate(_PLACES):
            edges = [normal.cdf((float(level) - 0.5 - float(place)) / float(spread)) for level in [*levels, 7]]
            share = np.diff(edges)
            mean[i, j] = share @ levels
            variance[i, j] = share @ levels**2 - mean[i, j] ** 2
    return mean, np.sqrt(variance)


_MEAN, _WIDTH = _rounded()


@lru_cache(maxsize=64)
def _places(n: int) -> tuple[Floats, float]:
    """Places of ``n`` blocks about their middle, and the sum of their squares."""
    places = np.arange(n, dtype=np.float64) - (n - 1) / 2
    return places, float(places @ places)


def digit_uncertainty(means: Floats, within: Floats, level: float, digit: float) -> float:
    """Standard uncertainty of the mean from rounding, in the unit of the readings.

    ``means`` and ``within`` are means and variances of blocks, shapes (n,); ``level``
    is one reading as given, ``digit`` the step between neighbouring ones.
    """
    if digit <= 0 or means.size == 0:
        return 0.0
    n = means.size
    inside = float(within.sum()) / n
    # mostly the scatter within blocks is wide enough, whatever it is from one to the next
    if inside / digit**2 > 1:
        return 0.0
    places, spread = _places(n)
    mean = float(means.sum()) / n
    rest = means - mean
    if spread > 0:
        rest -= float(places @ means) / spread * places
    # a mean that still bends is no noise: noise also shows from block to block
    steps = means[1:] - means[:-1]
    wander = float((steps * steps).sum()) / (n - 1) / 2 if n > 1 else 0.0
    rest -= rest.sum() / n
    variance = (min(float((rest * rest).sum()) / n, 5 * wander) + inside) / digit**2
    if variance > 1:
        return 0.0
    place = abs((mean - level) / digit % 1.0)
    off = (_MEAN - min(place, 1 - place)) ** 2 + (_WIDTH - math.sqrt(variance)) ** 2
    # a little less noise than the likeliest, because a narrow one is what hurts
    spread = 0.85 * float(_SPREADS[np.unravel_index(int(np.argmin(off)), off.shape)[0]])
    return digit / math.sqrt(12) * math.exp(-2 * (math.pi * spread) ** 2)
