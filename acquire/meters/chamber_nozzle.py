"""Long-radius nozzle in a chamber wall, ANSI/AMCA 210 (ASHRAE 51).

The coefficients for a throat of half a diameter, the least Reynolds number
and the figure of uncertainty are from memory.
"""

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from acquire.flow.elementwise import N, root
from acquire.meters.base import RangeSettings
from acquire.meters.throttle import Throttle
from acquire.quantity import Length, Ratio
from acquire.values import AirState


class ChamberNozzle(Throttle):
    """A nozzle without an approach pipe: the Reynolds number refers to its throat."""

    reynolds_limits = (12_000.0, 1e7)

    def __init__(self, bore_m: float, throat_length: float, accuracy: float | None = None) -> None:
        super().__init__(bore_m, None, accuracy)
        self._root, self._inverse = (7.006, 134.6) if throat_length == 0.6 else (6.688, 131.5)

    def coefficient(self, reynolds: N) -> N:
        """Check for a throat of 0.6 diameters: Re 1e5 -> 0.977791."""
        return 0.9986 - self._root / root(reynolds) + self._inverse / reynolds

    def coefficient_95(self, reynolds: float) -> float:  # noqa: ARG002
        return 0.012

    def expansibility_95(self, ratio: float, kappa: float) -> float:  # noqa: ARG002
        return 0.02 * (1.0 - ratio)


class ChamberNozzleRange(RangeSettings):
    """A nozzle in a wall; ``throat_length`` is in diameters, 0.5 or 0.6."""

    kind: Literal["chamber_nozzle"]
    bore_m: Annotated[Length, Field(alias="bore", gt=0)]
    throat_length: float = 0.6
    accuracy: Annotated[Ratio | None, Field(gt=0, le=0.2)] = None

    @model_validator(mode="after")
    def _known_throat(self) -> Self:
        if self.throat_length not in (0.5, 0.6):
            raise ValueError("throat_length is 0.5 or 0.6 diameters: the standard has no other nozzle")
        return self

    @property
    def area_m2(self) -> float:
        """Area of the throat."""
        return 0.25 * math.pi * self.bore_m**2

    def meter(self, reference_air: AirState) -> ChamberNozzle:  # noqa: ARG002
        return ChamberNozzle(self.bore_m, self.throat_length, self.accuracy)
