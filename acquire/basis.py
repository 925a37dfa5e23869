"""What a pull is computed from besides its configuration; kept with the pull."""

from pydantic import Field

from acquire.calibration.record import Calibration
from acquire.config import Table
from acquire.ready.record import LastReady
from acquire.response import BenchResponse
from acquire.room.entry import RoomEntry


class Basis(Table):
    """What was in force when the pull was begun, and stays so until its end.

    ``calibrations`` by channel, ``calibration_ids`` the archive's numbers of
    them, ``overdue`` the channels whose calibration was due before the pull was begun;
    ``room`` the latest entry by hand and ``room_age_s`` its age at the
    pull's begin; ``configured_room_age_s`` that of the configuration's, None
    without a date that can be read. ``air_judged``: these ages were looked
    at; False in pulls of the first version. ``ready``: the last check whether the bench is ready.
    ``old_leakage_utc`` and ``old_leakage_pull``: a blank-plate run that would
    have been used, had it not been too old; empty and None otherwise.
    ``response``: how the bench answered the step by which it was last measured.
    """

    calibrations: dict[str, Calibration] = Field(default_factory=dict)
    calibration_ids: dict[str, int] = Field(default_factory=dict)
    room: RoomEntry | None = None
    room_age_s: float | None = None
    response: BenchResponse | None = None
    ready: LastReady | None = None
    old_leakage_utc: str = ""
    old_leakage_pull: int | None = None
    configured_room_age_s: float | None = None
    air_judged: bool = False
    overdue: tuple[str, ...] = ()


NO_BASIS = Basis()
