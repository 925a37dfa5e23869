"""From an effective area to a stated flow and back, and the doubt of another test pressure.

A flow is stated by one of three conventions, always at the reference test
pressure. Same restriction: the flow that the effective area would pass in
reference air, intake and exhaust alike from reference air upstream; at an
equal test pressure it does not move with the weather. By mass: the mass flow
from the actual air upstream of the port, over the reference density. As is:
the same over the actual density there.
"""

from dataclasses import dataclass, field

from acquire.config import Reference
from acquire.flow.air import ISENTROPIC_EXPONENT, density_kg_m3
from acquire.flow.restriction import ideal_mass_flux, nozzle_expansibility, plate_expansibility
from acquire.values import AirState


@dataclass(frozen=True, slots=True)
class Statement:
    """The convention of one bench: its reference test pressure and air.

    ``speed_m_s`` is the flow per area by the convention "same restriction";
    the others need the air of the day, see :meth:`speed_from_m_s`. Raises ``ValueError`` for reference
    air that cannot be.
    """

    reference: Reference
    air: AirState = field(init=False)
    density_kg_m3: float = field(init=False)
    speed_m_s: float = field(init=False)

    def __post_init__(self) -> None:
        its = self.reference
        air = AirState(its.air_pressure_pa, its.air_temperature_k, its.air_humidity)
        density = density_kg_m3(air)
        if its.test_pressure_pa >= its.air_pressure_pa:
            raise ValueError(
                f"reference test pressure {its.test_pressure_pa:g} Pa is not below the reference air pressure "
                f"{its.air_pressure_pa:g} Pa: correct reference.test_pressure"
            )
        object.__setattr__(self, "air", air)
        object.__setattr__(self, "density_kg_m3", density)
        object.__setattr__(self, "speed_m_s", self.speed_at_m_s(its.test_pressure_pa))

    @property
    def counts_the_day(self) -> bool:
        """Whether the day's air moves the stated flow of an area."""
        return self.reference.convention != "same restriction"

    def speed_at_m_s(self, test_pressure_pa: float) -> float:
        """Flow per area at another test pressure, in reference air."""
        density = self.density_kg_m3
        return ideal_mass_flux(self.air.pressure_pa, density, test_pressure_pa, ISENTROPIC_EXPONENT) / density

    def speed_from_m_s(
        self, test_pressure_pa: float, upstream_pa: float, upstream_kg_m3: float, kappa: float = ISENTROPIC_EXPONENT
    ) -> float:
        """Stated flow per area, with the actual pressure and density upstream of the port.

        Check: 250 cfm at an inlet density of 1.059842 kg/m3 are 220.049 cfm by
        mass at 1.2041, 234.547 as the same restriction at one barometer, 250
        as is. Traced numbers pass through.
        """
        if not self.counts_the_day:
            return self.speed_at_m_s(test_pressure_pa)
        flux = ideal_mass_flux(upstream_pa, upstream_kg_m3, test_pressure_pa, kappa)
        return flux / (self.density_kg_m3 if self.reference.convention == "by mass" else upstream_kg_m3)

    def flow_m3_s(self, area_m2: float) -> float:
        """The flow of an effective area in reference air."""
        return area_m2 * self.speed_m_s

    def area_m2(self, flow_m3_s: float) -> float:
        """The effective area of a flow in reference air."""
        return flow_m3_s / self.speed_m_s


def port_doubt_rel(
    upstream_pa: float,
    from_pa: float,
    to_pa: float,
    kappa: float = ISENTROPIC_EXPONENT,
    *,
    to_upstream_pa: float | None = None,
) -> float:
    """How far an effective area may move between two test pressures, as a relative half-width.

    A port's passage lies between a nozzle, whose effective area does not
    depend on the pressure, and a sharp edge, whose expansibility falls less:
    the difference between the two is the half-width. It is 0 at equal
    pressures, 0.15 % from 10 to 15 inH2O and about 1 % from 10 to 28.
    ``to_upstream_pa``: the other test pressure is taken from another absolute
    pressure; what counts is the ratio of both.
    """
    here = _edge_over_nozzle(upstream_pa, from_pa, kappa)
    there_pa = upstream_pa if to_upstream_pa is None else to_upstream_pa
    return abs(_edge_over_nozzle(there_pa, to_pa, kappa) / here - 1.0)


def _edge_over_nozzle(upstream_pa: float, dp_pa: float, kappa: float) -> float:
    ratio = 1.0 - dp_pa / upstream_pa
    return plate_expansibility(ratio, kappa) / nozzle_expansibility(ratio, kappa)
