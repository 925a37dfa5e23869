"""Room air entered by hand, with its date, as it is kept."""

from typing import ClassVar

from acquire.bench_records import BenchRecord


class RoomEntry(BenchRecord):
    """What a barometer, a thermometer and a hygrometer on the wall said at ``made_utc``."""

    KIND: ClassVar[str] = "room air"

    pressure_pa: float | None = None
    temperature_k: float | None = None
    humidity: float | None = None
