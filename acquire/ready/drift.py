"""How far a channel moved while it was watched."""

import math
from dataclasses import dataclass

import numpy as np

from acquire.ready.record import Watched

_LEAST_READINGS = 8


@dataclass(frozen=True, slots=True)
class Drift:
    """Mean and change over the span, and how well the change is known (95 % half-width), SI."""

    mean: float
    change: float
    half_width_95: float


def drift_of(watched: Watched, span_s: float) -> Drift | None:
    """The straight line through the last ``span_s`` seconds; None for too few readings, or over too short a time."""
    if not watched.t_s:
        return None
    t_s, values = np.array(watched.t_s), np.array(watched.values)
    recent = t_s >= t_s[-1] - span_s
    t_s, values = t_s[recent], values[recent]
    if t_s.size < _LEAST_READINGS or t_s[-1] - t_s[0] < span_s / 3:
        return None
    about = t_s - t_s.mean()
    weight = float(about @ about)
    slope = float(about @ values) / weight
    rest = values - values.mean() - slope * about
    sd = math.sqrt(float(rest @ rest) / (t_s.size - 2))
    return Drift(float(values.mean()), slope * span_s, 2.0 * sd / math.sqrt(weight) * span_s)
