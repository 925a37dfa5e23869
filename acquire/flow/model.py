"""The bench as a model: from its two pressures to the port's effective area.

The meter gives the mass flow; the port's effective area is the ideal nozzle
throat that passes that mass flow between the states on both sides of the port.
Intake: from the room into the plenum. Exhaust: from the plenum, whose air has
the meter's temperature, into the room.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from acquire.config import BenchConfig
from acquire.flow.air import (
    ISENTROPIC_EXPONENT,
    AirColumn,
    air_column,
    check_air,
    vapour_fraction,
)
from acquire.flow.elementwise import N, Truth
from acquire.flow.meter_range import range_fault, reference_air
from acquire.flow.restriction import ideal_mass_flux
from acquire.flow.statement import Statement
from acquire.meters import Meter
from acquire.series import Floats
from acquire.values import AirState, Direction

# a test pressure below this is no pressure, and an area over it no area
_LEAST_PA = 1e-3


class Taps(NamedTuple):
    """Where the absolute pressures come from, as shares of the bench's own.

    Port upstream = room + ``port_test`` * test pressure; meter upstream =
    room + ``meter_test`` * test pressure + ``meter_own`` * meter pressure.
    """

    port_test: float
    meter_test: float
    meter_own: float


def taps_of(direction: Direction, upstream: str) -> Taps:
    """The taps for a direction; ``upstream`` as in the meter's settings."""
    plenum = -1.0 if direction == "intake" else 1.0
    return Taps(
        port_test=0.0 if direction == "intake" else 1.0,
        meter_test=0.0 if upstream == "room" else plenum,
        meter_own=1.0 if upstream == "above_plenum" else 0.0,
    )


