"""The grid of responses and creeps, the columns of the fit, and what is believed of a bench."""

from dataclasses import dataclass

import numpy as np

from acquire.response import NoiseSeen
from acquire.series import Floats

FIRST_TAUS_S = np.geomspace(0.15, 4.2, 24)
SECOND_TAUS_S = np.geomspace(0.25, 3.5, 15)
DAMPINGS = (0.42, 0.56, 0.7, 0.88)
CREEP_TAUS_S = (1.5, 3.0, 6.0, 12.0)
PRESSURE_LAGS_S = (0.1, 0.3, 1.0)
PRESSURE_SIZES = (0.4, 0.3, 0.06)
"""Root mean square effect of a pressure seen that late: 0.5 would be the whole of the square root."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What one bench shows from step to step.

    ``response`` are log weights over the grid of responses; ``swings`` and
    ``precision`` the normal belief about the effects of a moving pressure.
    """

    response: Floats
    swings: Floats
    precision: Floats
    noise: NoiseSeen | None = None


def _grid() -> tuple[Floats, Floats, Floats]:
    """Decay rate, angular frequency (0 for first order) and damping (0 likewise) of each response."""
    taus, dampings = (a.ravel() for a in np.meshgrid(SECOND_TAUS_S, np.array(DAMPINGS)))
    none = np.zeros(FIRST_TAUS_S.size)
    return (
        np.concatenate([1 / FIRST_TAUS_S, dampings / taus]),
        np.concatenate([none, np.sqrt(1 - dampings**2) / taus]),
        np.concatenate([none, dampings]),
    )


RATES, OMEGAS, SHAPES = _grid()
RESPONSES = RATES.size
FIRST = FIRST_TAUS_S.size
CREEPS = len(CREEP_TAUS_S)
# columns of the fit that all models share: pressure effects, constant, creeps, reading;
# then two of each response, the second of a first-order one nothing at all
LAGS = len(PRESSURE_LAGS_S)
CONSTANT = LAGS
CREEP = CONSTANT + 1
READING = CREEP + CREEPS
SHARED = READING + 1
COSINES = SHARED
SINES = COSINES + RESPONSES
SIZE = SINES + RESPONSES
CREEP_RATES = 1 / np.array(CREEP_TAUS_S)
# before anything is known: either order alike, all time constants and dampings alike
OPEN_SHARE = 0.03
"""However sure a bench seems, so much is left for any other response."""
OPEN = np.concatenate([np.full(FIRST, 0.5 / FIRST), np.full(RESPONSES - FIRST, 0.5 / (RESPONSES - FIRST))])


def _nearness() -> Floats:
    """Spread of a response from step to step: columns sum to one."""
    log = np.log(RATES)
    near = np.exp(-0.5 * ((log[:, None] - log[None, :]) / 0.12) ** 2)
    near *= np.exp(-0.5 * ((SHAPES[:, None] - SHAPES[None, :]) / 0.1) ** 2)
    return np.asarray(near / near.sum(axis=0))


NEAR = _nearness()


def unlearned() -> Learned:
    """What is believed of a bench that has shown nothing yet."""
    return Learned(np.log(OPEN), np.zeros(LAGS), np.diag(np.array(PRESSURE_SIZES) ** -2.0))
