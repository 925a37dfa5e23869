"""The noise of the flow by band: what a port that separates shows before its mean does.

Pure: the samples of a taken window go in, standard deviations by octave come out.
"""

from collections.abc import Sequence

import numpy as np

from acquire.series import MAD_TO_SIGMA, Floats, line
from acquire.values import NoiseBand

LOWEST_HZ = 0.25
_BANDS = 11
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
    middle = float(np.median(x))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(x - middle)))
    if middle == 0.0:
        return ()
    if spread > 0:
        kept = np.abs(x - middle) <= _SPIKE * spread
        t, x = t[kept], x[kept]
    steps = np.diff(t)
    step = float(np.median(steps))
    if step <= 0 or np.count_nonzero(steps <= 0) > _SHARED_STAMPS * steps.size:
        # reads that bring several samples give them one stamp: they were sent evenly
        t, step = np.linspace(t[0], t[-1], t.size, retstep=True)
    if step <= 0:
        return ()
    even = np.arange(t[0], t[-1], step)
    frequency, density = _welch(np.interp(even, t, x) / middle, step, 4 if even.size * step >= _LONG_S else 2)
    bands = []
    for low in LOWEST_HZ * 2.0 ** np.arange(_BANDS):
        inside = (frequency >= low) & (frequency < 2 * low)
        if np.count_nonzero(inside) < 2 or frequency[-1] < 1.5 * low:
            continue
        sd = float(np.sqrt(density[inside].sum() * frequency[1]))
        # four digits: what another processor's arithmetic changes must not show
        bands.append(NoiseBand(float(low), float(2 * low), float(f"{sd:.4g}")))
    return tuple(bands)


def _welch(x: Floats, step_s: float, parts: int) -> tuple[Floats, Floats]:
    """Frequencies from 0 on and one-sided power density, of pieces a ``parts``-th of the record long."""
    size = x.size // parts
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    at = np.arange(size, dtype=np.float64)
    powers = []
    for begin in range(0, x.size - size + 1, size // 2):
        piece = x[begin : begin + size]
        mean, slope = line(at, piece)
        powers.append(np.abs(np.fft.rfft(window * (piece - mean - slope * (at - at.mean())))) ** 2)
    density = np.median(powers, axis=0) / _median_bias(len(powers)) * 2 * step_s / float(window @ window)
    return np.asarray(np.fft.rfftfreq(size, step_s)), np.asarray(density)


def _median_bias(n: int) -> float:
    """Median over mean of ``n`` exponential values. Source: B. Allen et al., Phys. Rev. D 85 (2012) 122006, app. B."""
    # of an even number the median of numpy lies between the middle two: the odd number below is near enough
    n -= 1 - n % 2
    return 1.0 + sum(1.0 / (2 * i + 1) - 1.0 / (2 * i) for i in range(1, (n - 1) // 2 + 1))
