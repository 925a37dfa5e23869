"""The daemon under load, beside its floor: is anything lost, what does it cost, how late is the screen?

Run with ``python -m tests.benchmarks.load [--usual | --flood] [--seconds N] [--frames N]``
(Linux). Seven instruments, one for each channel there is, together 8,000
samples a second; ``--usual``: six channels at 50/s from three instruments;
``--flood``: the same, while one more client asks for frame, status, pulls and
an action that is refused, in turn, as fast as it is answered. The daemon
is the real one, in its own process, with its archive, a pull that goes on
and one live client, at 10 frames a second as the dashboard listens
(``--frames``). The floor is a bare loop in a process of its own that reads
the same bytes from the same sender, turns them into numbers and writes the
same blocks, one transaction a second.
"""

import argparse
import itertools
import json
import multiprocessing
import os
import select
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from acquire.bundled import read_bundled
from acquire.client import Client, ClientError, Lost
from acquire.config import parse_config
from acquire.demo.plan import demo_requests
from acquire.demo.run import daemon_on
from acquire.listening import Listening
from acquire.records import Action, Frame, LiveEvent
from acquire.store.blocks import Block, encode
from acquire.store.reader import ArchiveReader
from acquire.units import INCH_M

Ports = list[tuple[list[str], float]]
FULL: Ports = [
    (["test_pressure"], 2000.0),
    *(([name], 1000.0) for name in ("meter_pressure", "lift", "room_pressure", "room_temperature")),
    *(([name], 1000.0) for name in ("room_humidity", "meter_temperature")),
]
USUAL: Ports = [
    (["test_pressure", "meter_pressure"], 50.0),
    (["lift"], 50.0),
    (["room_pressure", "room_temperature", "room_humidity"], 50.0),
]
UNITS = {
    "lift": "in",
    "room_pressure": "kPa",
    "room_humidity": "%RH",
    "room_temperature": "C",
    "meter_temperature": "C",
}
STEPS = 150
SHARES = (0.5, 0.99, 1.0)
TOO_MANY = 429
_HZ = os.sysconf("SC_CLK_TCK")


