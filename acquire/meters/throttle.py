"""What the standard throttles have in common: a coefficient that depends on the Reynolds number.

m = C(Re) E eps pi/4 d^2 sqrt(2 dp rho1) with E = 1/sqrt(1 - beta^4): implicit
in m, solved by iteration. beta = 0 is a chamber wall, and Re then refers to
the throat. The figures of uncertainty and the limits of application are those
of the standards, quoted from memory where a file says so.
"""

import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from acquire.flow.air import AirColumn
from acquire.flow.elementwise import N, at_least, root
from acquire.flow.restriction import nozzle_expansibility
from acquire.meters.base import NORMAL_95, Doubt, Meter, RangeSettings
from acquire.quantity import Length, Ratio
from acquire.values import AirState

if TYPE_CHECKING:
    from acquire.series import Floats

_FIRST_REYNOLDS = 1e5
_MOST_ROUNDS = 40
_SETTLED_REL = 1e-14
# some equations go negative where nothing flows any more: below this their coefficient stays
LEAST_REYNOLDS = 1000.0
_LEAST_RATIO = 0.75


class Throttle(ABC):
    """An orifice, nozzle or venturi tube by its standard.

    ``accuracy`` is the 95 % figure of a calibration of this very meter; None
    takes the standard's own for its coefficient.
    """

    reynolds_limits: tuple[float, float]

    def __init__(self, bore_m: float, pipe_m: float | None, accuracy: float | None) -> None:
        self.bore_m = bore_m
        self.beta = 0.0 if pipe_m is None else bore_m / pipe_m
        self.reynolds_length_m = bore_m if pipe_m is None else pipe_m
        self.accuracy = accuracy
        self.area_m2 = 0.25 * math.pi * bore_m**2 / math.sqrt(1.0 - self.beta**4)

    @abstractmethod
    def coefficient(self, reynolds: N) -> N:
        """Discharge coefficient; the Reynolds number refers to the pipe, or to the throat without one."""

    @abstractmethod
    def coefficient_95(self, reynolds: float) -> float:
        """The standard's relative 95 % figure for the coefficient."""

    @abstractmethod
    def expansibility_95(self, ratio: float, kappa: float) -> float:
        """The standard's relative 95 % figure for the expansibility."""

    def expansibility(self, ratio: N, kappa: float) -> N:
        """Expansibility factor for p2/p1."""
        return nozzle_expansibility(ratio, kappa, self.beta)

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        ratio = 1.0 - meter_pressure_pa / upstream_pa
        density = air.density_kg_m3(upstream_pa)
        ideal = self.area_m2 * self.expansibility(ratio, kappa) * root(2.0 * meter_pressure_pa * density)
        per_reynolds = 4.0 / (math.pi * self.reynolds_length_m * air.viscosity_pa_s)
        flow = ideal * self.coefficient(_FIRST_REYNOLDS)
        if isinstance(flow, float):
            return self._settled(flow, ideal, per_reynolds)
        import numpy as np

        if isinstance(flow, np.ndarray):
            return self._settled_many(flow, ideal, per_reynolds)
        return self._settled(flow, ideal, per_reynolds)

    def _settled(self, flow: float, ideal: float, per_reynolds: float) -> float:
        """The flow that its own Reynolds number gives, from a first guess on."""
        for _ in range(_MOST_ROUNDS):
            before, flow = flow, self._next(flow, ideal, per_reynolds)
            if abs(flow - before) <= _SETTLED_REL * flow:
                break
        return flow

    def _settled_many(self, flow: "Floats", ideal: "Floats", per_reynolds: float) -> "Floats":
        """The same for many: each goes on as long as it would by itself."""
        import numpy as np

        going = np.arange(flow.size)
        for _ in range(_MOST_ROUNDS):
            before = flow[going]
            flow[going] = after = self._next(before, ideal[going], per_reynolds)
            going = going[~(np.abs(after - before) <= _SETTLED_REL * after)]
            if not going.size:
                break
        return flow

    def _next(self, flow: N, ideal: N, per_reynolds: float) -> N:
        return ideal * self.coefficient(at_least(per_reynolds * flow, LEAST_REYNOLDS))

    def reynolds(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> float:
        """Reynolds number at a reading."""
        flow = self.mass_flow_kg_s(meter_pressure_pa, upstream_pa, air, kappa)
        return 4.0 * flow / (math.pi * self.reynolds_length_m * air.viscosity_pa_s)

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:
        ratio = 1.0 - meter_pressure_pa / upstream_pa
        if ratio < _LEAST_RATIO:
            raise ValueError(
                f"the pressure across the meter is {meter_pressure_pa / upstream_pa:.0%} of the absolute pressure "
                "before it, and its relation holds up to 25 %: use a larger range"
            )
        reynolds = self.reynolds(meter_pressure_pa, upstream_pa, air, kappa)
        stated = self.coefficient_95(reynolds) if self.accuracy is None else self.accuracy
        doubts = [
            Doubt("meter calibration" if self.accuracy else "meter coefficient", stated / NORMAL_95),
            Doubt("meter expansibility", self.expansibility_95(ratio, kappa) / NORMAL_95),
        ]
        low, high = self.reynolds_limits
        if not low <= reynolds <= high:
            # outside, the coefficient may go on as its equation does or stay: the whole difference counts, and 1 %
            limit = low if reynolds < low else high
            half_width = 0.01 + abs(self.coefficient(reynolds) / self.coefficient(limit) - 1.0)
            doubts.append(Doubt("meter beyond its Reynolds numbers", half_width / 3**0.5, "rectangular"))
        return tuple(doubts)


class ThrottleRange(RangeSettings):
    """A throttle in a pipe. ``accuracy`` is needed where the standard does not cover the dimensions."""

    bore_m: Annotated[Length, Field(alias="bore", gt=0)]
    pipe_diameter_m: Annotated[Length, Field(alias="pipe_diameter", gt=0)]
    accuracy: Annotated[Ratio | None, Field(gt=0, le=0.2)] = None

    @property
    def area_m2(self) -> float:
        """Area of the bore."""
        return 0.25 * math.pi * self.bore_m**2

    def outside(self) -> str:
        """Which dimension the standard does not cover, as the middle of a sentence; empty if it covers all."""
        raise NotImplementedError

    @model_validator(mode="after")
    def _covered(self) -> Self:
        if self.bore_m >= self.pipe_diameter_m:
            raise ValueError("bore must be smaller than pipe_diameter")
        outside = self.outside()
        if outside and self.accuracy is None:
            raise ValueError(f"{outside}: have this meter calibrated and give its accuracy")
        return self

    def meter(self, reference_air: AirState) -> Meter:
        raise NotImplementedError


def outside_limits(
    bore_m: float,
    pipe_m: float,
    standard: str,
    pipe_limits_mm: tuple[float, float],
    beta_limits: tuple[float, float],
    least_bore_mm: float = 0.0,
) -> str:
    """Which dimension lies outside a standard's limits, as the middle of a sentence; empty if none."""
    beta = bore_m / pipe_m
    if not pipe_limits_mm[0] <= pipe_m * 1000 <= pipe_limits_mm[1]:
        return f"{standard} covers pipes of {pipe_limits_mm[0]:g} to {pipe_limits_mm[1]:g} mm, not {pipe_m * 1000:.4g}"
    if not beta_limits[0] <= beta <= beta_limits[1]:
        return f"{standard} covers bores of {beta_limits[0]:g} to {beta_limits[1]:g} of the pipe, not {beta:.3g}"
    if bore_m * 1000 < least_bore_mm:
        return f"{standard} covers bores from {least_bore_mm:g} mm, not {bore_m * 1000:.4g}"
    return ""
