"""Flow meters: one file each, with its settings and its formula."""

from typing import Annotated, Any

from pydantic import Discriminator, Tag

from acquire.meters.base import Doubt, Meter, RangeSettings
from acquire.meters.chamber_nozzle import ChamberNozzleRange
from acquire.meters.critical_nozzle import CriticalNozzleRange
from acquire.meters.laminar import LaminarRange
from acquire.meters.orifice import MeterRange
from acquire.meters.pipe_nozzle import PipeNozzleRange
from acquire.meters.pipe_orifice import PipeOrificeRange
from acquire.meters.table import TableRange
from acquire.meters.venturi import VenturiRange

__all__ = ["KINDS", "AnyMeterRange", "Doubt", "Meter", "MeterRange"]


def _kind(value: Any) -> Any:
    kind = value.get("kind", "plate") if isinstance(value, dict) else getattr(value, "kind", "plate")
    return kind if isinstance(kind, str) else "plate"


KINDS: dict[str, type[RangeSettings]] = {
    "plate": MeterRange,
    "table": TableRange,
    "pipe_orifice": PipeOrificeRange,
    "pipe_nozzle": PipeNozzleRange,
    "venturi": VenturiRange,
    "chamber_nozzle": ChamberNozzleRange,
    "critical_nozzle": CriticalNozzleRange,
    "laminar": LaminarRange,
}

AnyMeterRange = Annotated[
    Annotated[MeterRange, Tag("plate")]
    | Annotated[TableRange, Tag("table")]
    | Annotated[PipeOrificeRange, Tag("pipe_orifice")]
    | Annotated[PipeNozzleRange, Tag("pipe_nozzle")]
    | Annotated[VenturiRange, Tag("venturi")]
    | Annotated[ChamberNozzleRange, Tag("chamber_nozzle")]
    | Annotated[CriticalNozzleRange, Tag("critical_nozzle")]
    | Annotated[LaminarRange, Tag("laminar")],
    Discriminator(
        _kind,
        custom_error_type="meter_kind",
        custom_error_message=f"kind is not known: leave it out for a plate, or use one of {', '.join(KINDS)}",
    ),
]
"""The settings of one range, told apart by ``kind``; without one it is a calibrated plate."""
