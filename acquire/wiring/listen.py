"""Listening to a port at the usual speeds until what comes can be read."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from acquire.wiring.recognise import Heard, recognise
from drivers.base import InstrumentSettings
from drivers.link import ByteLink, open_link

# the speeds that instruments come with, the most usual first (common practice, no source)
SPEEDS = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200, 230400)
_READ_S = 0.1
_LISTEN_S = 4.0
# a line every few seconds is slow, but is one
_LONGEST_S = 12.0
_NOISE_S = 1.0
_NOISE_BYTES = 60
_ENOUGH_LINES = 12
_PRESS_BYTES = 6


class Clock(Protocol):
    """What listening needs of the injected clock."""

    def t_us(self) -> int:
        """Monotonic microseconds."""
        ...


@dataclass(frozen=True, slots=True)
class Wire:
    """How a serial port is set."""

    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    def __str__(self) -> str:
        return f"{self.baud} baud, {self.data_bits}{self.parity[0].upper()}{self.stop_bits}"

    def keys(self, port: str) -> dict[str, object]:
        """The keys of a configuration, without those that are as usual; a network port has none."""
        if "://" in port and not port.startswith("rfc2217://"):
            return {}
        usual = Wire()
        rest = {
            key: getattr(self, key)
            for key in ("data_bits", "parity", "stop_bits")
            if getattr(self, key) != getattr(usual, key)
        }
        return {"baud": self.baud, **rest}


Opener = Callable[[str, Wire], ByteLink]


def open_port(port: str, wire: Wire) -> ByteLink:
    """Open a port to look at it. Raises ``LinkLostError``."""
    keys = {"driver": "wire", "port": port, "channels": {"any": {"unit": "1"}}}
    return open_link(InstrumentSettings.model_validate(keys | wire.keys(port)))


@dataclass(frozen=True, slots=True)
class Found:
    """What a port said, and how it was set then."""

    wire: Wire
    heard: Heard
    data: bytes


def listen(port: str, clock: Clock, opener: Opener = open_port) -> Found:
    """Listen at one speed after the other until lines can be read. Raises ``LinkLostError``.

    A device that talks is heard at every speed, if only as noise: two silent
    speeds are enough.
    """
    best: Found | None = None
    silent = 0
    for wire in _wires(port):
        found = _at(port, wire, clock, opener)
        if found.heard.seven_bits is not None:
            parity, stop = found.heard.seven_bits
            found = _at(port, replace(wire, data_bits=7, parity=parity, stop_bits=stop), clock, opener)
        if found.heard.kind in ("lines", "text", "no lines"):
            return found
        silent += found.heard.kind == "silence"
        if best is None or best.heard.kind == "silence":
            best = found
        if silent == 2:
            break
    assert best is not None  # there is at least one speed
    return best


def _wires(port: str) -> Iterator[Wire]:
    for speed in SPEEDS:
        yield Wire(speed)
        if not Wire().keys(port):
            return


def _at(port: str, wire: Wire, clock: Clock, opener: Opener) -> Found:
    link = opener(port, wire)
    try:
        data = collect(link, clock, _enough)
    finally:
        link.close()
    return Found(wire, recognise(data), data)


def listen_at(port: str, wire: Wire, clock: Clock, opener: Opener = open_port, seconds: float = 1.5) -> bytes:
    """What comes in that time at a setting that is known. Raises ``LinkLostError``."""
    link = opener(port, wire)
    try:
        return collect(link, clock, lambda _data, _s: False, seconds)
    finally:
        link.close()


def collect(
    link: ByteLink, clock: Clock, enough: Callable[[bytes, float], bool], longest_s: float = _LONGEST_S
) -> bytes:
    """What comes until ``enough`` (told the bytes and the seconds) says so, or ``longest_s`` are over."""
    begun_us = clock.t_us()
    data = b""
    while True:
        data += link.read(_READ_S)
        seconds = (clock.t_us() - begun_us) / 1e6
        if seconds >= longest_s or enough(data, seconds):
            return data


def _enough(data: bytes, seconds: float) -> bool:
    if seconds < _NOISE_S:
        return False
    if not data:
        return seconds >= _LISTEN_S
    heard = recognise(data)
    if heard.kind == "not text":
        return len(data) >= _NOISE_BYTES or seconds >= _LISTEN_S
    if heard.kind == "lines":
        lines = sum(len(shape.lines) for shape in heard.readings[0].shapes)
        return lines >= _ENOUGH_LINES or seconds >= _LISTEN_S
    return False


def wait_for_press(port: str, wire: Wire, clock: Clock, opener: Opener = open_port, wait_s: float = 20.0) -> Found:
    """Wait for a line from a device that only sends when its button is pressed. Raises ``LinkLostError``."""

    def enough(data: bytes, _seconds: float) -> bool:
        heard = recognise(data, streams=False).kind
        return data[-1:] in (b"\r", b"\n") if heard != "not text" else len(data) >= _PRESS_BYTES

    link = opener(port, wire)
    try:
        data = collect(link, clock, enough, wait_s)
    finally:
        link.close()
    return Found(wire, recognise(data, streams=False), data)


def ask_line(port: str, wire: Wire, request: bytes, clock: Clock, opener: Opener = open_port, times: int = 3) -> Found:
    """Send a request a few times and take what is answered. Raises ``LinkLostError``."""
    data = b""
    link = opener(port, wire)
    try:
        for _ in range(times):
            link.write(request)
            data += collect(link, clock, lambda its, _s: its[-1:] in (b"\r", b"\n"), 1.0)
    finally:
        link.close()
    return Found(wire, recognise(data, streams=False), data)
