"""What a meter's last digit hides: how far the mean of rounded readings may be from the true mean.

Noise as wide as a digit takes the rounding out of a mean; narrower noise does
not. How wide it is shows in how the readings spread over the digits. Source:
B. Widrow & I. Kollar, Quantization Noise (2008), ch. 4: the mean of a rounded
normal is off by up to d/pi exp(-2 pi^2 sd^2 / d^2).
"""

import math
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from acquire.compiled import compiled
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


MEANS, WIDTHS = _rounded()


@compiled
def digit_uncertainty(blocks: npt.NDArray[np.void], digit: float, means: Floats, widths: Floats) -> float:
    """Standard uncertainty of the mean mass flow of at least one block from rounding, relative to it.

    ``digit``: the step between neighbouring readings; ``means`` and ``widths``: ``MEANS`` and ``WIDTHS``.
    """
    n = blocks.size
    total = inside = 0.0
    for block in blocks:
        total += block.mass
        inside += block.mass_square
    # mostly the scatter within blocks is wide enough, whatever it is from one to the next
    if digit <= 0.0 or inside > n * digit * digit:
        return 0.0
    mean, slope, spread, wander, rest = total / n, 0.0, 0.0, 0.0, 0.0
    for i in range(n):
        place = i - (n - 1) / 2
        slope += place * blocks[i].mass
        spread += place * place
        if i > 0:
            wander += (blocks[i].mass - blocks[i - 1].mass) ** 2
    slope = slope / spread if spread > 0 else 0.0
    for i in range(n):
        rest += (blocks[i].mass - mean - slope * (i - (n - 1) / 2)) ** 2
    # a mean that still bends is no noise: noise also shows from block to block
    wander = wander / (n - 1) / 2 if n > 1 else 0.0
    variance = (min(rest / n, 5 * wander) + inside / n) / (digit * digit)
    if variance > 1:
        return 0.0
    place = abs((mean - blocks[n - 1].reading) / digit % 1.0)
    place = min(place, 1 - place)
    nearest, likeliest = math.inf, 0
    for i in range(means.shape[0]):
        for j in range(means.shape[1]):
            off = (means[i, j] - place) ** 2 + (widths[i, j] - math.sqrt(variance)) ** 2
            if off < nearest:
                nearest, likeliest = off, i
    # a little less noise than the likeliest, because a narrow one is what hurts
    narrow = 0.85 * _SPREADS[likeliest]
    return digit / math.sqrt(12) * math.exp(-2 * (math.pi * narrow) ** 2) / max(abs(mean), 1e-30)
