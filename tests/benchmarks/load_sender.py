"""Instruments that stream at a steady rate over real sockets, in a process of their own; see ``load.py``.

``python -m tests.benchmarks.load_sender PORTS``: PORTS as JSON, for each its
channels and lines a second. It says its TCP ports, obeys one JSON object a
line on stdin, and says what it has sent when it is told to stop.
"""

import json
import random
import select
import socket
import sys
import time
from typing import Any

_POOL = 4096


class _Port:
    """One instrument: a listening socket, then whoever connected."""

    def __init__(self, channels: list[str], per_s: float) -> None:
        self.channels = channels
        self.per_s = per_s
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.connected: socket.socket | None = None
        self.sent = 0

    @property
    def number(self) -> int:
        return int(self.listening.getsockname()[1])


class Sender:
    """What the bench is like now, and the lines that say so."""

    def __init__(self, ports: list[_Port]) -> None:
        self.ports = ports
        self.on = False
        self.lift_in = 0.0
        rng = random.Random(1)
        noise, self._noise = 0.0, []
        for _ in range(_POOL):
            noise = 0.9 * noise + rng.gauss(0, 0.004)
            self._noise.append(noise)

    def line(self, port: _Port) -> bytes:
        """One line of an instrument: its channels' numbers. The lift carries the time at which it was sent."""
        return (" ".join(self._number(channel, port.sent) for channel in port.channels) + "\r\n").encode()

    def _number(self, channel: str, count: int) -> str:
        noise = self._noise[(count * 7 + len(channel)) % _POOL]
        if channel == "lift":
            # a tenth of a thousandth of an inch is 100 s: too little to be seen as a movement
            return f"{self.lift_in + (time.monotonic_ns() // 1000 % 100_000_000) * 1e-12:.12f}"
        if channel == "test_pressure":
            return f"{(28.0 if self.on else 0.0) + noise:.4f}"
        if channel == "meter_pressure":
            return f"{((0.6 + 14.0 * self.lift_in) if self.on and self.lift_in > 0.005 else 0.0) + 0.3 * noise:.4f}"
        return {"room_pressure": "99.31", "room_humidity": "41.0"}.get(channel, "21.40")


def _obey(sender: Sender, order: dict[str, Any]) -> bool:
    sender.on = order.get("on", sender.on)
    sender.lift_in = order.get("lift_in", sender.lift_in)
    return bool(order.get("stop"))


def main() -> None:
    """Wait for the readers, send until told to stop, and say what was sent."""
    ports = [_Port(channels, per_s) for channels, per_s in json.loads(sys.argv[1])]
    print(json.dumps([port.number for port in ports]), flush=True)
    sender = Sender(ports)
    for port in ports:
        port.connected, _ = port.listening.accept()
        port.connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        port.connected.sendall(b"\r\n")  # whoever joins a stream passes over the rest of a line
    print("connected", flush=True)
    sys.stdin.readline()
    start, stop = time.perf_counter(), False
    while not stop:
        passed = time.perf_counter() - start
        for place, port in enumerate(ports):
            # each has a clock of its own: they do not all speak at the same moment
            due = int(passed * port.per_s + place / len(ports))
            assert port.connected is not None
            while port.sent < due and not stop:
                try:
                    port.connected.sendall(sender.line(port))
                except ConnectionError:  # who read it has ended
                    stop = True
                port.sent += not stop
        while not stop and select.select([sys.stdin], [], [], 0)[0]:
            order = sys.stdin.readline()
            stop = not order or _obey(sender, json.loads(order))
        time.sleep(0.001)
    print(json.dumps([port.sent * len(port.channels) for port in ports]), flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
