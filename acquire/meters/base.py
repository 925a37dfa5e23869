"""What every flow meter provides: mass flow from its own pressure, and its doubts.

A further meter is one file here, its settings model in the configuration and
one line in ``make_meter``.
"""

from dataclasses import dataclass
from typing import Literal, Protocol

from acquire.air import AirColumn


@dataclass(frozen=True, slots=True)
class Doubt:
    """A relative standard uncertainty of the meter's flow, common to all its readings."""

    name: str
    standard_uncertainty_rel: float
    distribution: Literal["normal", "rectangular"] = "normal"


class Meter(Protocol):
    """One range of a flow meter; pure, and valid for one bench's calibration."""

    @property
    def lowest_pressure_pa(self) -> float:
        """The lowest pressure across the meter at which it may be read."""
        ...

    @property
    def highest_pressure_pa(self) -> float:
        """The highest pressure across the meter at which it may be read."""
        ...

    def mass_flow_kg_s(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> float:
        """Mass flow for a pressure across the meter, 0 < meter pressure < upstream.

        ``upstream_pa`` is absolute, at the meter's upstream tap; ``air`` is
        the air in the meter. Uncertain numbers pass through.
        """
        ...

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:
        """What the meter adds to the budget: calibration, model."""
        ...
