"""The instruments' end of the wire: they write bytes, and know nothing of who reads them.

``front_end``: 50 lines a second, ``P1 28.0134 P2 6.2213\\r\\n`` (test and meter
pressure, inH2O), boot text at power-up. ``lift_indicator``: 10 a second,
``+0.3005 in\\r``; its data button sends ``B +0.3005 in\\r``. ``weather``:
answers ``?\\r`` with ``BARO 100.12 kPa T 21.34 C RH 44.1 % TM 24.02 C\\r\\n``.
"""

import random
from abc import ABC, abstractmethod
from collections.abc import Callable

from sim.faults import Fault, FaultPlan

BOOT = b"\x00\xf8\x80front end, firmware 2.3\r\nadc self test ... ok\r\nP1 and P2 in inH2O, 50 lines a second\r\n"


class Device(ABC):
    """A port, its faults, and when it talks. ``now_s`` is the bench's time."""

    boot_text = b""
    boot_s = 0.0

    def __init__(self, name: str, plan: FaultPlan, rng: random.Random) -> None:
        self.name = name
        self.plan = plan
        self._rng = rng
        self._out = bytearray()
        self._line = 0
        self._silent_until_s = 0.0
        self._unplugged_until_s = 0.0
        self._frozen_until_s = 0.0
        self._frozen = b""
        self._drop = self._cut = self._flip = 0
        self._spiked = self._zeroed = 0
        self._size = 0.0
        self._must_boot = True

    def plugged(self, now_s: float) -> bool:
        """Whether the port is there."""
        return now_s >= self._unplugged_until_s

    def take(self) -> bytes:
        """The bytes written since the last call."""
        out = bytes(self._out)
        self._out.clear()
        return out

    @abstractmethod
    def hear(self, data: bytes, now_s: float) -> None:
        """Bytes from the host."""

    def unplug(self, for_s: float, now_s: float) -> None:
        """Take the port away for a while."""
        self._begin(Fault(self.name, "unplug", at_s=now_s, for_s=for_s), now_s)

    def _faults(self, now_s: float) -> None:
        """Begin what is due, and boot if it is time to."""
        for fault in self.plan.due(now_s, self._line + 1):
            self._begin(fault, now_s)
        if self._must_boot and self.plugged(now_s):
            self._boot(now_s)

    def _begin(self, fault: Fault, now_s: float) -> None:
        match fault.kind:
            case "drop":
                self._drop = fault.count
            case "truncate":
                self._cut = fault.count
            case "flip":
                self._flip = fault.count
            case "spike":
                self._spiked, self._size = fault.count, fault.size
            case "zero":
                self._zeroed = fault.count
            case "stall":
                self._silent_until_s = now_s + fault.for_s
            case "freeze":
                self._frozen_until_s, self._frozen = now_s + fault.for_s, b""
            case "unplug":
                self._unplugged_until_s = now_s + fault.for_s
                self._out.clear()
                self._must_boot = True
            case "boot":
                self._must_boot = True

    def _boot(self, now_s: float) -> None:
        self._must_boot = False
        self._out += self.boot_text
        self._silent_until_s = now_s + self.boot_s

    def _touched(self, number: float) -> float:
        """The number after spikes and zeros."""
        if self._zeroed > 0:
            self._zeroed -= 1
            return 0.0
        if self._spiked > 0:
            self._spiked -= 1
            return number * (1.0 + self._size)
        return number

    def _send(self, line: bytes, now_s: float) -> None:
        """Put a line on the wire, unless a fault keeps or spoils it."""
        self._line += 1
        if now_s < self._frozen_until_s:
            self._frozen = self._frozen or line
            line = self._frozen
        if not self.plugged(now_s) or now_s < self._silent_until_s:
            return
        if self._drop > 0:
            self._drop -= 1
            return
        if self._cut > 0:
            self._cut -= 1
            line = line[: self._rng.randint(1, len(line) - 2)]
        if self._flip > 0:
            self._flip -= 1
            spoilt = bytearray(line)
            spoilt[self._rng.randrange(len(spoilt))] ^= 1 << self._rng.randrange(8)
            line = bytes(spoilt)
        self._out += line


class Streaming(Device, ABC):
    """An instrument that sends a line by itself every ``every`` steps of the bench."""

    every = 1

    def hear(self, data: bytes, now_s: float) -> None:
        """It talks by itself and listens to nobody."""

    def tick(self, now_s: float) -> None:
        """Once every ``every`` steps."""
        self._faults(now_s)
        self._send(self._text(), now_s)

    @abstractmethod
    def _text(self) -> bytes: ...


class FrontEnd(Streaming):
    """Micro-controller with two pressure transducers."""

    boot_text = BOOT
    boot_s = 0.8
    every = 2

    def __init__(
        self, plan: FaultPlan, rng: random.Random, test_in: Callable[[], float], meter_in: Callable[[], float]
    ) -> None:
        super().__init__("front_end", plan, rng)
        self._test_in = test_in
        self._meter_in = meter_in

    def _text(self) -> bytes:
        return b"P1 %.4f P2 %.4f\r\n" % (self._test_in() + 0.0, self._touched(self._meter_in()) + 0.0)


class LiftIndicator(Streaming):
    """Digital indicator on the valve."""

    every = 10

    def __init__(self, plan: FaultPlan, rng: random.Random, lift_in: Callable[[], float]) -> None:
        super().__init__("lift_indicator", plan, rng)
        self._lift_in = lift_in

    def press(self, now_s: float) -> None:
        """The data button."""
        self._send(b"B " + self._text(), now_s)

    def _text(self) -> bytes:
        return b"%+.4f in\r" % (self._touched(self._lift_in()) + 0.0)


class Weather(Device):
    """Answers when asked; a question that comes while it is away is lost."""

    reply_s = 0.04

    def __init__(self, plan: FaultPlan, rng: random.Random, read: Callable[[], tuple[float, ...]]) -> None:
        super().__init__("weather", plan, rng)
        self._read = read
        self._heard = bytearray()
        self._due_s: list[float] = []

    def hear(self, data: bytes, now_s: float) -> None:
        """Collect a question; anything that is not one is ignored."""
        if not self.plugged(now_s):
            return
        self._heard += data
        *lines, rest = self._heard.split(b"\r")
        self._heard = bytearray(rest[-64:])
        self._due_s += [now_s + self.reply_s for line in lines if line.strip() == b"?"]

    def tick(self, now_s: float) -> None:
        """Once a step of the bench."""
        self._faults(now_s)
        while self._due_s and self._due_s[0] <= now_s:
            self._due_s.pop(0)
            kpa, celsius, percent, meter_celsius = self._read()
            text = b"BARO %.2f kPa T %.2f C RH %.1f %% TM %.2f C\r\n"
            self._send(text % (self._touched(kpa), celsius, percent, meter_celsius), now_s)
