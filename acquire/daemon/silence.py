"""A signal that should be there and is not: what is known of it, and what to do about it in one sentence. Pure."""

from dataclasses import dataclass

_INSTRUMENTS = {
    "lift": "Lift indicator",
    "test_pressure": "Test pressure transducer",
    "meter_pressure": "Meter pressure transducer",
    "room_pressure": "Barometer",
    "room_temperature": "Room thermometer",
    "room_humidity": "Room hygrometer",
}


@dataclass(frozen=True, slots=True)
class Silence:
    """A signal that the pull needs and that is not there.

    ``trouble``: why its port is lost, to follow the instrument's name. The
    instrument does send, but numbers outside what the channel is set for
    (``outside``), or what is no line of its own (``unreadable``).
    """

    name: str
    for_s: float | None
    lost: bool
    trouble: str = ""
    outside: bool = False
    unreadable: bool = False


def silent_said(silence: Silence) -> str:
    """What the operator does about it."""
    name = silence.name.replace("_", " ")
    name = name[0].upper() + name[1:]
    instrument = _INSTRUMENTS.get(silence.name, name)
    if silence.lost and silence.trouble:
        return f"{instrument}{silence.trouble}."
    if silence.outside and silence.name == "meter_pressure":
        return "Stop the blower, fit a larger meter range: the pressure is beyond its transducer."
    if silence.outside and silence.name == "lift":
        return "Lift is outside its instrument's range: bring it back; with the valve closed, zero the indicator."
    if silence.outside:
        return f"{name} is outside its instrument's range: bring it back, or correct the channel's low and high."
    if silence.unreadable:
        return f"{instrument} sends what cannot be read: check its units and its baud rate."
    if silence.for_s is None:
        return f"{instrument}: no reading yet. Check its cable and port."
    return f"{instrument} silent for {silence.for_s:.0f} s: check its cable."
