"""``steadydraw ready`` at a running daemon on the simulated bench, over its client and as a command."""

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from acquire.client import Client
from acquire.config import BenchConfig, parse_config
from acquire.demo.plan import demo_requests
from acquire.demo.run import daemon_on, demo_config_text, operator_follows, simulated_bench
from acquire.demo.simlink import SimLink
from acquire.follow import follow
from acquire.ready.record import Readiness
from acquire.ready.watch import watch
from acquire.records import Action, PullRequest, Refused
from acquire.store.reader import ArchiveReader
from acquire.text import pull_text

pytestmark = [pytest.mark.timeout(240), pytest.mark.xdist_group("ready")]

SPEED = 12.0
PLATE = "check plate A"
READY = f'[ready]\nwatch = "6 s"\nlongest_wait = "12 s"\nplate = "{PLATE}"\ndirections = ["intake"]\n\n[leakage]'


@dataclass(frozen=True)
class Bench:
    client: Client
    sim: SimLink
    config: BenchConfig
    folder: Path

    @property
    def archive(self) -> Path:
        return self.folder / "archive.db"

    def run(self, kind: str) -> int:
        pull_id = self.client.begin(request(self.config, kind))
        assert follow(self.client, pull_id, lambda _: None)
        return pull_id


def request(config: BenchConfig, kind: str) -> PullRequest:
    blank = demo_requests(config)[0].model_copy(update={"test_pressures_pa": (7000.0,)})
    if kind == "leakage":
        return blank
    changes = {
        "kind": "plate",
        "meter_range": "large",
        "subject": blank.subject.model_copy(update={"identifier": PLATE}),
    }
    return blank.model_copy(update=changes)


def steadydraw(*arguments: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "acquire", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=100, stdin=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("ready")
    with pytest.MonkeyPatch.context() as patch, simulated_bench(5, SPEED) as sim:
        patch.setenv("STEADYDRAW_HOME", str(folder / "home"))
        text = demo_config_text(sim.ports).replace("[leakage]", READY)
        (folder / "bench.toml").write_text(text, encoding="utf-8")
        with daemon_on(folder, SPEED) as client, operator_follows(client, sim):
            yield Bench(client, sim, parse_config(text, "bench.toml"), folder)


@pytest.fixture
def bench(running: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    # every test has a home of its own: this one's daemon lives elsewhere
    monkeypatch.setenv("STEADYDRAW_HOME", str(running.folder / "home"))
    return running


def test_a_bench_is_not_ready_until_its_leakage_and_plate_are_run_and_its_pulls_say_so(bench: Bench) -> None:
    first = steadydraw("ready", "--json")
    assert first.returncode == 1, first.stderr
    assert "Bench off. Watching it for 6 s" in first.stderr
    found = {line["name"]: line["verdict"] for line in json.loads(first.stdout)["lines"]}
    assert found == {
        "instruments": "good",
        "zeros": "good",
        "zero drift": "good",
        "meter temperature": "good",
        "leakage, intake": "bad",
        "reference plate": "bad",
        "room air": "good",
        "calibrations": "left out",
        "response": "left out",
    }

    bench.run("leakage")
    before = bench.run("plate")
    again = steadydraw("ready", "--plate", "-o", str(bench.folder / "ready.png"))
    assert again.returncode == 0, again.stdout + again.stderr
    assert "demo bench is ready." in again.stdout
    assert "2 runs" in again.stdout
    assert "SIMULATED BENCH" in again.stdout
    assert (bench.folder / "ready.png").read_bytes().startswith(b"\x89PNG")

    with ArchiveReader(bench.archive) as reader:
        kept = [its.record for its in reader.bench_records(Readiness)]
        assert [its.ready for its in kept] == [True, False]
        assert min(len(its.values) for its in kept[0].watched if its.channel != "meter_temperature") >= 8
        # a pull holds the check that was the last one when it was begun
        ready = reader.pull(before).basis.ready
        assert ready is not None
        assert (ready.ready, ready.against) == (False, ("leakage, intake", "reference plate"))
    bench.client.begin(demo_requests(bench.config)[1])
    facts = bench.client.bench()
    with pytest.raises(Refused, match="is running: finish or abort it"):
        watch(bench.client, facts, lambda _: None)
    bench.client.act(Action(kind="abort"))
    with ArchiveReader(bench.archive) as reader:
        assert "Bench: ready 20" in pull_text(reader.pull("last"))

    listed = steadydraw("ready", "--list", "--db", str(bench.archive))
    rows = listed.stdout.splitlines()
    assert "ready  simulated" in rows[0]
    assert "NOT READY simulated: leakage, intake, reference plate" in " ".join(" ".join(rows[1:]).split())


def test_a_blower_left_running_is_told_and_given_up_in_time(bench: Bench) -> None:
    bench.sim.follow({"test_pressure_pa": 3000.0})
    done = steadydraw("ready")
    assert done.returncode == 1
    assert "Stop the blower: test pressure reads" in done.stderr
    assert "BAD        bench off" in done.stdout
