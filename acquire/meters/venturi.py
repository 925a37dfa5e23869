"""Classical venturi tube, ISO 5167-4.

Limits and figures of uncertainty from memory (ISO 5167-4:2003).
"""

from dataclasses import dataclass
from typing import Literal

from acquire.meters.throttle import Throttle, ThrottleRange, outside_limits
from acquire.values import AirState

Convergent = Literal["as cast", "machined", "rough welded"]


@dataclass(frozen=True, slots=True)
class _Make:
    coefficient: float
    accuracy: float
    pipe_mm: tuple[float, float]
    beta: tuple[float, float]
    reynolds: tuple[float, float]


_MAKES: dict[Convergent, _Make] = {
    "as cast": _Make(0.984, 0.007, (100.0, 800.0), (0.3, 0.75), (2e5, 2e6)),
    "machined": _Make(0.995, 0.010, (50.0, 250.0), (0.4, 0.75), (2e5, 1e6)),
    "rough welded": _Make(0.985, 0.015, (200.0, 1200.0), (0.4, 0.7), (2e5, 2e6)),
}


class Venturi(Throttle):
    """A venturi tube with the constant coefficient of its make."""

    def __init__(self, bore_m: float, pipe_m: float, convergent: Convergent, accuracy: float | None = None) -> None:
        super().__init__(bore_m, pipe_m, accuracy)
        self._make = _MAKES[convergent]
        self.reynolds_limits = self._make.reynolds

    def coefficient(self, reynolds: float) -> float:  # noqa: ARG002
        return self._make.coefficient

    def coefficient_95(self, reynolds: float) -> float:  # noqa: ARG002
        return self._make.accuracy

    def expansibility_95(self, ratio: float, kappa: float) -> float:  # noqa: ARG002
        return (0.04 + self.beta**8) * (1.0 - ratio)


class VenturiRange(ThrottleRange):
    """A venturi tube in a pipe that runs full; ``bore`` is its throat."""

    kind: Literal["venturi"]
    convergent: Convergent

    def outside(self) -> str:
        make = _MAKES[self.convergent]
        return outside_limits(self.bore_m, self.pipe_diameter_m, "ISO 5167-4", make.pipe_mm, make.beta)

    def meter(self, reference_air: AirState) -> Venturi:  # noqa: ARG002
        return Venturi(self.bore_m, self.pipe_diameter_m, self.convergent, self.accuracy)
