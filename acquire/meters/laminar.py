"""Laminar element: volume flow at inlet conditions by its certificate's polynomial.

A laminar element reads volume, and less of it the more viscous the air:
q = (c1 dp + c2 dp^2 + ...) mu_certificate / mu. The viscosity formula has to
be that of the certificate, as formulas differ by 0.4 %.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from acquire.flow.air import AirColumn, sutherland_viscosity_pa_s, viscosity_pa_s
from acquire.flow.elementwise import N, at_least
from acquire.meters.base import NORMAL_95, Doubt, RangeSettings
from acquire.quantity import Ratio, Temperature
from acquire.units import UnitError, factor, kind_of
from acquire.values import AirState

Viscosity = Literal["reference", "sutherland"]

# humid air's viscosity by the mixture rule, against the reference equations
_VISCOSITY_HALF_WIDTH = 0.002
_ATMOSPHERE_PA = 101325.0


@dataclass(frozen=True, slots=True)
class Laminar:
    """``coefficients`` are SI: m3/s for a power series in Pa without a constant."""

    coefficients: tuple[float, ...]
    certificate_viscosity_pa_s: float
    viscosity: Viscosity
    accuracy: float

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:  # noqa: ARG002
        series = 0.0 * meter_pressure_pa
        for coefficient in reversed(self.coefficients):
            series = (series + coefficient) * meter_pressure_pa
        # far beyond its range a falling polynomial has no flow to give
        positive = at_least(series, 0.0)
        flow = positive * self.certificate_viscosity_pa_s / self._viscosity(air)
        return flow * air.density_kg_m3(upstream_pa)

    def _viscosity(self, air: AirColumn) -> float:
        if self.viscosity == "sutherland":
            return sutherland_viscosity_pa_s(air.temperature_k)
        return air.viscosity_pa_s

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:  # noqa: ARG002
        half_width = _VISCOSITY_HALF_WIDTH
        if self.viscosity == "sutherland":
            # the certificate's formula knows no humidity: what it leaves out counts
            half_width += abs(air.viscosity_pa_s / viscosity_pa_s(_ATMOSPHERE_PA, air.temperature_k) - 1.0)
        return (
            Doubt("meter calibration", self.accuracy / NORMAL_95),
            Doubt("viscosity of the air", half_width / 3**0.5, "rectangular"),
        )


class LaminarRange(RangeSettings):
    """The certificate's polynomial: ``coefficients`` multiply the first, second, ... power of the pressure.

    ``pressure_unit`` names its water (``inH2O@4C``); the flow is at the
    element's inlet, and the certificate's air dry at ``air_temperature``.
    """

    kind: Literal["laminar"]
    coefficients: Annotated[tuple[float, ...], Field(min_length=1, max_length=6)]
    pressure_unit: str
    flow_unit: str
    air_temperature_k: Annotated[Temperature, Field(alias="air_temperature", ge=230, le=370)]
    viscosity: Viscosity
    accuracy: Annotated[Ratio, Field(gt=0, le=0.2)]

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.pressure_unit == "inH2O":
            raise ValueError("pressure_unit must name its water, as the certificate does: such as inH2O@4C")
        for key, unit, kind in (
            ("pressure_unit", self.pressure_unit, "pressure"),
            ("flow_unit", self.flow_unit, "flow"),
        ):
            try:
                known = kind_of(unit)
            except UnitError as error:
                raise ValueError(f"{key}: {error}") from error
            if known != kind:
                raise ValueError(f"{key} = {unit!r} is not a unit of {kind}")
        flows = [self._series(self.lowest_pressure_pa + share / 50 * self._span_pa) for share in range(51)]
        if any(b <= a for a, b in pairwise(flows)):
            raise ValueError("coefficients do not give a flow that rises from lowest_pressure to highest_pressure")
        return self

    @property
    def _span_pa(self) -> float:
        return self.highest_pressure_pa - self.lowest_pressure_pa

    def _series(self, pressure_pa: float) -> float:
        in_unit = pressure_pa / factor(self.pressure_unit)
        return sum(c * in_unit ** (k + 1) for k, c in enumerate(self.coefficients))

    @property
    def area_m2(self) -> None:
        """None: a laminar element has no one area."""

    def meter(self, reference_air: AirState) -> Laminar:  # noqa: ARG002
        pressure, flow = factor(self.pressure_unit), factor(self.flow_unit)
        coefficients = tuple(c * flow / pressure ** (k + 1) for k, c in enumerate(self.coefficients))
        at_certificate = (
            sutherland_viscosity_pa_s(self.air_temperature_k)
            if self.viscosity == "sutherland"
            else viscosity_pa_s(_ATMOSPHERE_PA, self.air_temperature_k)
        )
        return Laminar(coefficients, at_certificate, self.viscosity, self.accuracy)
