"""What a meter's last digit hides: how far the mean of rounded readings may be from the true mean.

Noise as wide as a digit takes the rounding out of a mean; narrower noise does
not. How wide it is shows in how the readings spread over the digits. Source:
B. Widrow & I. Kollar, Quantization Noise (2008), ch. 4: the mean of a rounded
normal is off by up to d/pi exp(-2 pi^2 sd^2 / d^2).
"""

import math
from statistics import NormalDist

import numpy as np

from acquire.series import Floats, line

_SPREADS = np.geomspace(0.03, 0.9, 36)
_PLACES = np.linspace(0.0, 0.5, 21)


def _rounded() -> tuple[Floats, Floats]:
    """Mean and variance, in digits, of a rounded normal; shape (spreads, places of its mean)."""
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
    return mean, variance


_MEAN, _VARIANCE = _rounded()


def digit_uncertainty(means: Floats, within: Floats, level: float, digit: float) -> float:
    """Standard uncertainty of the mean from rounding, in the unit of the readings.

    ``means`` and ``within`` are means and variances of blocks, shapes (n,); ``level``
    is one reading as given, ``digit`` the step between neighbouring ones.
    """
    if digit <= 0 or means.size == 0:
        return 0.0
    mean, slope = line(np.arange(means.size, dtype=np.float64), means)
    rest = means - mean - slope * (np.arange(means.size) - (means.size - 1) / 2)
    # a mean that still bends is no noise: noise also shows from block to block
    wander = float(np.mean(np.diff(means) ** 2)) / 2 if means.size > 1 else 0.0
    variance = (min(float(rest.var()), 5 * wander) + float(within.mean())) / digit**2
    if variance > 1:
        return 0.0
    place = abs((mean - level) / digit % 1.0)
    off = (_MEAN - min(place, 1 - place)) ** 2 + (np.sqrt(_VARIANCE) - math.sqrt(variance)) ** 2
    # a little less noise than the likeliest, because a narrow one is what hurts
    spread = 0.85 * float(_SPREADS[np.unravel_index(int(np.argmin(off)), off.shape)[0]])
    return digit / math.sqrt(12) * math.exp(-2 * (math.pi * spread) ** 2)
