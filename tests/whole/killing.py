"""A daemon in the middle of a pull that is killed, started anew and told to go on, again and again."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Literal

from acquire.client import Client, ClientError, Lost
from acquire.demo.plan import demo_requests
from acquire.demo.run import demo_config_text, operator_follows, simulated_bench
from acquire.listening import Listening
from acquire.records import Frame, LiveEvent, PullRequest
from acquire.units import INCH_M
from tests.whole.virtual import demo_config

SPEED = 12.0
LONGEST_TO_A_POINT_S = 30.0

# of a pull: just begun or resumed; at the very acknowledgement of a point; anywhere
Moment = Literal["begun", "point", "any"]
MOMENTS: tuple[Moment, ...] = ("point", "any", "begun", "any")


@dataclass(frozen=True, slots=True)
class Kill:
    """What was there after one kill -9. Points are (pull, step, take)."""

    moment: Moment
    resumed: bool
    heard: int
    acknowledged: frozenset[tuple[int, int, int]]
    kept: frozenset[tuple[int, int, int]]
    integrity: str


# a copy of one process that has loaded everything, for most of the rounds: loading takes longer than the round
LOADED = """
import os, sys
import acquire.daemon.serve
from acquire.budget.propagation import prepare
from acquire.cli import cli

prepare()
for _ in sys.stdin:
    child = os.fork()
    if child == 0:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        cli.main(sys.argv[1:], standalone_mode=False)
        os._exit(0)
    print(child, flush=True)
    _, status = os.waitpid(child, 0)
    print(os.waitstatus_to_exitcode(status), flush=True)
"""


class Daemons:
    """One daemon after the other on the same archive, each to be killed."""

    def __init__(self, folder: Path) -> None:
        arguments = ["serve", "--config", str(folder / "bench.toml")]
        arguments += ["--db", str(folder / "archive.db"), "--clock-speed", str(SPEED)]
        self._command = [sys.executable, "-m", "acquire", *arguments]
        environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
        loaded = [sys.executable, "-c", LOADED, *arguments]
        self._loaded = subprocess.Popen(
            loaded, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment
        )
        self._own: subprocess.Popen[bytes] | None = None
        self._pid = 0

    def start(self, as_command: bool) -> int:
        """Its process number. ``as_command``: as a user starts it."""
        if as_command:
            null = subprocess.DEVNULL
            self._own = subprocess.Popen(self._command, stdin=null, stdout=null, stderr=null)
            return self._own.pid
        assert self._loaded.stdin is not None
        assert self._loaded.stdout is not None
        self._loaded.stdin.write("\n")
        self._loaded.stdin.flush()
        self._pid = int(self._loaded.stdout.readline())
        return self._pid

    def kill(self) -> None:
        """kill -9, and wait until it is dead. It must have lived until then."""
        if self._own is not None:
            own, self._own = self._own, None
            own.kill()
            assert own.wait() == -signal.SIGKILL, "the daemon ended by itself"
        elif self._pid:
            pid, self._pid = self._pid, 0
            os.kill(pid, signal.SIGKILL)
            assert self._loaded.stdout is not None
            assert int(self._loaded.stdout.readline()) == -signal.SIGKILL, "the daemon ended by itself"

    def close(self) -> None:
        self.kill()
        self._loaded.communicate(timeout=10)


def connect(pid: int) -> Client:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            client = Client.find()
            if client.health().pid == pid:
                return client
        except ClientError:
            time.sleep(0.02)
    raise AssertionError("the daemon did not come up")


def request() -> PullRequest:
    lifts = tuple(lift * INCH_M / 20 for lift in range(2, 17))
    return demo_requests(demo_config())[1].model_copy(update={"lifts_m": lifts})


def kills(folder: Path, rounds: int, chance: random.Random) -> Iterator[Kill]:
    """Begin or resume, kill at a moment of each kind in turn, and look at the archive. ``heard``: in the round."""
    acknowledged: set[tuple[int, int, int]] = set()
    a_point = Event()

    def hear(item: Frame | LiveEvent | Lost) -> None:
        if isinstance(item, LiveEvent) and item.point is not None and item.pull_id is not None:
            acknowledged.add((item.pull_id, item.point.step, item.point.take))
            a_point.set()

    with simulated_bench(5, SPEED) as sim:
        (folder / "bench.toml").write_text(demo_config_text(sim.ports), encoding="utf-8")
        daemons = Daemons(folder)
        try:
            for number in range(rounds):
                moment, before = MOMENTS[number % len(MOMENTS)], len(acknowledged)
                client = connect(daemons.start(as_command=number % 25 == 0))
                waiting = client.open_pulls()
                with Listening(client, hear), operator_follows(client, sim):
                    a_point.clear()
                    if waiting:
                        client.resume(waiting[0].id)
                    else:
                        client.begin(request())
                    if moment == "point":
                        assert a_point.wait(LONGEST_TO_A_POINT_S), "no point was taken"
                    elif moment == "any":
                        time.sleep(chance.uniform(0.05, 1.5))
                    daemons.kill()
                yield _looked_at(folder, moment, bool(waiting), len(acknowledged) - before, frozenset(acknowledged))
        finally:
            daemons.close()


def _looked_at(
    folder: Path, moment: Moment, resumed: bool, heard: int, acknowledged: frozenset[tuple[int, int, int]]
) -> Kill:
    sql = sqlite3.connect(folder / "archive.db")
    try:
        (integrity,) = sql.execute("PRAGMA integrity_check").fetchone()
        kept = frozenset(sql.execute("SELECT pull_id, step, take FROM points"))
    finally:
        sql.close()
    return Kill(moment, resumed, heard, acknowledged, kept, integrity)
