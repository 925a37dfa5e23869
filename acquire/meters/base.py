"""What every flow meter provides, and the settings that every range has.

A further meter is one file in this folder, with its settings (a
:class:`RangeSettings` of its own ``kind``) and its formula, and one entry in
``AnyMeterRange``.
"""

from dataclasses import dataclass
from typing import Annotated, Literal, Protocol, Self

from pydantic import Field, model_validator

from acquire.flow.air import AirColumn
from acquire.flow.elementwise import N
from acquire.quantity import Pressure, Table
from acquire.values import AirState

NORMAL_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Doubt:
    """A relative standard uncertainty of the meter's flow, common to all its readings."""

    name: str
    standard_uncertainty_rel: float
    distribution: Literal["normal", "rectangular"] = "normal"


class Meter(Protocol):
    """One range of a flow meter: pure, for one bench's calibration."""

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        """Mass flow for a pressure across the meter, 0 < meter pressure < upstream.

        ``upstream_pa`` is absolute, at the meter's upstream tap; ``air`` is
        the air in the meter. Traced numbers pass through, and arrays of shape
        (n,), to the last bit as sample by sample.
        """
        ...

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:
        """What the meter adds to the budget: calibration, model.

        Raises ``ValueError`` with one sentence where its relation does not hold.
        """
        ...


class RangeSettings(Table):
    """What every range of a meter states: where it may be read, and by which certificate."""

    lowest_pressure_pa: Annotated[Pressure, Field(alias="lowest_pressure", ge=0)] = 0.0
    highest_pressure_pa: Annotated[Pressure, Field(alias="highest_pressure", gt=0)]
    certificate: str = ""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.lowest_pressure_pa >= self.highest_pressure_pa:
            raise ValueError("lowest_pressure must be below highest_pressure")
        return self

    def meter(self, reference_air: AirState) -> Meter:
        """The meter itself; ``reference_air`` is what flows of the certificate refer to."""
        raise NotImplementedError
