"""Critical-flow nozzle with a toroidal throat, ISO 9300.

m = A Cd C* p0 / sqrt(R T0). A flow bench reaches choking only with a pump: such
a nozzle serves as a source of known flow, or behind a diffuser.
"""

import math
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from acquire.flow.air import AirColumn
from acquire.flow.elementwise import N, Truth, at_least, constant, piecewise, root
from acquire.flow.restriction import choked_mass_flux, critical_pressure_ratio
from acquire.meters.base import NORMAL_95, Doubt, RangeSettings
from acquire.meters.throttle import LEAST_REYNOLDS
from acquire.quantity import Length, Ratio
from acquire.values import AirState

_REYNOLDS = (2.1e4, 3.2e7)
_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class CriticalNozzle:
    """Mass flow from the upstream state alone, as long as the throat is choked.

    ``highest_ratio`` is p2/p1 up to which it is known to be; None takes the
    throat's own critical ratio. ``discharge`` is a certificate's coefficient.
    """

    bore_m: float
    discharge: float | None
    accuracy: float
    highest_ratio: float | None

    def choked(self, meter_pressure_pa: N, upstream_pa: N, kappa: float) -> Truth:
        """Whether the pressure across the nozzle is enough."""
        limit = critical_pressure_ratio(kappa) if self.highest_ratio is None else self.highest_ratio
        return 1.0 - meter_pressure_pa / upstream_pa <= limit

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        """Mass flow; 0.0 while the nozzle is not choked."""
        choked = self.choked(meter_pressure_pa, upstream_pa, kappa)
        flow: N = piecewise(choked, self._highest_flow_kg_s, constant(0.0), upstream_pa, air, kappa)
        return flow

    def _highest_flow_kg_s(self, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        perfect = choked_mass_flux(upstream_pa, air.density_kg_m3(upstream_pa), kappa)
        ideal = 0.25 * math.pi * self.bore_m**2 * perfect * real_air_factor(upstream_pa)
        if self.discharge is not None:
            return ideal * self.discharge
        per_reynolds = 4.0 / (math.pi * self.bore_m * air.viscosity_pa_s)
        flow = ideal
        for _ in range(_ROUNDS):
            flow = ideal * toroidal_coefficient(at_least(per_reynolds * flow, LEAST_REYNOLDS))
        return flow

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:
        if not self.choked(meter_pressure_pa, upstream_pa, kappa):
            raise ValueError(
                f"the critical nozzle is not choked at {meter_pressure_pa:.4g} Pa across it: lower the pressure "
                "behind it, or use a range with another kind of meter"
            )
        doubts = [
            Doubt("meter calibration", self.accuracy / NORMAL_95),
            Doubt("critical flow of real air", 0.0005 / 3**0.5, "rectangular"),
        ]
        flow = self.mass_flow_kg_s(meter_pressure_pa, upstream_pa, air, kappa)
        reynolds = 4.0 * flow / (math.pi * self.bore_m * air.viscosity_pa_s)
        if self.discharge is None and not _REYNOLDS[0] <= reynolds <= _REYNOLDS[1]:
            doubts.append(Doubt("meter beyond its Reynolds numbers", 0.01 / 3**0.5, "rectangular"))
        return tuple(doubts)


def toroidal_coefficient(reynolds: N) -> N:
    """Discharge coefficient, ISO 9300:2022, toroidal throat: 0.3 % at 95 % from 2.1e4 to 3.2e7."""
    return 0.9959 - 2.720 / root(reynolds)


def real_air_factor(upstream_pa: N) -> N:
    """Critical flow function of real dry air over that of a perfect gas of 1.4, near 20 C.

    A line through the maximum of the isentropic mass flux by the reference
    equations: +0.06 % at 1 bar, +0.31 % at 7 bar; within 0.05 % up to 10 bar.
    """
    return 1.0 + 1.6e-4 + 4.3e-9 * upstream_pa


class CriticalNozzleRange(RangeSettings):
    """A critical nozzle; ``coefficient`` is that of its certificate, else the standard's equation."""

    kind: Literal["critical_nozzle"]
    bore_m: Annotated[Length, Field(alias="bore", gt=0)]
    coefficient: Annotated[float | None, Field(gt=0.5, le=1.0)] = None
    accuracy: Annotated[Ratio, Field(gt=0, le=0.2)] = 0.003
    highest_back_pressure_ratio: Annotated[Ratio | None, Field(gt=0.3, le=0.95)] = None

    @property
    def area_m2(self) -> float:
        """Area of the throat."""
        return 0.25 * math.pi * self.bore_m**2

    def meter(self, reference_air: AirState) -> CriticalNozzle:  # noqa: ARG002
        return CriticalNozzle(self.bore_m, self.coefficient, self.accuracy, self.highest_back_pressure_ratio)
