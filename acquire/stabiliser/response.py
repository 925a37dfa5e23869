"""From the belief on the grid of responses to the form in which it is kept, and back."""

import numpy as np

from acquire.response import BenchResponse, Mode
from acquire.stabiliser.responses import (
    DAMPINGS,
    FIRST,
    LAGS,
    OPEN,
    OPEN_SHARE,
    PRESSURE_LAGS_S,
    RATES,
    SHAPES,
    Learned,
    unlearned,
)

_LEAST_SHARE = 2e-4


def to_keep(learned: Learned) -> BenchResponse:
    """The belief as it is kept, modes that hardly count left out."""
    weight = np.maximum(np.exp(learned.response) - OPEN_SHARE * OPEN, 0.0)
    weight /= max(float(weight.sum()), 1e-30)
    modes = []
    for i in np.flatnonzero(weight > _LEAST_SHARE).tolist():
        damping = float(SHAPES[i])
        tau = (damping if damping > 0 else 1.0) / float(RATES[i])
        modes.append(Mode(time_constant_s=tau, damping=damping or None, share=float(weight[i])))
    return BenchResponse(
        modes=tuple(modes),
        pressure_lags_s=PRESSURE_LAGS_S,
        pressure_effects=tuple(learned.swings.tolist()),
        precision=tuple(tuple(row) for row in learned.precision.tolist()),
        noise=learned.noise,
    )


def from_kept(kept: BenchResponse) -> Learned:
    """The belief on the grid: each mode at its nearest place, all others still possible."""
    fresh = unlearned()
    weight = np.zeros(RATES.size)
    taus = np.where(SHAPES > 0, SHAPES, 1.0) / RATES
    for mode in kept.modes:
        # a mode more damped than the grid knows is nearest to a plain lag of the same decay
        plain = mode.damping is None or mode.damping > (1 + DAMPINGS[-1]) / 2
        first = np.arange(RATES.size) < FIRST
        apart = np.log(taus / max(mode.time_constant_s, 1e-3)) ** 2
        if not plain:
            apart += ((mode.damping or 0.0) - SHAPES) ** 2
        weight[int(np.argmin(np.where(first == plain, apart, np.inf)))] += max(mode.share, 0.0)
    if weight.sum() <= 0:
        response = fresh.response
    else:
        response = np.log((1 - OPEN_SHARE) * weight / weight.sum() + OPEN_SHARE * OPEN)
    same = kept.pressure_lags_s == PRESSURE_LAGS_S and len(kept.pressure_effects) == len(kept.precision) == LAGS
    return Learned(
        response=response,
        swings=np.array(kept.pressure_effects) if same else fresh.swings,
        precision=np.array(kept.precision) if same else fresh.precision,
        noise=kept.noise,
    )
