"""Room air entered by hand, with its date, as it is kept."""

from collections.abc import Mapping
from datetime import datetime
from typing import ClassVar, Self

from pydantic import ValidationError, model_validator

from acquire.bench_records import BenchRecord
from acquire.flow.air import check_entered, station_pressure_pa
from acquire.units import Kind, UnitError, parse_difference, parse_quantity


class RoomEntry(BenchRecord):
    """What a barometer, a thermometer and a hygrometer on the wall said at ``made_utc``.

    ``pressure_pa`` is the station pressure; with ``sea_level_pressure_pa``,
    what the barometer showed, it is worked out for ``altitude_m``. Accuracies
    are 95 % half-widths; None leaves the configuration's.
    """

    KIND: ClassVar[str] = "room air"

    pressure_pa: float | None = None
    temperature_k: float | None = None
    humidity: float | None = None
    sea_level_pressure_pa: float | None = None
    altitude_m: float | None = None
    pressure_accuracy_pa: float | None = None
    temperature_accuracy_k: float | None = None
    humidity_accuracy: float | None = None

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        if self.sea_level_pressure_pa is not None:
            if self.altitude_m is None:
                raise ValueError("a sea-level pressure needs the altitude too: give both, or the station's pressure")
            station_pa = station_pressure_pa(self.sea_level_pressure_pa, self.altitude_m)
            if self.pressure_pa is not None and abs(self.pressure_pa - station_pa) > 1.0:
                raise ValueError("give either the station's pressure, or the sea-level pressure with the altitude")
            # frozen to all others: this is still its making
            object.__setattr__(self, "pressure_pa", station_pa)
        check_entered(self.pressure_pa, self.temperature_k, self.humidity, self.altitude_m)
        for name in ("pressure_accuracy_pa", "temperature_accuracy_k", "humidity_accuracy"):
            accuracy = getattr(self, name)
            if accuracy is not None and not accuracy > 0.0:
                raise ValueError("an accuracy must be above zero: it is the 95 % figure of the instrument")
        if self.pressure_pa is None and self.temperature_k is None and self.humidity is None:
            raise ValueError("there is nothing to keep: give a pressure, a temperature or a humidity")
        return self


# a clock set back a little is no reason to distrust an entry
_AHEAD_S = 3600.0


def age_of_entry_s(entered: str, now: datetime) -> float | None:
    """How old a dated entry is at an instant; None without a date that can be read, or for one still to come.

    A date alone counts from its beginning. Without a zone it is in that of
    ``now``.
    """
    try:
        then = datetime.fromisoformat(entered.strip())
    except ValueError:
        return None
    if then.tzinfo is None:
        then = then.replace(tzinfo=now.tzinfo)
    age_s = (now - then).total_seconds()
    return max(age_s, 0.0) if age_s > -_AHEAD_S else None


_KINDS: dict[str, tuple[str, Kind]] = {
    "pressure": ("pressure_pa", "pressure"),
    "sea_level": ("sea_level_pressure_pa", "pressure"),
    "altitude": ("altitude_m", "length"),
    "temperature": ("temperature_k", "temperature"),
    "humidity": ("humidity", "humidity"),
    "pressure_accuracy": ("pressure_accuracy_pa", "pressure"),
    "humidity_accuracy": ("humidity_accuracy", "humidity"),
}


def read_entry(given: Mapping[str, str | None], made_utc: str, made_by: str = "") -> RoomEntry:
    """An entry from what was written, quantities with their units.

    Raises ``ValueError`` with one sentence that names what is wrong.
    """
    values: dict[str, object] = {"made_utc": made_utc, "made_by": made_by}
    for name, text in given.items():
        if text is None:
            continue
        try:
            if name == "temperature_accuracy":
                values["temperature_accuracy_k"] = parse_difference(text, "temperature")
            else:
                attribute, kind = _KINDS[name]
                values[attribute] = parse_quantity(text, kind)
        except UnitError as error:
            raise ValueError(f"{name.replace('_', ' ')}: {error}") from error
    try:
        return RoomEntry.model_validate(values)
    except ValidationError as error:
        raise ValueError(error.errors()[0]["msg"].removeprefix("Value error, ")) from error
