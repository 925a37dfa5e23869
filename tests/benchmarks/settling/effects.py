"""What comes on top of an approach: turbulence, creep, hunting, spikes, gaps, jitter."""

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
FINE_S = 0.01
INCH_M = 0.0254


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A positive number, even in its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def correlated(rng: np.random.Generator, t_s: Floats, theta_s: float) -> Floats:
    """Unit first-order noise at (nearly) even times."""
    if t_s.size == 0:
        return np.zeros(0)
    f = float(np.exp(-float(np.median(np.diff(t_s))) / theta_s)) if t_s.size > 1 else 0.0
    shocks = rng.standard_normal(t_s.size) * np.sqrt(1 - f * f)
    shocks[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -f], shocks))


def smooth(at: Floats, t: Floats, x: Floats) -> Floats:
    """Interpolate corners with a raised cosine in each piece."""
    i = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
    share = np.clip((at - t[i]) / np.maximum(t[i + 1] - t[i], 1e-9), 0, 1)
    return np.asarray(x[i] + (x[i + 1] - x[i]) * (1 - np.cos(np.pi * share)) / 2)


def move(rng: np.random.Generator, start_m: float, end_m: float) -> tuple[Floats, Floats, list[tuple[float, float]]]:
    """Corner times and lifts of one move, and its pauses; smooth in between."""
    t = [0.0, float(rng.uniform(0.2, 0.8))]
    lift = [start_m, start_m]
    pauses: list[tuple[float, float]] = []
    duration = float(rng.uniform(0.8, 3.0))
    kind = rng.uniform()
    if kind < 1 / 3:
        half = start_m + float(rng.uniform(0.35, 0.7)) * (end_m - start_m)
        pause = float(rng.uniform(0.5, 2.0))
        t += [t[-1] + duration / 2, t[-1] + duration / 2 + pause]
        lift += [half, half]
        pauses.append((t[-2], t[-1]))
        t.append(t[-1] + duration / 2)
        lift.append(end_m)
    elif kind < 1 / 3 + 1 / 5:
        beyond = end_m + float(rng.uniform(0.05, 0.12)) * abs(end_m - start_m) + 0.004 * INCH_M
        stop = float(rng.uniform(0.2, 0.8))
        t += [t[-1] + duration, t[-1] + duration + stop]
        lift += [beyond, beyond]
        t.append(t[-1] + float(rng.uniform(0.3, 0.8)))
        lift.append(end_m)
    else:
        t.append(t[-1] + duration)
        lift.append(end_m)
    return np.array(t), np.array(lift), pauses


def times(rng: np.random.Generator, rate_hz: float, end_s: float) -> Floats:
    """Even times with jitter, in order."""
    n = int(end_s * rate_hz)
    return np.sort((np.arange(n) + 0.5 + rng.uniform(-0.3, 0.3, n)) / rate_hz)


def creep(rng: np.random.Generator, since_s: Floats) -> Floats:
    """What the creep still lacks: 0.4 to 2 % over 4 to 10 s, of several shapes, either way."""
    size = float(rng.uniform(0.004, 0.02)) * float(rng.choice([-1, 1]))
    over = float(rng.uniform(4, 10))
    shape = rng.uniform()
    since = np.maximum(since_s, 0.0)
    if shape < 0.5:
        left = np.exp(-since / over)
    elif shape < 0.75:
        left = np.exp(-3 * since / over)
    else:
        left = (1 + np.cos(np.pi * np.clip(since / over, 0, 1))) / 2
    return np.asarray(size * left)


def hunt(rng: np.random.Generator, t: Floats) -> Floats:
    """A swing of the test pressure, not quite periodic; a share of it."""
    size = float(rng.uniform(0.002, 0.01))
    period = float(rng.uniform(2.0, 8.0))
    wander = np.cumsum(rng.standard_normal(t.size)) * np.sqrt(FINE_S) * 0.08
    phase = 2 * np.pi * (t / period + wander + rng.uniform())
    return np.asarray(size * np.sin(phase))


def spike(rng: np.random.Generator, t: Floats, q: Floats) -> Floats:
    """Strays of 3 to 40 % for one to three samples, and single zeros."""
    q = q.copy()
    if t.size == 0:
        return q
    for _ in range(rng.poisson(t[-1] / 15)):
        at, run = int(rng.integers(t.size)), int(rng.integers(1, 4))
        q[at : at + run] *= 1 + float(rng.uniform(0.03, 0.4)) * float(rng.choice([-1, 1]))
    for _ in range(rng.poisson(t[-1] / 60)):
        q[int(rng.integers(t.size))] = 0.0
    return q


def gaps(rng: np.random.Generator, t: Floats) -> npt.NDArray[np.bool_]:
    """Which samples arrived: now and then none for 0.1 to 1.5 s."""
    keep = np.ones(t.size, dtype=np.bool_)
    if t.size == 0:
        return keep
    for _ in range(rng.poisson(t[-1] / 40)):
        start = float(rng.uniform(0, t[-1]))
        keep &= ~((t >= start) & (t < start + float(rng.uniform(0.1, 1.5))))
    return keep
