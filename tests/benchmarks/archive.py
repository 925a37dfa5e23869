"""What the archive costs beside its floor: a flat file with one sync for each second of samples.

Run with ``python -m tests.benchmarks.archive [minutes]``. Both are measured
in the same run, since absolute figures move from machine to machine.
"""

import os
import platform
import random
import sqlite3
import struct
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import BinaryIO

from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from drivers.sample import Sample
from tests.store.examples import begin, point

RECORD = struct.Struct("<Bqd")
CHANNELS = ("test_pressure", "meter_pressure", "lift", "room_pressure", "room_temperature", "room_humidity")


def bench_seconds(count: int) -> list[list[Sample]]:
    """Seconds of a bench: two pressures at 50/s with jitter and noise, a dial at 10/s, room air at 1/s."""
    rng = random.Random(4)
    seconds = []
    pressure, meter = 28.0, 6.0
    for second in range(count):
        samples = []
        for i in range(50):
            t_us = 1_000_000 * second + 20_000 * i + int(abs(rng.gauss(0, 150)))
            pressure += rng.gauss(0, 0.02) - 0.05 * (pressure - 28)
            meter += rng.gauss(0, 0.01) - 0.05 * (meter - 6)
            samples.append(Sample("test_pressure", t_us, round(pressure, 3), "serial:///dev/a"))
            samples.append(Sample("meter_pressure", t_us, round(meter, 3), "serial:///dev/a"))
            if i % 5 == 0:
                lift = round(7.62 + rng.choice((0, 0, 0.01)), 2)
                samples.append(Sample("lift", t_us + rng.randrange(900), lift, "serial:///dev/b"))
        for channel, value in (("room_pressure", 99.31), ("room_temperature", 21.4), ("room_humidity", 41.0)):
            samples.append(Sample(channel, 1_000_000 * second + 990_000, value, "serial:///dev/c"))
        seconds.append(samples)
    return seconds


def write_flat(path: Path, seconds: list[list[Sample]]) -> None:
    """The floor: fixed records, one sync a second of samples."""
    with path.open("wb") as file:
        for samples in seconds:
            file.write(b"".join(RECORD.pack(CHANNELS.index(s.channel), s.t_us, s.value) for s in samples))
            file.flush()
            os.fsync(file.fileno())


def write_archive(archive: Archive, session_id: int, seconds: list[list[Sample]]) -> None:
    """Ours: one block and one durable transaction a second of samples."""
    for samples in seconds:
        archive.add_samples(session_id, samples)


def read_flat(path: Path) -> list[Sample]:
    """The floor: all of it back as samples."""
    return [Sample(CHANNELS[number], t_us, value, "") for number, t_us, value in RECORD.iter_unpack(path.read_bytes())]


def append(file: BinaryIO) -> None:
    """The floor of a durable point: one page and one sync."""
    file.write(bytes(4096))
    file.flush()
    os.fsync(file.fileno())


def took(work: Callable[[], object]) -> float:
    """Seconds that ``work`` needed."""
    start = perf_counter()
    work()
    return perf_counter() - start


def main() -> None:
    """Measure, and print the ratio to the floor beside each figure."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    seconds = bench_seconds(round(60 * minutes))
    count = sum(map(len, seconds))
    print(
        f"{count} samples, {len(seconds)} blocks; Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        flat, path = Path(folder) / "flat", Path(folder) / "archive.db"
        flat_write_s = took(lambda: write_flat(flat, seconds))
        flat_read_s = took(lambda: read_flat(flat))
        flat_bytes = flat.stat().st_size
        with Archive.open(path) as archive:
            pull_id, session_id = begin(archive)
        empty_bytes = path.stat().st_size
        with Archive.open(path) as archive:
            write_s = took(lambda: write_archive(archive, session_id, seconds))
        archive_bytes = path.stat().st_size - empty_bytes
        with Archive.open(path) as archive:
            commit_s = sorted(took(partial(archive.commit_point, pull_id, session_id, point(i))) for i in range(200))
        with Path(folder, "sync").open("wb") as file:
            sync_s = sorted(took(partial(append, file)) for _ in range(200))
        with ArchiveReader(path) as reader:
            read_s = took(lambda: [list(reader.stream(session_id))])
            one_s = took(lambda: reader.samples(session_id, "test_pressure"))
            check_s = took(reader.check)
    report("written, samples/s", count / write_s, count / flat_write_s)
    report("read in order, samples/s", count / read_s, count / flat_read_s)
    print(f"{'one channel as arrays, samples/s':36}{50 * len(seconds) / one_s:14,.0f}")
    report("bytes for a million samples", archive_bytes / count * 1e6, flat_bytes / count * 1e6)
    report("one durable point, ms (median)", 1e3 * commit_s[100], 1e3 * sync_s[100])
    report("one durable point, ms (95 %)", 1e3 * commit_s[190], 1e3 * sync_s[190])
    print(f"{'whole check, MB/s':36}{archive_bytes / check_s / 1e6:14,.0f}")


def report(what: str, ours: float, floor: float) -> None:
    """One line: ours, the floor, and their ratio."""
    print(f"{what:36}{ours:14,.3g}   floor {floor:12,.3g}   ratio {ours / floor:6.2f}".replace("e+", "e"))


if __name__ == "__main__":
    main()
