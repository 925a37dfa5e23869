"""How a moving test pressure shows in a flow that was referred to it.

The meter sees the pressure late, so a referred flow errs while the pressure
moves, by the difference between a delayed and a present logarithm of it. Such
differences average to nothing and are what the fit may take out.
"""

import math

from acquire.compiled import Record, compiled, fields, new
from acquire.stabiliser.responses import LAGS, PRESSURE_LAGS_S

# ``effects``: delayed minus present logarithm for each of ``lags_s``
SWINGS = fields(
    ("lags_s", "f8", LAGS),
    ("delayed", "f8", LAGS),
    ("effects", "f8", LAGS),
    ("log", "f8"),
    ("t_s", "f8"),
    ("begun", "?"),
)


def new_swings() -> Record:
    """Delayed minus present log pressure, for each of ``PRESSURE_LAGS_S``."""
    swings = new(SWINGS)
    swings["lags_s"] = PRESSURE_LAGS_S
    return swings


@compiled
def follow(swings: Record, t_s: float, pressure_pa: float, target_pa: float) -> None:
    """One block's mean pressure."""
    log = math.log(max(pressure_pa / target_pa, 0.01))
    step = t_s - swings.t_s
    # exact for a pressure that runs straight from block to block
    slope = (log - swings.log) / step if step > 0 else 0.0
    for i in range(swings.lags_s.size):
        lag_s = swings.lags_s[i]
        if swings.begun:
            behind = slope * lag_s
            rest = (swings.delayed[i] - swings.log + behind) * math.exp(-step / lag_s)
            swings.delayed[i] = log - behind + rest
        else:
            swings.delayed[i] = log
        swings.effects[i] = swings.delayed[i] - log
    swings.log = log
    swings.t_s = t_s
    swings.begun = True
