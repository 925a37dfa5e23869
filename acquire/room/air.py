"""Room air that no instrument measures: where each value comes from, how old it is, what that costs.

Pure: ages come with the pull's basis, from the instant at which it was begun.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from acquire.age import duration_said
from acquire.basis import Basis
from acquire.config import BenchConfig, RoomAir
from acquire.values import Mark

KIND = "room air"
"""Of the marks about it."""

CHANNELS = ("room_pressure", "room_temperature", "room_humidity")
_ATTRIBUTES = {
    "room_pressure": ("pressure_pa", "pressure_accuracy_pa", "pressure_age_limit_s"),
    "room_temperature": ("temperature_k", "temperature_accuracy_k", "temperature_age_limit_s"),
    "room_humidity": ("humidity", "humidity_accuracy", "humidity_age_limit_s"),
}
# what is not known of an air that nobody read in time, as 95 % half-widths (common practice, no source): a barometer
# differs by so much between two days of changing weather, a shop's temperature between a winter's morning and a
# summer's day, and humidity is somewhere between dry and wet
_NOT_KNOWN_95 = {"room_pressure": 3000.0, "room_temperature": 8.0, "room_humidity": 0.4}
_SAID_NOT_KNOWN = {"room_pressure": "±30 hPa", "room_temperature": "±8 °C", "room_humidity": "±40 %RH"}


@dataclass(frozen=True, slots=True)
class ByHand:
    """One value entered by hand, in SI, with its 95 % accuracy; both None and 0 where there is none.

    ``from_entry``: an entry that was kept with its date, else the configuration's.
    ``entered`` is its date as it was given, ``age_s`` its age when the pull was
    begun: None where no date can be read. ``too_old`` is only judged for
    pulls that were begun by a version that looked at the age.
    """

    channel: str
    value: float | None
    accuracy: float
    from_entry: bool
    entered: str
    age_s: float | None
    limit_s: float
    too_old: bool

    @property
    def name(self) -> str:
        """What it is: ``"room pressure"``."""
        return self.channel.replace("_", " ")


def by_hand(config: BenchConfig, basis: Basis, measured: Collection[str]) -> dict[str, ByHand]:
    """The room's values that no instrument measures, by channel; ``measured`` are the instruments' channels.

    The latest entry comes before the configuration, value by value.
    """
    return room_by_hand(config.room, basis, measured)


def room_by_hand(room: RoomAir, basis: Basis, measured: Collection[str]) -> dict[str, ByHand]:
    """The same from the configuration's table of room air alone."""
    return {channel: _one(room, basis, channel) for channel in CHANNELS if channel not in measured}


def _one(room: RoomAir, basis: Basis, channel: str) -> ByHand:
    attribute, accuracy_of, limit_of = _ATTRIBUTES[channel]
    entry, limit_s = basis.room, float(getattr(room, limit_of))
    value, accuracy = getattr(room, attribute), float(getattr(room, accuracy_of))
    from_entry, entered, age_s = False, room.entered, basis.configured_room_age_s
    if entry is not None and getattr(entry, attribute) is not None:
        value, accuracy = getattr(entry, attribute), getattr(entry, accuracy_of) or accuracy
        from_entry, entered, age_s = True, entry.made_utc, basis.room_age_s
    too_old = basis.air_judged and value is not None and (age_s is None or age_s > limit_s)
    if too_old:
        accuracy = max(accuracy, _NOT_KNOWN_95[channel])
    return ByHand(channel, value, accuracy, from_entry, entered, age_s, limit_s, too_old)


def in_force(config: BenchConfig, values: Mapping[str, ByHand]) -> BenchConfig:
    """The configuration with the room's values and accuracies that count in a pull."""
    changes: dict[str, float | None] = {}
    for channel, its in values.items():
        attribute, accuracy_of, _ = _ATTRIBUTES[channel]
        changes |= {attribute: its.value, accuracy_of: its.accuracy}
    if all(getattr(config.room, name) == value for name, value in changes.items()):
        return config
    return config.model_copy(update={"room": config.room.model_copy(update=changes)})


def marks_of(values: Mapping[str, ByHand]) -> list[Mark]:
    """One mark for all values of one source that are too old."""
    old = [its for its in values.values() if its.too_old]
    found = []
    for from_entry in (True, False):
        group = [its for its in old if its.from_entry is from_entry]
        if group:
            found.append(Mark(KIND, _too_old(group)))
    return found


def _too_old(group: list[ByHand]) -> str:
    first = group[0]
    names = ", ".join(its.name.removeprefix("room ") for its in group)
    if first.age_s is None:
        why = f"entered in the configuration {_date_fault(first)}"
    else:
        where = "" if first.from_entry else "in the configuration "
        limits = ", ".join(dict.fromkeys(duration_said(its.limit_s) for its in group))
        why = (
            f"entered {where}{said_date(first.entered)}, {duration_said(first.age_s)} before the pull (limit {limits})"
        )
    carried = ", ".join(_SAID_NOT_KNOWN[its.channel] for its in group)
    return f"Room {names}: {why}; {carried} carried in ±. Enter today's with 'steadydraw air'."


def _date_fault(its: ByHand) -> str:
    return f"with {its.entered!r}, no date before the pull" if its.entered else "without a date"


def said_date(iso: str) -> str:
    """A date as people read it; UTC where it says so."""
    text = iso[:16].replace("T", " ")
    return f"{text} UTC" if iso.endswith(("+00:00", "Z")) else text


def source_said(its: ByHand) -> str:
    """Where a value entered by hand came from, and how old it was."""
    if its.age_s is None:
        age = "date not given" if not its.entered else its.entered
    else:
        age = f"{said_date(its.entered)}, {duration_said(its.age_s)} before the pull"
    return f"entered by hand, {age}" + (", TOO OLD" if its.too_old else "")
