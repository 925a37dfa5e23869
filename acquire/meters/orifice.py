"""Sharp-edged plate in a chamber wall, with a calibration constant for each range.

A plate in a wall has no upstream pipe, so no standard gives its discharge
coefficient: the calibrated area (coefficient times bore area) stands for both,
with the uncertainty of its certificate.
"""

from dataclasses import dataclass

from acquire.air import AirColumn
from acquire.meters.base import Doubt
from acquire.restriction import plate_expansibility, plate_expansibility_uncertainty

NORMAL_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class CalibratedPlate:
    """Mass flow = area * expansibility * sqrt(2 dp rho1).

    ``accuracy`` is the certificate's 95 % figure, relative.
    """

    area_m2: float
    accuracy: float
    lowest_pressure_pa: float
    highest_pressure_pa: float

    def mass_flow_kg_s(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> float:
        expansibility = plate_expansibility(1.0 - meter_pressure_pa / upstream_pa, kappa)
        density = air.density_kg_m3(upstream_pa)
        flow: float = self.area_m2 * expansibility * (2.0 * meter_pressure_pa * density) ** 0.5
        return flow

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:  # noqa: ARG002
        ratio = 1.0 - meter_pressure_pa / upstream_pa
        return (
            Doubt("meter calibration", self.accuracy / NORMAL_95),
            Doubt("meter expansibility", plate_expansibility_uncertainty(ratio, kappa)),
        )


def plate_area_m2(
    flow_m3_s: float, at_pressure_pa: float, air_pressure_pa: float, density: float, kappa: float
) -> float:
    """The calibrated area of a plate that passes a flow of air of that density.

    ``flow_m3_s`` is at the upstream state (air pressure, ``density``), the
    plate has ``at_pressure_pa`` across it.
    """
    expansibility = plate_expansibility(1.0 - at_pressure_pa / air_pressure_pa, kappa)
    area: float = flow_m3_s * density / (expansibility * (2.0 * at_pressure_pa * density) ** 0.5)
    return area
