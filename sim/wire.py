"""What a cable, a port and somebody's hands do to the bytes between an instrument and its reader.

Faults of the instrument itself are in ``sim.faults``; these are placed by the bench's time as well.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from sim.bench import SimBench
from sim.scenario import SHOP, Scenario

WireKind = Literal["digit", "lose", "double", "flip", "foreign", "baud", "endless", "drip", "half", "late", "rezero"]
_NUMBER = re.compile(rb"[-+]?\d+\.\d+")


@dataclass(frozen=True, slots=True)
class WireFault:
    """One fault of the wire, from ``at_s`` on.

    For ``count`` lines: ``digit`` makes the digit at ``place`` (of the line's digits, in turn) another one by adding
    ``by``; ``lose`` leaves out the byte at ``place``; ``double`` sends it twice; ``flip`` turns its bit ``by``.
    For ``for_s``: ``foreign`` puts ``text`` between the lines; ``baud`` reads every byte at ``by`` times its bit rate;
    ``endless`` leaves out the line ends; ``drip`` lets ``by`` bytes a second through; ``half`` leaves out every second
    line; ``late`` keeps all back and then sends it at once. For good: ``rezero`` takes what the first number of the
    line reads then from it, as the zero button of an indicator does.
    """

    kind: WireKind
    at_s: float
    for_s: float = 0.0
    count: int = 1
    place: int = 0
    by: float = 1.0
    text: bytes = b""


class Wire:
    """The bytes of one instrument, spoilt by its faults. Whole lines in, any bytes out."""

    def __init__(self, faults: Iterable[WireFault] = ()) -> None:
        self._coming = sorted(faults, key=lambda fault: fault.at_s)
        self._running: list[WireFault] = []
        self._held = b""
        self._budget = 0.0
        self._odd = False
        self._zero: bytes | None = None
        self._last_s = 0.0

    def add(self, fault: WireFault) -> None:
        """Place one more fault."""
        self._coming = sorted([*self._coming, fault], key=lambda one: one.at_s)

    def mend(self) -> None:
        """End all that runs, a lost zero as well."""
        self._running.clear()
        self._zero = None

    def carry(self, data: bytes, now_s: float) -> bytes:
        """What comes out at the reader's end for what was sent in since the last call."""
        while self._coming and self._coming[0].at_s <= now_s:
            self._running.append(self._coming.pop(0))
        for fault in list(self._running):
            data = self._touch(fault, data, now_s)
        self._last_s = now_s
        return data

    def _touch(self, fault: WireFault, data: bytes, now_s: float) -> bytes:
        over = now_s >= fault.at_s + fault.for_s
        match fault.kind:
            case "digit" | "lose" | "double" | "flip":
                return self._lines(fault, data)
            case "rezero":
                return self._rezeroed(data)
            case "late" | "drip":
                return self._held_back(fault, data, now_s, over)
        if over:
            self._running.remove(fault)
            return data
        match fault.kind:
            case "foreign":
                return data + fault.text if data else data
            case "baud":
                return at_other_rate(data, fault.by)
            case "endless":
                return data.replace(b"\r", b"").replace(b"\n", b"")
            case _:
                return b"".join(line for line in data.splitlines(keepends=True) if self._every_second())

    def _lines(self, fault: WireFault, data: bytes) -> bytes:
        out, left = [], fault.count
        for line in data.splitlines(keepends=True):
            out.append(_spoilt(line, fault) if left else line)
            left = max(0, left - 1)
        self._running.remove(fault)
        if left:
            self._running.append(replace(fault, count=left))
        return b"".join(out)

    def _every_second(self) -> bool:
        self._odd = not self._odd
        return self._odd

    def _held_back(self, fault: WireFault, data: bytes, now_s: float, over: bool) -> bytes:
        self._held += data
        if over:
            self._running.remove(fault)
            data, self._held = self._held, b""
            return data
        if fault.kind == "late":
            return b""
        self._budget += fault.by * max(0.0, now_s - self._last_s)
        n = int(self._budget)
        self._budget -= n
        data, self._held = self._held[:n], self._held[n:]
        return data

    def _rezeroed(self, data: bytes) -> bytes:
        out = []
        for line in data.splitlines(keepends=True):
            found = _NUMBER.search(line)
            if found is None:
                out.append(line)
                continue
            self._zero = self._zero or found[0]
            digits = len(found[0].partition(b".")[2])
            number = b"%+.*f" % (digits, float(found[0]) - float(self._zero) + 0.0)
            out.append(line[: found.start()] + number + line[found.end() :])
        return b"".join(out)


def _spoilt(line: bytes, fault: WireFault) -> bytes:
    if fault.kind == "digit":
        digits = [i for i, byte in enumerate(line) if chr(byte).isdigit()]
        if not digits:
            return line
        at = digits[fault.place % len(digits)]
        return line[:at] + b"%d" % ((line[at] - 48 + int(fault.by)) % 10) + line[at + 1 :]
    at = fault.place % len(line)
    if fault.kind == "lose":
        return line[:at] + line[at + 1 :]
    if fault.kind == "double":
        return line[:at] + line[at : at + 1] + line[at:]
    return line[:at] + bytes([line[at] ^ (1 << int(fault.by) % 8)]) + line[at + 1 :]


def at_other_rate(data: bytes, ratio: float) -> bytes:
    """What a UART reads that samples ``ratio`` times as fast as the sender: 8 data bits, no parity, 1 stop bit."""
    bits = [1]
    for byte in data:
        bits += [0, *((byte >> i) & 1 for i in range(8)), 1]
    bits += [1] * 12
    out, at, step = bytearray(), 1.0, 1.0 / ratio
    while int(at + 9.5 * step) < len(bits):
        if bits[int(at)]:
            at += step / 4
            continue
        out.append(sum(bits[int(at + (1.5 + i) * step)] << i for i in range(8)))
        at += 9.5 * step
    return bytes(out)


class WiredBench(SimBench):
    """A simulated bench with a wire at each of its instruments."""

    def __init__(self, seed: int, scenario: Scenario = SHOP) -> None:
        super().__init__(seed, scenario)
        self.wires = {name: Wire() for name in self.devices}

    def spoil(self, device: str, fault: WireFault) -> None:
        """Place one fault on an instrument's wire."""
        self.device(device)
        self.wires[device].add(fault)

    def outputs(self) -> dict[str, bytes]:
        """The bytes of each instrument since the last call, as its reader gets them."""
        return {name: self.wires[name].carry(data, self.t_s) for name, data in super().outputs().items()}
