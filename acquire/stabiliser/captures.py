"""From blocks and a fit to the capture that is handed on."""

import math

import numpy as np
import numpy.typing as npt

from acquire.compiled import Record
from acquire.series import lag_one, line, n_effective, t_factor
from acquire.stabiliser.blocks import BLOCK_S
from acquire.values import Capture


def reading(window: npt.NDArray[np.void], fit: Record, scale: float, reached: bool, reason: str) -> Capture:
    """What a look at the fit says, as the reading of a window (one block or more); ``fit``: see ``FIT``."""
    variance, dof = float(fit["variance"]), float(fit["dof"])
    t = window["t_mean_us"] / 1e6
    x = np.ascontiguousarray(window["area_m2"])
    _, slope = line(t, x)
    inside = float(window["square_m4"].mean())
    sd = math.sqrt(variance * scale**2 + inside)
    span = max(len(window), 1) * BLOCK_S
    independent = max(1.0, sd**2 / (variance * float(fit["ratio"]) * scale**2 * BLOCK_S / span))
    return Capture(
        t_start_us=int(window["t_start_us"][0]),
        t_end_us=int(window["t_end_us"][-1]),
        area_m2=scale * float(fit["value"]),
        standard_uncertainty_m2=abs(scale) * float(fit["half_width"]) / t_factor(dof),
        dof=dof,
        noise_m2=sd,
        correlation_time_s=float(fit["theta_s"]),
        drift_m2_per_s=slope,
        n=int(window["n"].sum()),
        n_independent=independent,
        rejected=int(window["rejected"].sum()),
        reached=reached,
        reason=reason,
    )


def by_hand(blocks: npt.NDArray[np.void]) -> Capture:
    """The mean of the latest blocks with an interval that allows for what still drifts."""
    t = blocks["t_mean_us"] / 1e6
    x = np.ascontiguousarray(blocks["area_m2"])
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
        t_start_us=int(blocks["t_start_us"][0]),
        t_end_us=int(blocks["t_end_us"][-1]),
        area_m2=mean,
        standard_uncertainty_m2=math.sqrt(scatter**2 + (left / 2) ** 2 + (0.0005 * mean) ** 2),
        dof=max(independent - 1, 2.0),
        noise_m2=sd,
        correlation_time_s=-BLOCK_S / math.log(f),
        drift_m2_per_s=slope,
        n=int(blocks["n"].sum()),
        n_independent=independent,
        rejected=int(blocks["rejected"].sum()),
        reached=False,
        reason="taken by hand before it had settled",
    )
