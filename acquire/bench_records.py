"""What is kept about the bench itself: calibrations, readiness, repeatability, room air.

Each kind is one model in its own module. A record is never changed: a newer
one of the same kind and key takes its place, and the old one stays.
"""

from dataclasses import dataclass
from typing import ClassVar, Generic, TypeVar

from acquire.config import Table


class BenchRecord(Table):
    """One thing known about the bench. ``made_utc``: when, ISO 8601."""

    KIND: ClassVar[str]

    made_utc: str
    made_by: str = ""

    @property
    def key(self) -> str:
        """What it is about (a channel, a direction): newer ones of the same key take its place."""
        return ""


R = TypeVar("R", bound=BenchRecord)


@dataclass(frozen=True, slots=True)
class Kept(Generic[R]):
    """A record as the archive holds it."""

    id: int
    uid: str
    record: R


def kinds() -> dict[str, type[BenchRecord]]:
    """Every kind that may be kept, by name."""
    from acquire.calibration.record import Calibration, CalibrationCheck
    from acquire.ready.record import Readiness
    from acquire.repeat.record import Repeatability
    from acquire.room.entry import RoomEntry

    return {its.KIND: its for its in (Calibration, CalibrationCheck, Readiness, Repeatability, RoomEntry)}
