"""Classical venturi tube, ISO 5167-4.

Limits and figures of uncertainty from memory (ISO 5167-4:2003). Below the
Reynolds numbers of the standard's constant coefficient its annex B holds: the
coefficient falls, by 2 % where a 4 in pipe has the flow of a cylinder head, and
its figure rises to 3 %.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from acquire.flow.elementwise import N, one_by_one
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
    # annex B: Reynolds number of the pipe, coefficient, 95 % figure; the last row joins the constant one
    slow: tuple[tuple[float, float, float], ...]

    def at(self, reynolds: float) -> tuple[float, float]:
        """Coefficient and 95 % figure, in straight lines between the rows of annex B."""
        if reynolds >= self.reynolds[0]:
            return self.coefficient, self.accuracy
        if reynolds <= self.slow[0][0]:
            return self.slow[0][1], self.slow[0][2]
        for (low, c, u), (high, next_c, next_u) in pairwise(self.slow):
            if reynolds <= high:
                share = (reynolds - low) / (high - low)
                return c + share * (next_c - c), u + share * (next_u - u)
        return self.slow[-1][1], self.slow[-1][2]


_MAKES: dict[Convergent, _Make] = {
    "as cast": _Make(
        0.984,
        0.007,
        (100.0, 800.0),
        (0.3, 0.75),
        (2e5, 2e6),
        ((4e4, 0.957, 0.025), (6e4, 0.966, 0.02), (1e5, 0.976, 0.015), (1.5e5, 0.982, 0.01), (2e5, 0.984, 0.007)),
    ),
    "machined": _Make(
        0.995,
        0.010,
        (50.0, 250.0),
        (0.4, 0.75),
        (2e5, 1e6),
        ((5e4, 0.970, 0.03), (1e5, 0.977, 0.025), (2e5, 0.995, 0.010)),
    ),
    "rough welded": _Make(
        0.985,
        0.015,
        (200.0, 1200.0),
        (0.4, 0.7),
        (2e5, 2e6),
        ((4e4, 0.96, 0.03), (6e4, 0.97, 0.025), (1e5, 0.98, 0.025), (2e5, 0.985, 0.015)),
    ),
}


class Venturi(Throttle):
    """A venturi tube with the coefficient of its make."""

    def __init__(self, bore_m: float, pipe_m: float, convergent: Convergent, accuracy: float | None = None) -> None:
        super().__init__(bore_m, pipe_m, accuracy)
        self._make = _MAKES[convergent]
        self.reynolds_limits = (self._make.slow[0][0], self._make.reynolds[1])

    def coefficient(self, reynolds: N) -> N:
        return one_by_one(lambda its: self._make.at(its)[0], reynolds)

    def coefficient_95(self, reynolds: float) -> float:
        return self._make.at(reynolds)[1]

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
