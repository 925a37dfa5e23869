"""Transmitters and input modules that speak Modbus RTU: several devices on one RS-485 line.

Framing and functions after the Modbus Application Protocol V1.1b3 and the
Modbus over Serial Line guide V1.02 (modbus.org). The same bytes over a TCP
serial server work as well (``port = "socket://host:4001"``).
"""

import math
import struct
from typing import Annotated, Literal, NamedTuple

from pydantic import Field, model_validator

from drivers.base import ChannelSettings, Counts, Finite, Instrument, InstrumentSettings
from drivers.checksum import crc16_modbus
from drivers.errors import SettingsError
from drivers.framing import discard
from drivers.sample import Press, Sample

_FUNCTIONS = {"holding": 3, "input": 4}
_TYPES: dict[str, tuple[int, str]] = {
    "int16": (1, ">h"),
    "uint16": (1, ">H"),
    "int32": (2, ">i"),
    "uint32": (2, ">I"),
    "float32": (2, ">f"),
}
_MOST_REGISTERS = 125
_EXCEPTIONS = {
    1: "does not know this function",
    2: "has no such register",
    3: "does not allow that many registers",
    4: "failed",
    6: "is busy",
}
# address, function, byte count, one register, CRC
_SHORTEST = 5
# turns without a question after one that was not answered, where its late answer could pass for another's
_RESTS = 3


class ModbusChannel(ChannelSettings):
    """Where a channel's number is: ``device`` on the line, ``register`` counted from 0 as in the protocol.

    A count rolls over where its registers do, unless ``rolls_over_at`` says otherwise.

    ``word_order`` says which register of a 32-bit number comes first,
    ``byte_order`` which byte of a register; the protocol itself is big, big.
    """

    device: Annotated[int, Field(ge=1, le=247)] = 1
    table: Literal["holding", "input"] = "input"
    register_: Annotated[int, Field(alias="register", ge=0, le=65535)]
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    byte_order: Literal["big", "little"] = "big"

    @model_validator(mode="before")
    @classmethod
    def _as_wide_as_its_registers(cls, given: object) -> object:
        """A counter that nothing else is said of rolls over where its registers do."""
        if not isinstance(given, dict) or given.get("signal") != "count" or "rolls_over_at" in given:
            return given
        kind = given.get("type", "int16")
        if kind not in ("int16", "uint16", "int32", "uint32"):
            return given
        return {**given, "rolls_over_at": 1 << 16 * _TYPES[kind][0]}


class ModbusSettings(InstrumentSettings):
    """All devices of one line are one instrument; each is asked in turn, all of them every ``every_s``."""

    parity: Literal["none", "even", "odd"] = "even"
    baud: Annotated[int, Field(gt=0)] = 19200
    every_s: Annotated[Finite, Field(ge=0.005)] = 0.1
    reply_within_s: Annotated[Finite, Field(ge=0.01)] = 0.3
    channels: Annotated[dict[str, ModbusChannel], Field(min_length=1)]  # type: ignore[assignment]


def crc(data: bytes) -> bytes:
    """The frame's check, low byte first (Modbus over Serial Line V1.02, 6.2.2).

    Check: ``01 04 02 FF FF`` -> ``B8 80`` (the example that the guide's readers know from many manuals).
    """
    return struct.pack("<H", crc16_modbus(data))


class Question(NamedTuple):
    """One request: its frame, what answers it, and which channels the answer carries at which register."""

    frame: bytes
    device: int
    function: int
    registers: int
    channels: tuple[tuple[str, ModbusChannel, int], ...]


def questions(channels: dict[str, ModbusChannel]) -> tuple[Question, ...]:
    """The fewest requests that read all channels: registers side by side in one device go together."""
    ordered = sorted(channels.items(), key=lambda item: (item[1].device, item[1].table, item[1].register_))
    groups: list[list[tuple[str, ModbusChannel]]] = []
    for name, its in ordered:
        last = groups[-1][-1][1] if groups else None
        beside = last is not None and (last.device, last.table) == (its.device, its.table)
        if beside and last is not None and its.register_ <= last.register_ + _TYPES[last.type][0]:
            first = groups[-1][0][1].register_
            if its.register_ + _TYPES[its.type][0] - first <= _MOST_REGISTERS:
                groups[-1].append((name, its))
                continue
        groups.append([(name, its)])
    return tuple(_question(group) for group in groups)


def _question(group: list[tuple[str, ModbusChannel]]) -> Question:
    its = group[0][1]
    first = its.register_
    count = max(one.register_ + _TYPES[one.type][0] for _, one in group) - first
    function = _FUNCTIONS[its.table]
    body = struct.pack(">BBHH", its.device, function, first, count)
    return Question(
        frame=body + crc(body),
        device=its.device,
        function=function,
        registers=count,
        channels=tuple((name, one, one.register_ - first) for name, one in group),
    )


