"""Asking a silent port in the protocols that every device of theirs answers: SCPI and Modbus RTU.

Only questions that read: ``*IDN?`` (IEEE 488.2), and one register with
function 4 (Modbus Application Protocol V1.1b3).
"""

import struct
from dataclasses import dataclass

from acquire.wiring.listen import Clock, Opener, Wire, collect, open_port
from drivers.link import ByteLink
from drivers.modbus import crc

SCPI_WIRES = (Wire(9600), Wire(115200))
# Modbus over Serial Line V1.02, 2.5.1: 19200 even is the default, 9600 comes next; no parity is what many have
MODBUS_WIRES = (Wire(19200, parity="even"), Wire(9600), Wire(9600, parity="even"), Wire(19200), Wire(115200))
UNITS = 8
_ANSWER_S = 1.0
_FRAME_S = 0.15
_TABLES = {"input": 4, "holding": 3}
_REGISTERS = 12


@dataclass(frozen=True, slots=True)
class Register:
    """A register that answers: its table, number from 0, and what it holds (0 to 65535)."""

    table: str
    number: int
    value: int


@dataclass(frozen=True, slots=True)
class Answered:
    """Who answered. ``identity`` for SCPI, ``units`` for Modbus."""

    wire: Wire
    identity: str = ""
    units: tuple[int, ...] = ()


def identity_of(data: bytes) -> str:
    """The answer to ``*IDN?``: maker, model, serial number, firmware, with commas between; empty for anything else."""
    for line in data.replace(b"\r", b"\n").split(b"\n"):
        text = line.decode("ascii", "replace").strip()
        if text.isprintable() and text.isascii() and text.count(",") >= 2 and any(c.isalpha() for c in text):
            return text
    return ""


def model_of(identity: str) -> str:
    """What of an identity to hold the instrument by: its maker and model."""
    return ",".join(identity.split(",")[:2])


def question(unit: int, table: str, register: int) -> bytes:
    """A request for one register."""
    body = struct.pack(">BBHH", unit, _TABLES[table], register, 1)
    return body + crc(body)


def answer_in(data: bytes, asked: bytes) -> int | None:
    """The register in an answer to ``asked``; -1 when the device refused it; None when no device answered."""
    data = data.removeprefix(asked)  # some adapters hear their own request
    unit, function = asked[0], asked[1]
    whole = len(data) >= 5 and data[0] == unit
    if whole and data[1] == function and data[2] == 2 and len(data) == 7 and crc(data[:5]) == data[5:]:
        return int.from_bytes(data[3:5])
    if whole and data[1] == function | 0x80 and len(data) == 5 and crc(data[:3]) == data[3:]:
        return -1
    return None


def ask_scpi(port: str, clock: Clock, opener: Opener = open_port) -> Answered | None:
    """Ask who it is. Raises ``LinkLostError``."""
    for wire in SCPI_WIRES:
        link = opener(port, wire)
        try:
            link.write(b"*IDN?\n")
            identity = identity_of(collect(link, clock, lambda data, _s: bool(identity_of(data)), _ANSWER_S))
        finally:
            link.close()
        if identity:
            return Answered(wire, identity=identity)
        if not wire.keys(port):
            break
    return None


def ask_modbus(port: str, clock: Clock, opener: Opener = open_port, units: int = UNITS) -> Answered | None:
    """Ask each of the first ``units`` addresses for a register, at the usual settings. Raises ``LinkLostError``."""
    for wire in MODBUS_WIRES:
        link = opener(port, wire)
        try:
            there = tuple(n for n in range(1, units + 1) if _ask(link, clock, question(n, "input", 0)) is not None)
        finally:
            link.close()
        if there:
            return Answered(wire, units=there)
        if not wire.keys(port):
            break
    return None


def registers(port: str, wire: Wire, unit: int, clock: Clock, opener: Opener = open_port) -> list[Register]:
    """Those of the first registers of a unit that it has. Raises ``LinkLostError``."""
    found = []
    link = opener(port, wire)
    try:
        for table in _TABLES:
            for number in range(_REGISTERS):
                value = _ask(link, clock, question(unit, table, number))
                if value is None or value < 0:
                    break
                found.append(Register(table, number, value))
    finally:
        link.close()
    return found


def _ask(link: ByteLink, clock: Clock, asked: bytes) -> int | None:
    link.write(asked)
    data = collect(link, clock, lambda its, _s: answer_in(its, asked) is not None, _FRAME_S)
    return answer_in(data, asked)


def as_float(high: int, low: int) -> float:
    """Two registers as the float32 that they may be, high word first."""
    (value,) = struct.unpack(">f", struct.pack(">HH", high, low))
    return float(value)
