"""CPU share of reading 8 ports at 1,000 lines a second, beside a bare loop in the same run.

Reports only: ``python -m tests.benchmarks.read_lines``. POSIX only, since it
uses pseudo-terminals. Both readers get the same bytes at the same pace from
another process.
"""

import os
import select
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager

from acquire.clock import SystemClock
from drivers.reader import PortReader
from drivers.registry import make_instrument
from drivers.sample import Press, Sample
from drivers.together import Together

PORTS = 8
LINES_PER_S = 1000
SECONDS = 5.0
LINE = b"P +12.3456\r\n"

WRITER = """
import os, sys, time
descriptors, line, per_s = [int(d) for d in sys.argv[1].split(",")], sys.argv[2].encode() + b"\\r\\n", int(sys.argv[3])
start, sent = time.perf_counter(), 0
while True:
    due = int((time.perf_counter() - start) * per_s)
    for _ in range(due - sent):
        for descriptor in descriptors:
            os.write(descriptor, line)
    sent = due
    time.sleep(0.5 / per_s)
"""


@contextmanager
def talking_ports() -> Iterator[list[str]]:
    """Names of ports on which another process writes lines."""
    pairs = [os.openpty() for _ in range(PORTS)]
    for _, slave in pairs:
        tty.setraw(slave)
    masters = [master for master, _ in pairs]
    command = [sys.executable, "-c", WRITER, ",".join(map(str, masters)), LINE.decode().strip(), str(LINES_PER_S)]
    writer = subprocess.Popen(command, pass_fds=masters)
    try:
        yield [os.ttyname(slave) for _, slave in pairs]
    finally:
        writer.terminate()
        writer.wait()
        for pair in pairs:
            for descriptor in pair:
                os.close(descriptor)


def bare_loop(names: list[str]) -> int:
    """The floor: one thread, wait, read, count the line ends. Nothing is parsed."""
    ports = [os.open(name, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK) for name in names]
    lines = 0
    end = time.perf_counter() + SECONDS
    while time.perf_counter() < end:
        ready, _, _ = select.select(ports, [], [], 0.1)
        for port in ready:
            lines += os.read(port, 65536).count(b"\n")
    for port in ports:
        os.close(port)
    return lines


def readers(names: list[str]) -> int:
    """The drivers as they are: ports read together, every line parsed and handed on."""
    lines = 0

    def count(samples: list[Sample]) -> None:
        nonlocal lines
        lines += len(samples)

    def ignore(_: Press) -> None: ...

    clock = SystemClock()
    together = Together(clock)
    working = []
    for name in names:
        table: dict[str, object] = {
            "driver": "lines_streamed",
            "port": name,
            "pattern": r"P (?P<p>[-+]\d+\.\d{4})",
            "channels": {"test_pressure": {"field": "p", "unit": "inH2O", "low": -60.0, "high": 60.0}},
        }
        working.append(PortReader(make_instrument(name, table), clock, count, ignore, lambda notice: None, together))
    for reader in working:
        reader.start()
    end = time.perf_counter() + SECONDS
    while (left := end - time.perf_counter()) > 0:
        time.sleep(left)
    for reader in working:
        reader.stop()
    return lines


def main() -> None:
    """Measure both, say both and their ratio."""
    shares = {}
    for name, read in (("bare loop, nothing parsed", bare_loop), ("drivers", readers)):
        with talking_ports() as names:
            cpu, wall = time.process_time(), time.perf_counter()
            lines = read(names)
            cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        shares[name] = cpu / wall
        print(f"{name:28} {lines / wall:7.0f} lines/s  {cpu / wall:6.1%} of one core")
    floor, drivers = shares.values()
    print(f"drivers / bare loop          {drivers / floor:7.1f}")


if __name__ == "__main__":
    main()