class ModbusParser:
    """Answers to samples; see ``drivers.base.Parser``. Only the answer to the last question counts."""

    def __init__(self, settings: ModbusSettings) -> None:
        self.counts = Counts()
        self._source = settings.said_source
        self._questions = questions(settings.channels)
        self._next = 0
        self._asked: Question | None = None
        self._held = b""
        shapes = [_shape(question) for question in self._questions]
        self._alike = {shape for shape in shapes if shapes.count(shape) > 1}
        self._rests = 0

    def ask(self) -> bytes:
        """The next request, in turn; empty while a late answer is waited out."""
        self._drop()
        if self._rests:
            self._rests -= 1
            return b""
        self._asked = self._questions[self._next]
        self._next = (self._next + 1) % len(self._questions)
        return self._asked.frame

    def reset(self) -> None:
        """Forget what was asked: the link was lost or has just been opened."""
        self._drop()
        self._asked = None
        self._next = 0
        self._rests = 0

    def abandon(self) -> None:
        """The answer is overdue: whatever still comes of it is not used."""
        if self._held:
            self._garbage(self._held)
            self._held = b""
        if self._asked is not None:
            self.counts.last_discarded = f"device {self._asked.device} did not answer ({_names(self._asked)})"
            self._rests = _RESTS if _shape(self._asked) in self._alike else 0
        self._asked = None

    def feed(self, data: bytes, t_us: int) -> list[Sample | Press]:
        """Use all of ``data``; an answer is stamped ``t_us`` when its last byte came."""
        self.counts.bytes += len(data)
        if self._asked is None:
            self.counts.discarded_bytes += len(data)
            if len(data) >= _SHORTEST and crc(data[:-2]) == data[-2:]:
                self.counts.last_discarded = f"device {data[0]} answered too late: raise reply_within_s"
            return []
        self._held += data
        asked = self._asked
        # some adapters hear their own request
        if self._held.startswith(asked.frame):
            self._held = self._held[len(asked.frame) :]
        if len(self._held) < _SHORTEST or asked.frame.startswith(self._held):
            return []
        refused = self._held[1] == asked.function | 0x80
        length = _SHORTEST if refused else _SHORTEST + 2 * asked.registers
        if len(self._held) < length:
            if self._held[1] not in (asked.function, asked.function | 0x80):
                self._finish(self._held)
            return []
        frame, rest = self._held[:length], self._held[length:]
        if crc(frame[:-2]) != frame[-2:] or frame[0] != asked.device or rest:
            # a foreign or damaged answer, or more than one: nothing of it may be believed
            self._finish(self._held)
            if crc(frame[:-2]) == frame[-2:] and frame[0] != asked.device and not rest:
                self.counts.last_discarded = f"device {frame[0]} answered when device {asked.device} was asked"
            return []
        self._held = b""
        self._asked = None
        if refused:
            self._refused(asked, frame)
            return []
        if frame[1] != asked.function or frame[2] != 2 * asked.registers:
            self._garbage(frame)
            return []
        return self._samples(asked, frame[3:-2], t_us)

    def _samples(self, asked: Question, body: bytes, t_us: int) -> list[Sample | Press]:
        found: list[Sample | Press] = []
        for channel, its, place in asked.channels:
            size, code = _TYPES[its.type]
            number = _number(body[2 * place : 2 * (place + size)], code, its)
            if not math.isfinite(number):
                self.counts.not_finite += 1
            elif not its.in_range(number):
                self.counts.out_of_range += 1
            else:
                found.append(Sample(channel, t_us, number, self._source))
                continue
            self.counts.last_discarded = f"{channel} {its.signal_fault(number) or format(number, 'g')}"
        self.counts.samples += len(found)
        self.counts.good_lines += bool(found)
        return found

    def _refused(self, asked: Question, frame: bytes) -> None:
        self.counts.garbage_lines += 1
        self.counts.discarded_bytes += len(frame)
        why = _EXCEPTIONS.get(frame[2], f"answers with exception {frame[2]}")
        self.counts.last_discarded = f"device {asked.device} {why} ({_names(asked)})"

    def _finish(self, data: bytes) -> None:
        self._garbage(data)
        self._held = b""
        self._asked = None

    def _garbage(self, data: bytes) -> None:
        self.counts.garbage_lines += 1
        discard(self.counts, data.hex(" ").encode())
        # the text is longer than what it shows
        self.counts.discarded_bytes += len(data) - len(data.hex(" "))

    def _drop(self) -> None:
        self.counts.discarded_bytes += len(self._held)
        self._held = b""


def _shape(question: Question) -> tuple[int, int, int]:
    """All that an answer shows of its question."""
    return question.device, question.function, question.registers


def _names(question: Question) -> str:
    return ", ".join(name for name, _, _ in question.channels)


def _number(body: bytes, code: str, its: ModbusChannel) -> float:
    words = [body[i : i + 2] for i in range(0, len(body), 2)]
    if its.word_order == "little":
        words.reverse()
    if its.byte_order == "little":
        words = [word[::-1] for word in words]
    (number,) = struct.unpack(code, b"".join(words))
    return float(number)


class ModbusRtu(Instrument):
    """The devices of one Modbus line."""

    Settings = ModbusSettings
    settings: ModbusSettings
    asks = True

    def __init__(self, name: str, settings: ModbusSettings) -> None:
        super().__init__(name, settings)
        for channel, its in settings.channels.items():
            if its.register_ + _TYPES[its.type][0] > 65536:
                raise SettingsError(
                    f"channels.{channel}.register: a {its.type} at {its.register_} goes beyond the last register"
                )

    def parser(self) -> ModbusParser:
        return ModbusParser(self.settings)

    @property
    def ask_every_s(self) -> float:
        return self.settings.every_s / len(questions(self.settings.channels))

    @property
    def reply_within_s(self) -> float:
        return self.settings.reply_within_s
