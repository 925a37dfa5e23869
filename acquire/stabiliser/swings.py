"""How a moving test pressure shows in a flow that was referred to it.

The meter sees the pressure late, so a referred flow errs while the pressure
moves, by the difference between a delayed and a present logarithm of it. Such
differences average to nothing and are what the fit may take out.
"""

import math

import numpy as np

from acquire.series import Floats
from acquire.stabiliser.responses import PRESSURE_LAGS_S


class Swings:
    """Delayed minus present log pressure, for each of ``PRESSURE_LAGS_S``."""

    def __init__(self) -> None:
        self._lags_s = np.array(PRESSURE_LAGS_S)
        self._delayed: Floats | None = None
        self._log = 0.0
        self._t_s = 0.0

    def block(self, t_s: float, pressure_pa: float, target_pa: float) -> Floats:
        """One block's mean pressure; shape (lags,)."""
        log = math.log(max(pressure_pa / target_pa, 0.01))
        if self._delayed is None:
            self._delayed = np.full(self._lags_s.shape, log)
        else:
            # exact for a pressure that runs straight from block to block
            step = t_s - self._t_s
            keep = np.exp(-step / self._lags_s)
            slope = (log - self._log) / step if step > 0 else 0.0
            lag = log - slope * self._lags_s
            self._delayed = lag + (self._delayed - self._log + slope * self._lags_s) * keep
        self._log = log
        self._t_s = t_s
        return self._delayed - log