class Bench:
    """The sender's process, told what to send."""

    def __init__(self, ports: Ports) -> None:
        command = [sys.executable, "-m", "tests.benchmarks.load_sender", json.dumps(ports)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.numbers: list[int] = json.loads(self._said())

    def _said(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def tell(self, **order: object) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()

    def wait_until_connected(self) -> None:
        """Until each port has its reader; nothing is sent before."""
        self._said()

    def stop(self) -> list[int]:
        """How many samples each instrument has sent."""
        self.tell(stop=True)
        found: list[int] = json.loads(self._said())
        return found


@contextmanager
def bench(ports: Ports) -> Iterator[Bench]:
    """A sender, ended at the end."""
    its = Bench(ports)
    try:
        yield its
    finally:
        its.process.terminate()
        its.process.communicate()


def config_text(ports: Ports, numbers: list[int]) -> str:
    """The demo's bench with these instruments in place of its own."""
    text = read_bundled("demo.toml").partition("# Two pressure transducers")[0]
    for (channels, _), number in zip(ports, numbers, strict=True):
        pattern = " ".join(rf"(?P<{channel}>-?\d+\.\d+)" for channel in channels)
        text += f'[instruments.i{number}]\ndriver = "lines_streamed"\nport = "socket://127.0.0.1:{number}"\n'
        text += f'source = "sim://i{number}"\nsilent_after_s = 30.0\n' + f"pattern = '{pattern}'\n"
        for channel in channels:
            text += f'channels.{channel} = {{ field = "{channel}", unit = "{UNITS.get(channel, "inH2O")}" }}\n'
    return text


class Operator:
    """Follows the guide, no faster than the schedule lasts; notes how old the newest lift of each frame is."""

    def __init__(self, sender: Bench, seconds: float) -> None:
        self._sender = sender
        self._each_s = max(4.0, seconds / (STEPS - 10))
        self._next_s = 0.0
        self._told: tuple[object, object] = (None, None)
        self.delays_s: list[float] = []
        self.heard_s: list[float] = []
        self.taken = 0
        self.situations: set[str] = set()

    def hear(self, item: Frame | LiveEvent | Lost) -> None:
        now_us = time.monotonic_ns() // 1000
        if isinstance(item, LiveEvent):
            self.taken += item.kind == "taken"
        if not isinstance(item, Frame):
            return
        self.situations.add(item.guide.situation)
        self.heard_s.append(now_us / 1e6)
        number = item.readings["lift"].number
        if number is not None and item.pull is not None:
            sent_us = round((number * 1e4 % 1) * 1e8)
            self.delays_s.append((now_us - sent_us) % 100_000_000 / 1e6)
        wants = item.guide.wants
        if (wants.lift_m, wants.test_pressure_pa) != self._told and time.monotonic() >= self._next_s:
            self._told = (wants.lift_m, wants.test_pressure_pa)
            self._next_s = time.monotonic() + self._each_s
            lift_in = round((wants.lift_m or 0.0) / INCH_M, 4)
            self._sender.tell(on=bool(wants.test_pressure_pa), lift_in=lift_in)


def cpu_s(pid: int) -> float:
    """User and system time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _HZ


def rss_mb(pid: int) -> float:
    """Resident memory now."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def flood(stop: Any, answer: Any) -> None:
    """In a process of its own: ask as fast as the daemon answers. Answers with how long each took, in two lists.

    The first of what was done, the second of what the daemon turned away as too much.
    """
    client = Client.find()
    done_s, turned_away_s = list[float](), list[float]()
    # the last goes through the engine's thread and is refused there: there is no such step
    retake = Action(kind="retake", step=STEPS)
    questions: list[Callable[[], object]] = [client.frame, client.status, client.pulls, lambda: client.act(retake)]
    for question in itertools.cycle(questions):
        begun, took_s = time.monotonic(), done_s
        try:
            question()
        except ClientError as error:
            took_s = turned_away_s if error.status == TOO_MANY else done_s
        took_s.append(time.monotonic() - begun)
        if stop.is_set():
            break
    answer.send((sorted(done_s), sorted(turned_away_s)))


@contextmanager
def flooded(wanted: bool, took_s: list[list[float]]) -> Iterator[None]:
    """A flood if wanted; afterwards ``took_s`` holds how long each answer took, see ``flood``."""
    if not wanted:
        yield
        return
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    ours, theirs = context.Pipe()
    process = context.Process(target=flood, args=(stop, theirs))
    process.start()
    theirs.close()
    try:
        yield
        stop.set()
        took_s += ours.recv()
    finally:
        stop.set()
        process.join(10)


def daemon_under_load(
    ports: Ports, seconds: float, folder: Path, frames_per_s: float, flooding: bool = False
) -> dict[str, Any]:
    """Run it; what was measured."""
    took_s: list[list[float]] = []
    with bench(ports) as sender:
        text = config_text(ports, sender.numbers)
        (folder / "bench.toml").write_text(text)
        lifts = tuple((0.05 + 0.005 * step) * INCH_M for step in range(STEPS))
        request = demo_requests(parse_config(text, "load"))[1].model_copy(update={"lifts_m": lifts})
        with daemon_on(folder, 1.0) as client:
            pid = client.health().pid
            operator = Operator(sender, seconds)
            sender.wait_until_connected()
            pull_id = client.begin(request.model_copy(update={"meter_range": "large"}))
            sender.tell(on=False, lift_in=0.0)
            with Listening(client, operator.hear, frames_per_s):
                with flooded(flooding, took_s):
                    memory, shares = _watch(pid, seconds)
                sent = sender.stop()
                _wait_until_read(client, sum(had // len(its) for had, (its, _) in zip(sent, ports, strict=True)))
            client.act(Action(kind="abort"))
    with ArchiveReader(folder / "archive.db") as reader:
        pull = reader.pull(pull_id)
        kept = [_count(reader, pull.sessions[0].id, channels) for channels, _ in ports]
    return {
        "sent": sum(sent),
        "missing": [had - have for had, have in zip(sent, kept, strict=True)],
        "share": statistics.median(shares),
        "worst share": max(shares),
        "delays_s": sorted(operator.delays_s),
        "gaps_s": sorted(b - a for a, b in itertools.pairwise(operator.heard_s)),
        "took_s": took_s,
        "memory_mb": memory,
        "taken": operator.taken,
        "situations": operator.situations,
        "log": (folder / "daemon.log").read_text().splitlines()[-1],
    }


def _wait_until_read(client: Client, lines: int) -> None:
    """Until what was on its way has come in."""
    read = threading.Event()

    def hear(item: Frame | LiveEvent | Lost) -> None:
        if isinstance(item, Frame) and sum(its.good_lines for its in item.instruments) >= lines:
            read.set()

    with Listening(client, hear):
        read.wait(60)


def _watch(pid: int, seconds: float) -> tuple[list[float], list[float]]:
    """Memory once a second, and the share of one core over each five seconds once it has begun."""
    memory, shares = [], []
    end = time.monotonic() + seconds
    since, before = time.monotonic(), cpu_s(pid)
    while (left := end - time.monotonic()) > 0:
        time.sleep(min(1.0, left))
        memory.append(rss_mb(pid))
        if (now := time.monotonic()) - since >= 5.0:
            shares.append((cpu_s(pid) - before) / (now - since))
            since, before = now, cpu_s(pid)
    return memory, shares[1:] or shares


def _count(reader: ArchiveReader, session_id: int, channels: list[str]) -> int:
    return sum(len(reader.samples(session_id, channel)[0]) for channel in channels)


# ---------------------------------------------------------------- the floor


def floor(ports: Ports, numbers: list[int], path: Path, stop: Any, answer: Any) -> None:
    """In a process of its own: read, turn into numbers, write a block a second. Answers with its share of a core."""
    sockets = [socket.create_connection(("127.0.0.1", number)) for number in numbers]
    sql = sqlite3.connect(path, isolation_level=None)
    sql.execute("PRAGMA journal_mode = WAL")
    sql.execute("PRAGMA synchronous = FULL")
    sql.execute("CREATE TABLE blocks (id INTEGER PRIMARY KEY, count INTEGER, block BLOB)")
    channels: list[int] = []
    times: list[int] = []
    values: list[float] = []
    halves = [b""] * len(sockets)
    answer.send("connected")
    wall, cpu, due = time.monotonic(), time.process_time(), time.monotonic() + 1.0
    while not stop.is_set():
        for ready in select.select(sockets, [], [], 0.02)[0]:
            its = sockets.index(ready)
            *lines, halves[its] = (halves[its] + ready.recv(65536)).split(b"\r\n")
            t_us = time.monotonic_ns() // 1000
            for line in lines:
                for place, number in enumerate(line.split()):
                    channels.append(8 * its + place)
                    times.append(t_us)
                    values.append(float(number))
        if time.monotonic() >= due and channels:
            due += 1.0
            block = Block(np.array(channels, np.uint8), np.array(times, np.int64), np.array(values, np.float64))
            sql.execute("INSERT INTO blocks (count, block) VALUES (?, ?)", [len(channels), encode(block)])
            channels, times, values = [], [], []
    answer.send((time.process_time() - cpu) / (time.monotonic() - wall))


def bare_loop(ports: Ports, seconds: float, folder: Path) -> float:
    """The floor's share of one core."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    ours, theirs = context.Pipe()
    with bench(ports) as sender:
        process = context.Process(target=floor, args=(ports, sender.numbers, folder / "floor.db", stop, theirs))
        process.start()
        ours.recv()
        sender.wait_until_connected()
        sender.tell(on=True, lift_in=0.3)
        time.sleep(seconds)
        stop.set()
        share = float(ours.recv())
        process.join()
    return share


def main() -> None:
    """Measure both, say what was found and how busy the machine was."""
    parser = argparse.ArgumentParser(description=__doc__)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--usual", action="store_true")
    which.add_argument("--flood", action="store_true")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--frames", type=float, default=10.0, help="a second, to the live client")
    asked = parser.parse_args()
    ports = USUAL if asked.usual or asked.flood else FULL
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        found = daemon_under_load(ports, asked.seconds, folder, asked.frames, asked.flood)
        base = bare_loop(ports, min(20.0, asked.seconds), folder)
    memory, delays = found["memory_mb"], found["delays_s"]
    half = memory[len(memory) // 2 :]
    slope = np.polyfit(np.arange(len(half)) / 60.0, half, 1)[0] if len(half) > 2 else float("nan")
    rate = sum(len(channels) * per_s for channels, per_s in ports)
    busy = f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    print(f"{rate:.0f} samples/s for {asked.seconds:.0f} s, {asked.frames:g} frames/s; {busy}")
    print(f"sent {found['sent']}, missing in the archive {sum(found['missing'])} {found['missing']}")
    print(f"points taken {found['taken']}; the daemon's last word: {found['log']}")
    print(f"daemon {found['share']:.1%} of one core (median of 5 s; worst {found['worst share']:.1%})")
    print(f"bare loop, nothing judged or shown {base:.1%}; ratio {found['share'] / base:.2f}")
    print(f"memory {memory[0]:.0f} MB at first, {max(memory):.0f} at most, {slope:+.2f} a minute in the second half")
    _print_shares("from byte to client", delays)
    _print_shares("from one frame to the next at the client", found["gaps_s"])
    for what, took_s in zip(("done", "turned away as too many"), found["took_s"], strict=False):
        print(f"flood: {len(took_s) / asked.seconds:.0f} requests/s {what}")
        if took_s:
            _print_shares("from request to answer", took_s)


def _print_shares(what: str, ordered_s: list[float]) -> None:
    shares = ((f"{share:.0%}", ordered_s[min(len(ordered_s) - 1, int(share * len(ordered_s)))]) for share in SHARES)
    print(f"{what}: " + ", ".join(f"{share} {1e3 * its:.0f} ms" for share, its in shares))


if __name__ == "__main__":
    main()
