"""Nozzles in a pipe, ISO 5167-3: ISA 1932, long radius, venturi nozzle.

Limits and figures of uncertainty from memory (ISO 5167-3:2003).
"""

from typing import Literal

from acquire.flow.elementwise import N, power, root
from acquire.meters.throttle import Throttle, ThrottleRange, outside_limits
from acquire.values import AirState

Shape = Literal["ISA 1932", "long radius", "venturi nozzle"]


class PipeNozzle(Throttle):
    """One of the three shapes."""

    def __init__(self, bore_m: float, pipe_m: float, shape: Shape, accuracy: float | None = None) -> None:
        super().__init__(bore_m, pipe_m, accuracy)
        self.shape = shape
        self.reynolds_limits = {
            "ISA 1932": (7e4 if self.beta < 0.44 else 2e4, 1e7),
            "long radius": (1e4, 1e7),
            "venturi nozzle": (1.5e5, 2e6),
        }[shape]

    def coefficient(self, reynolds: N) -> N:
        """Check at D 73.91, d 42.2 mm, Re 95705: 0.96358, 0.98055, 0.97006."""
        beta = self.beta
        coefficient: N
        if self.shape == "ISA 1932":
            viscous = (0.00175 * beta**2 - 0.0033 * beta**4.15) * power(1e6 / reynolds, 1.15)
            coefficient = 0.9900 - 0.2262 * beta**4.1 - viscous
        elif self.shape == "long radius":
            coefficient = 0.9965 - 0.00653 * root(1e6 * beta / reynolds)
        else:
            # the same for all, in the shape of what was asked
            coefficient = 0.9858 - 0.196 * beta**4.5 + 0.0 * reynolds
        return coefficient

    def coefficient_95(self, reynolds: float) -> float:  # noqa: ARG002
        if self.shape == "ISA 1932":
            return 0.008 if self.beta <= 0.6 else (2.0 * self.beta - 0.4) / 100.0
        return 0.02 if self.shape == "long radius" else (1.2 + 1.5 * self.beta**4) / 100.0

    def expansibility_95(self, ratio: float, kappa: float) -> float:  # noqa: ARG002
        per_drop = 0.04 + self.beta**8 if self.shape == "venturi nozzle" else 0.02
        return per_drop * (1.0 - ratio)


class PipeNozzleRange(ThrottleRange):
    """A nozzle in a pipe that runs full, with straight lengths before and after it."""

    kind: Literal["pipe_nozzle"]
    shape: Shape

    def outside(self) -> str:
        pipe, beta, bore = {
            "ISA 1932": ((50.0, 500.0), (0.3, 0.8), 0.0),
            "long radius": ((50.0, 630.0), (0.2, 0.8), 0.0),
            "venturi nozzle": ((65.0, 500.0), (0.316, 0.775), 50.0),
        }[self.shape]
        return outside_limits(self.bore_m, self.pipe_diameter_m, "ISO 5167-3", pipe, beta, bore)

    def meter(self, reference_air: AirState) -> PipeNozzle:  # noqa: ARG002
        return PipeNozzle(self.bore_m, self.pipe_diameter_m, self.shape, self.accuracy)
