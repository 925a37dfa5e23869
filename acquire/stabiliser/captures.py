"""From blocks and a fit to the capture that is handed on."""

import math

import numpy as np

from acquire.series import lag_one, line, n_effective, t_factor
from acquire.stabiliser.blocks import BLOCK_S, Block
from acquire.stabiliser.noise import Noise
from acquire.stabiliser.settled import Settled
from acquire.values import Capture


def reading(window: list[Block], settled: Settled, noise: Noise, scale: float, reached: bool, reason: str) -> Capture:
    """The settled value as the reading of a window (one block or more)."""
    t = np.array([b.t_mean_us for b in window]) / 1e6
    x = np.array([b.area_m2 for b in window])
    _, slope = line(t, x)
    inside = float(np.mean([b.square_m4 for b in window]))
    sd = math.sqrt(noise.variance * scale**2 + inside)
    span = max(len(window), 1) * BLOCK_S
    independent = max(1.0, sd**2 / (noise.long_run * scale**2 * BLOCK_S / span))
    return Capture(
        t_start_us=window[0].t_start_us,
        t_end_us=window[-1].t_end_us,
        area_m2=scale * settled.value,
        standard_uncertainty_m2=abs(scale) * settled.half_width / t_factor(noise.dof),
        dof=noise.dof,
        noise_m2=sd,
        correlation_time_s=noise.theta_s,
        drift_m2_per_s=slope,
        n=sum(b.n for b in window),
        n_independent=independent,
        rejected=sum(b.rejected for b in window),
        reached=reached,
        reason=reason,
    )


def by_hand(blocks: list[Block]) -> Capture:
    """The mean of the latest blocks with an interval that allows for what still drifts."""
    t = np.array([b.t_mean_us for b in blocks]) / 1e6
    x = np.array([b.area_m2 for b in blocks])
    mean, slope = line(t, x)
    rest = x - mean - slope * (t - t.mean())
    n = len(blocks)
    # the lag-1 correlation of a short record is too low by about four of its reciprocal length
    f = min(max(lag_one(rest) + 4 / n, 0.5), 0.97)
    independent = max(n_effective(n, f), 1.5)
    sd = math.sqrt(float(rest @ rest) / max(n - 2, 1)) * math.sqrt(independent / max(independent - 1, 0.5))
    scatter = sd / math.sqrt(independent)
    span = float(t[-1] - t[0]) if n > 1 else 1.0
    slope_error = math.sqrt(12) * scatter / max(span, 0.1)
    left = (abs(slope) + 1.65 * slope_error) * (3.0 + span / 2)
    return Capture(
        t_start_us=blocks[0].t_start_us,
        t_end_us=blocks[-1].t_end_us,
        area_m2=mean,
        standard_uncertainty_m2=math.sqrt(scatter**2 + (left / 2) ** 2 + (0.0005 * mean) ** 2),
        dof=max(independent - 1, 2.0),
        noise_m2=sd,
        correlation_time_s=-BLOCK_S / math.log(f),
        drift_m2_per_s=slope,
        n=sum(b.n for b in blocks),
        n_independent=independent,
        rejected=sum(b.rejected for b in blocks),
        reached=False,
        reason="taken by hand before it had settled",
    )
