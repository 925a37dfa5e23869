"""The daemon is killed in the middle of a pull, again and again; nothing acknowledged is lost."""

import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.client import Client, ClientError, Lost
from acquire.demo import demo_config_text, operator_follows, simulated_bench
from acquire.demo_plan import demo_requests
from acquire.listening import Listening
from acquire.records import Frame, LiveEvent, PullRequest
from acquire.units import INCH_M
from tests.whole.virtual import demo_config

KILLS = 50
SPEED = 12.0


def start(folder: Path) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "acquire", "serve", "--config", str(folder / "bench.toml")]
    command += ["--db", str(folder / "archive.db"), "--clock-speed", str(SPEED)]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def connect(process: "subprocess.Popen[bytes]") -> Client:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        assert process.poll() is None, "the daemon ended by itself"
        try:
            client = Client.find()
            if client.health().pid == process.pid:
                return client
        except ClientError:
            time.sleep(0.02)
    raise AssertionError("the daemon did not come up")


def request() -> PullRequest:
    lifts = tuple(lift * INCH_M / 20 for lift in range(2, 17))
    return demo_requests(demo_config())[1].model_copy(update={"lifts_m": lifts})


@pytest.mark.timeout(900)
def test_fifty_kills_at_random_moments_lose_no_acknowledged_point_and_the_pull_goes_on(tmp_path: Path) -> None:
    chance, resumed = random.Random(50), 0
    acknowledged: set[tuple[int, int, int]] = set()

    def hear(item: Frame | LiveEvent | Lost) -> None:
        if isinstance(item, LiveEvent) and item.point is not None and item.pull_id is not None:
            acknowledged.add((item.pull_id, item.point.step, item.point.take))

    with simulated_bench(5, SPEED) as sim:
        (tmp_path / "bench.toml").write_text(demo_config_text(sim.ports), encoding="utf-8")
        for _ in range(KILLS):
            process = start(tmp_path)
            try:
                client = connect(process)
                waiting = client.open_pulls()
                with Listening(client, hear), operator_follows(client, sim):
                    if waiting:
                        client.resume(waiting[0].id)
                        resumed += 1
                    else:
                        client.begin(request())
                    time.sleep(chance.uniform(0.05, 1.5))
                    process.send_signal(signal.SIGKILL)
                    process.wait()
            finally:
                process.kill()
                process.wait()
            with sqlite3.connect(tmp_path / "archive.db") as sql:
                assert sql.execute("PRAGMA integrity_check").fetchone() == ("ok",)
                kept = set(sql.execute("SELECT pull_id, step, take FROM points"))
            sql.close()
            assert acknowledged <= kept
    assert len(acknowledged) >= 5
    assert resumed >= KILLS // 3
