"""What one bench has shown of its response and its noise, in a form that can be kept.

In terms of time constants and dampings, not of the grid that a fit happens to
use: a record kept today must still be understood when the grid has changed.
"""

from acquire.config import Table


class Mode(Table):
    """One way in which the bench may answer a step; ``damping`` None for a plain lag."""

    time_constant_s: float
    damping: float | None = None
    share: float


class NoiseSeen(Table):
    """Residuals of earlier steps: sums of squares and of neighbours' products, each over the step's variance.

    ``blocks`` of them with ``parameters`` fitted. ``variance_rel``: of the latest step, worth ``weight`` blocks.
    """

    squares: float
    products: float
    blocks: float
    parameters: float
    variance_rel: float
    weight: float


class BenchResponse(Table):
    """How the bench answers: the modes with their shares of belief, the delay of the pressure, the noise.

    ``pressure_effects``: relative effect on the flow of a pressure seen as late
    as each of ``pressure_lags_s``, with the ``precision`` (inverse covariance)
    of that belief. ``noise``: what the residuals of earlier steps were like.
    """

    modes: tuple[Mode, ...]
    pressure_lags_s: tuple[float, ...] = ()
    pressure_effects: tuple[float, ...] = ()
    precision: tuple[tuple[float, ...], ...] = ()
    noise: NoiseSeen | None = None

    @property
    def time_constant_s(self) -> float:
        """The likeliest mode's; 0 while nothing is known."""
        return max(self.modes, key=lambda mode: mode.share).time_constant_s if self.modes else 0.0
