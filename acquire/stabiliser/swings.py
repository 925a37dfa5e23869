"""How a moving test pressure shows in a flow that was referred to it.

The meter sees the pressure late, so a referred flow errs while the pressure
moves, by the difference between a delayed and a present logarithm of it. Such
differences average to nothing and are what the fit may take out.
"""

import math

from acquire.stabiliser.responses import PRESSURE_LAGS_S


class Swings:
    """Delayed minus present log pressure, for each of ``PRESSURE_LAGS_S``."""

    def __init__(self) -> None:
        self._delayed: list[float] | None = None
        self._log = 0.0
        self._t_s = 0.0

    def block(self, t_s: float, pressure_pa: float, target_pa: float) -> list[float]:
        """One block's mean pressure; as long as ``PRESSURE_LAGS_S``."""
        log = math.log(max(pressure_pa / target_pa, 0.01))
        if self._delayed is None:
            self._delayed = [log] * len(PRESSURE_LAGS_S)
        else:
            # exact for a pressure that runs straight from block to block
            step = t_s - self._t_s
            slope = (log - self._log) / step if step > 0 else 0.0
            for i, lag_s in enumerate(PRESSURE_LAGS_S):
                behind = slope * lag_s
                self._delayed[i] = log - behind + (self._delayed[i] - self._log + behind) * math.exp(-step / lag_s)
        self._log = log
        self._t_s = t_s
        return [delayed - log for delayed in self._delayed]
