"""The noise of the flow by band: what a port that separates shows before its mean does.

Pure: the samples of a taken window go in, standard deviations by octave come out.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from acquire.series import MAD_TO_SIGMA, Floats
from acquire.values import NoiseBand

LOWEST_HZ = 0.25
_EDGES_HZ = LOWEST_HZ * 2.0 ** np.arange(12)
_LEAST_SAMPLES = 32
_SPIKE = 8.0
"""So many robust standard deviations from the median a sample is a spike and no noise."""
_LONG_S = 6.0
_SHARED_STAMPS = 0.1
"""Where more of the samples share a stamp with the one before, stamps do not tell when they were sent."""


def noise_bands(t_us: Sequence[int], values: Sequence[float]) -> tuple[NoiseBand, ...]:
    """Relative standard deviation of the flow in octaves from 0.25 Hz on, as far as the samples reach.

    Power spectrum by averaged periodograms: P. D. Welch, IEEE Trans. Audio
    Electroacoust. 15 (1967) 70; Hann windows, half overlapped, straight lines
    taken out. The average is the median over the pieces, without its bias,
    so that what is left of an approach at the beginning does not count; a steady
    line then reads 15 % high. Times in microseconds, in order, evenly spread
    but for jitter and gaps, or stamped in bursts. A band is left out when the
    window is too short for two lines in it, or when the samples come too
    slowly for half of it; none for fewer than 32 samples.
    """
    if len(values) < _LEAST_SAMPLES or len(values) != len(t_us):
        return ()
    t = (np.asarray(t_us, dtype=np.float64) - t_us[0]) / 1e6
    x = np.asarray(values, dtype=np.float64)
    middle = _median(x)
    off = np.abs(x - middle)
    spread = MAD_TO_SIGMA * _median(off)
    if middle == 0.0:
        return ()
    if spread > 0:
        kept = off <= _SPIKE * spread
        t, x = t[kept], x[kept]
    steps = t[1:] - t[:-1]
    step = _median(steps)
    if step <= 0 or np.count_nonzero(steps <= 0) > _SHARED_STAMPS * steps.size:
        # reads that bring several samples give them one stamp: they were sent evenly
        t, step = np.linspace(t[0], t[-1], t.size, retstep=True)
    if step <= 0:
        return ()
    even = np.arange(t[0], t[-1], step)
    frequency, density = _welch(np.interp(even, t, x) / middle, step, 4 if even.size * step >= _LONG_S else 2)
    places = np.searchsorted(frequency, _EDGES_HZ).tolist()
    bands = []
    for (low, high), (first, end) in zip(pairwise(_EDGES_HZ.tolist()), pairwise(places), strict=True):
        if end - first < 2 or frequency[-1] < 1.5 * low:
            continue
        sd = math.sqrt(np.add.reduce(density[first:end]) * frequency[1])
        # four digits: what another processor's arithmetic changes must not show
        bands.append(NoiseBand(low, high, float(f"{sd:.4g}")))
    return tuple(bands)


def _median(values: Floats) -> float:
    # numpy's own takes several times as long on the few hundred values of a window
    ordered = np.sort(values)
    return float(ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2


def _welch(x: Floats, step_s: float, parts: int) -> tuple[Floats, Floats]:
    """Frequencies from 0 on and one-sided power density, of pieces a ``parts``-th of the record long."""
    size = x.size // parts
    window = 0.5 - 0.5 * np.cos(2 * np.pi / size * np.arange(size))
    pieces = np.array([x[begin : begin + size] for begin in range(0, x.size - size + 1, size // 2)])
    at = np.arange(size) - 0.5 * (size - 1)
    slopes = pieces @ at / (at @ at)
    means = pieces.mean(axis=1)
    found = np.fft.rfft(window * (pieces - means[:, None] - slopes[:, None] * at))
    powers = np.sort(found.real**2 + found.imag**2, axis=0)
    n = len(powers)
    middle: Floats = powers[(n - 1) // 2] + powers[n // 2]
    density: Floats = middle * (step_s / (_median_bias(n) * float(window @ window)))
    return np.arange(size // 2 + 1, dtype=np.float64) * (1.0 / (size * step_s)), density


def _median_bias(n: int) -> float:
    """Median over mean of ``n`` exponential values. Source: B. Allen et al., Phys. Rev. D 85 (2012) 122006, app. B."""
    # of an even number the median of numpy lies between the middle two: the odd number below is near enough
    n -= 1 - n % 2
    return 1.0 + sum(1.0 / (2 * i + 1) - 1.0 / (2 * i) for i in range(1, (n - 1) // 2 + 1))
