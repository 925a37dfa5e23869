"""Instruments at the far end of ports that exist in memory only, heard at whatever speed the port is set to."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from acquire.clock import ManualClock
from acquire.wiring.listen import Wire
from drivers.errors import LinkLostError
from drivers.link import ByteLink
from tests.wiring.uart import levels, received


@dataclass
class Device:
    """``every_s``: how often it sends a line by itself; ``answers`` turns what it hears into what it says.

    ``pressed``: what its button lets it send next.
    """

    wire: Wire
    line: Callable[[], bytes] = lambda: b""
    every_s: float = 0.0
    answers: Callable[[bytes], bytes] = lambda _: b""
    boot: bytes = b""
    heard: list[bytes] = field(default_factory=list)
    opened: list[Wire] = field(default_factory=list)
    pressed: list[bytes] = field(default_factory=list)


class Ports:
    """What there is, by name."""

    def __init__(self, clock: ManualClock, **devices: Device) -> None:
        self.clock = clock
        self.devices = devices

    def open(self, port: str, wire: Wire) -> ByteLink:
        """As ``open_port``."""
        if port not in self.devices:
            raise LinkLostError(f"{port} is not there: plug the device in, or correct the port")
        device = self.devices[port]
        device.opened.append(wire)
        return _Link(self.clock, device, wire)


class _Link:
    fd: int | None = None

    def __init__(self, clock: ManualClock, device: Device, wire: Wire) -> None:
        self._clock = clock
        self._device = device
        self._wire = wire
        self._due = [device.boot] if device.boot else []
        self._next_us = clock.t_us()
        self._closed = False

    def read(self, wait_s: float) -> bytes:
        assert not self._closed
        self._clock.advance(wait_s)
        if self._device.every_s:
            while self._next_us <= self._clock.t_us():
                self._due.append(self._device.line())
                self._next_us += round(self._device.every_s * 1e6)
        self._due += self._device.pressed
        self._device.pressed.clear()
        sent, self._due = b"".join(self._due), []
        return self._as_read(sent)

    def _as_read(self, sent: bytes) -> bytes:
        its, mine = self._device.wire, self._wire
        if not sent or its == mine:
            return sent
        line = levels(sent, its.data_bits, its.parity, its.stop_bits)
        return received(line, its.baud, mine.baud)

    def write(self, data: bytes) -> None:
        assert not self._closed
        self._device.heard.append(data)
        if self._wire == self._device.wire:
            self._due.append(self._device.answers(data))

    def close(self) -> None:
        self._closed = True


class Person:
    """Answers from a list, presses the button when told to, keeps what was said; a question too many fails."""

    def __init__(self, *answers: str) -> None:
        self._answers: Iterator[str] = iter(answers)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.button: Callable[[], None] = lambda: None

    def say(self, text: str) -> None:
        self.said.append(text)
        if "Press" in text:
            self.button()

    def ask(self, question: str, proposed: str = "") -> str:
        self.asked.append(f"{question} [{proposed}]")
        answer = next(self._answers, None)
        assert answer is not None, f"no answer is left for {question}"
        return answer or proposed

    @property
    def text(self) -> str:
        """All that was said."""
        return "\n".join(self.said)