@dataclass(frozen=True, slots=True)
class FlowModel:
    """Everything that holds as long as range, room air and meter temperature do.

    ``FlowModel(config, direction, meter_range, room, meter_temperature_k)``
    raises ``ValueError`` for an unknown range, or air that cannot be. Build a
    new one when the room's air has moved; it costs some tens of microseconds.
    """

    config: BenchConfig
    direction: Direction
    meter_range: str
    room: AirState
    meter_temperature_k: float
    meter: Meter = field(init=False)
    taps: Taps = field(init=False)
    statement: Statement = field(init=False)
    stated_speed_m_s: float = field(init=False)
    port_air: AirColumn = field(init=False)
    meter_air: AirColumn = field(init=False)

    def __post_init__(self) -> None:
        settings, room = self.config.meter, self.room
        if self.meter_range not in settings.ranges:
            raise ValueError(f"meter range {self.meter_range!r} is not known: use one of {', '.join(settings.ranges)}")
        check_air(room)
        try:
            check_air(AirState(room.pressure_pa, self.meter_temperature_k, 0.0))
        except ValueError as error:
            raise ValueError(f"at the meter, {error}") from error
        upstream = settings.upstream_intake if self.direction == "intake" else settings.upstream_exhaust
        set_to = object.__setattr__
        set_to(self, "meter", settings.ranges[self.meter_range].meter(reference_air(self.config.reference)))
        set_to(self, "taps", taps_of(self.direction, upstream))
        set_to(self, "statement", Statement(self.config.reference))
        fraction = vapour_fraction(room.pressure_pa, room.temperature_k, room.relative_humidity)
        port_air, meter_air = self.columns(room.temperature_k, self.meter_temperature_k, fraction)
        set_to(self, "port_air", port_air)
        set_to(self, "meter_air", meter_air)
        set_to(self, "stated_speed_m_s", self.stated_speed_at_m_s(self.config.reference.test_pressure_pa))

    def columns(
        self, room_k: float, meter_k: float, fraction: float, formula: float = 1.0
    ) -> tuple[AirColumn, AirColumn]:
        """The air upstream of the port, and the air in the meter; ``formula`` is a factor of both densities."""
        meter_air = air_column(meter_k, fraction, formula)
        return (air_column(room_k, fraction, formula) if self.direction == "intake" else meter_air), meter_air

    def effective_area_m2(self, meter_pressure_pa: float, test_pressure_pa: float) -> float:
        """The port's effective area for one sample, leakage included.

        0.0 when either pressure is not above zero, or so high that nothing
        would be left of the room's pressure: there is no flow to state then.
        """
        return self.area_between(
            meter_pressure_pa, test_pressure_pa, self.room.pressure_pa, self.port_air, self.meter_air
        )

    def area_and_flow(self, meter_pressure_pa: float, test_pressure_pa: float) -> tuple[float, float]:
        """The same, and the mass flow of that area in kg/s: for every sample."""
        if not self._flows(meter_pressure_pa, test_pressure_pa, self.room.pressure_pa):
            return 0.0, 0.0
        return self._area_and_flow(meter_pressure_pa, test_pressure_pa)

    def areas_and_flows(self, meter_pressure_pa: Floats, test_pressure_pa: Floats) -> tuple[Floats, Floats]:
        """The same for many, arrays of shape (n,): to the last bit as sample by sample, however they are parted."""
        flows = self._flows(meter_pressure_pa, test_pressure_pa, self.room.pressure_pa)
        if np.all(flows):
            return self._area_and_flow(meter_pressure_pa, test_pressure_pa)
        areas_m2, flows_kg_s = np.zeros((2, meter_pressure_pa.size))
        areas_m2[flows], flows_kg_s[flows] = self._area_and_flow(meter_pressure_pa[flows], test_pressure_pa[flows])
        return areas_m2, flows_kg_s

    def _area_and_flow(self, meter_pa: N, test_pa: N) -> tuple[N, N]:
        room_pa = self.room.pressure_pa
        mass_kg_s, flux = self._passing(meter_pa, test_pa, room_pa, self.port_air, self.meter_air, ISENTROPIC_EXPONENT)
        area_m2 = mass_kg_s / flux
        return area_m2, area_m2 * flux

    def area_between(
        self,
        meter_pa: float,
        test_pa: float,
        room_pa: float,
        port_air: AirColumn,
        meter_air: AirColumn,
        kappa: float = ISENTROPIC_EXPONENT,
    ) -> float:
        """The same with every influence given: what the budget propagates through."""
        if not self._flows(meter_pa, test_pa, room_pa):
            return 0.0
        mass_kg_s, flux = self._passing(meter_pa, test_pa, room_pa, port_air, meter_air, kappa)
        return mass_kg_s / flux

    def _flows(self, meter_pa: N, test_pa: N, room_pa: float) -> Truth:
        """Whether there is a flow to state."""
        _, test_share, own_share = self.taps
        flows: Truth = (
            (meter_pa > 0.0)
            & (meter_pa < room_pa)
            & (test_pa > _LEAST_PA)
            & (test_pa < room_pa)
            & (meter_pa < room_pa + test_share * test_pa + own_share * meter_pa)
        )
        return flows

    def _passing(
        self, meter_pa: N, test_pa: N, room_pa: float, port_air: AirColumn, meter_air: AirColumn, kappa: float
    ) -> tuple[N, N]:
        """Mass flow through the meter and the port's ideal flux, where there is a flow to state."""
        port_share, test_share, own_share = self.taps
        upstream_pa = room_pa + test_share * test_pa + own_share * meter_pa
        port_pa = room_pa + port_share * test_pa
        flux = ideal_mass_flux(port_pa, port_air.density_kg_m3(port_pa), test_pa, kappa)
        return self.meter.mass_flow_kg_s(meter_pa, upstream_pa, meter_air, kappa), flux

    def mass_flow_kg_s(self, meter_pressure_pa: float, test_pressure_pa: float) -> float:
        """Mass flow through the meter; 0.0 in the same cases as the area."""
        if not self._flows(meter_pressure_pa, test_pressure_pa, self.room.pressure_pa):
            return 0.0
        upstream_pa = self.meter_upstream_pa(meter_pressure_pa, test_pressure_pa)
        return self.meter.mass_flow_kg_s(meter_pressure_pa, upstream_pa, self.meter_air, ISENTROPIC_EXPONENT)

    def port_flux_kg_s_m2(self, test_pressure_pa: float) -> float:
        """Ideal mass flux through the port at a test pressure above zero."""
        port_pa = self.port_pressure_pa(test_pressure_pa)
        return ideal_mass_flux(port_pa, self.port_air.density_kg_m3(port_pa), test_pressure_pa, ISENTROPIC_EXPONENT)

    def port_pressure_pa(self, test_pressure_pa: float) -> float:
        """Absolute pressure upstream of the port."""
        return self.room.pressure_pa + self.taps.port_test * test_pressure_pa

    def stated_upstream_pa(self, test_pressure_pa: float) -> float:
        """Absolute pressure upstream of the port in the state that a flow is stated for."""
        if not self.statement.counts_the_day:
            return self.statement.air.pressure_pa
        return self.port_pressure_pa(test_pressure_pa)

    def meter_upstream_pa(self, meter_pressure_pa: float, test_pressure_pa: float) -> float:
        """Absolute pressure at the meter's upstream tap."""
        taps = self.taps
        return self.room.pressure_pa + taps.meter_test * test_pressure_pa + taps.meter_own * meter_pressure_pa

    def range_fault(self, meter_pressure_pa: float) -> str | None:
        """Why the meter may not be read at this pressure, and which range to use; None if it may."""
        return range_fault(self.config, self.meter_range, meter_pressure_pa)

    def stated_flow_m3_s(self, area_m2: float) -> float:
        """The flow that states an effective area by the bench's convention, see :class:`Statement`."""
        return area_m2 * self.stated_speed_m_s

    def stated_speed_at_m_s(self, test_pressure_pa: float) -> float:
        """Stated flow per effective area at a test pressure, in today's air where the convention counts it."""
        return self.speed_between(test_pressure_pa, self.room.pressure_pa, self.port_air)

    def speed_between(
        self, test_pressure_pa: float, room_pa: float, port_air: AirColumn, kappa: float = ISENTROPIC_EXPONENT
    ) -> float:
        """The same with every influence given: what the budget propagates through.

        The air upstream of the port is the room's (intake), or the plenum's
        at that test pressure (exhaust).
        """
        upstream_pa = room_pa + self.taps.port_test * test_pressure_pa
        return self.statement.speed_from_m_s(test_pressure_pa, upstream_pa, port_air.density_kg_m3(upstream_pa), kappa)
