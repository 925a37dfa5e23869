"""Sharp-edged plate in a chamber wall, with a calibration constant for each range.

A plate in a wall has no upstream pipe, so no standard gives its discharge
coefficient: the calibrated area (coefficient times bore area) stands for both,
with the uncertainty of its certificate.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from acquire.flow.air import ISENTROPIC_EXPONENT, AirColumn, density_kg_m3
from acquire.flow.elementwise import N, root
from acquire.flow.restriction import plate_expansibility, plate_expansibility_uncertainty
from acquire.meters.base import NORMAL_95, Doubt, RangeSettings
from acquire.quantity import Area, Flow, Pressure, Ratio
from acquire.values import AirState


@dataclass(frozen=True, slots=True)
class CalibratedPlate:
    """Mass flow = area * expansibility * sqrt(2 dp rho1).

    ``accuracy`` is the certificate's 95 % figure, relative.
    """

    area_m2: float
    accuracy: float

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        expansibility = plate_expansibility(1.0 - meter_pressure_pa / upstream_pa, kappa)
        density = air.density_kg_m3(upstream_pa)
        return self.area_m2 * expansibility * root(2.0 * meter_pressure_pa * density)

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:  # noqa: ARG002
        return plate_doubts(self.accuracy, 1.0 - meter_pressure_pa / upstream_pa, kappa)


class MeterRange(RangeSettings):
    """One calibrated plate range.

    Either the area that the calibration gave (discharge coefficient times
    bore area, for the sharp-edged plate relation at its expansibility), or
    the flow of reference air that the range passes at a pressure across it.
    ``accuracy`` is the 95 % figure of the calibration, relative.
    """

    kind: Literal["plate"] = "plate"
    area_m2: Annotated[Area | None, Field(alias="area", gt=0)] = None
    flow_m3_s: Annotated[Flow | None, Field(alias="flow", gt=0)] = None
    at_pressure_pa: Annotated[Pressure | None, Field(alias="at_pressure", gt=0)] = None
    accuracy: Annotated[Ratio, Field(gt=0, le=0.2)]

    @model_validator(mode="after")
    def _one_form(self) -> "MeterRange":
        by_flow = self.flow_m3_s is not None and self.at_pressure_pa is not None
        if (self.area_m2 is not None) == by_flow:
            raise ValueError("give either area, or flow with at_pressure")
        return self

    def meter(self, reference_air: AirState) -> CalibratedPlate:
        area = self.area_m2
        if self.flow_m3_s is not None and self.at_pressure_pa is not None:
            area = plate_area_m2(self.flow_m3_s, self.at_pressure_pa, reference_air)
        assert area is not None  # one form or the other
        return CalibratedPlate(area, self.accuracy)


def plate_area_m2(flow_m3_s: float, at_pressure_pa: float, air: AirState) -> float:
    """The calibrated area of a plate that passes a flow of upstream air at a pressure across it."""
    density = density_kg_m3(air)
    expansibility = plate_expansibility(1.0 - at_pressure_pa / air.pressure_pa, ISENTROPIC_EXPONENT)
    area: float = flow_m3_s * density / (expansibility * (2.0 * at_pressure_pa * density) ** 0.5)
    return area


def plate_doubts(accuracy: float, ratio: float, kappa: float) -> tuple[Doubt, ...]:
    """The doubts of a plate in a wall, with the 95 % figure of its calibration."""
    return (
        Doubt("meter calibration", accuracy / NORMAL_95),
        Doubt("meter expansibility", plate_expansibility_uncertainty(ratio, kappa)),
    )
