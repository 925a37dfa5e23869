"""The demo: a simulated bench as its own process, the daemon on its ports.

The simulated operator is told what the dashboard would tell a person: what
the guide wants, and nothing else. Everything that is judged, logged and
printed goes through the same code as on a real bench.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from acquire.background import until_it_answers
from acquire.bundled import read_bundled
from acquire.client import Client, Lost, this_screen
from acquire.config import BenchConfig, parse_config
from acquire.demo.plan import demo_requests, demo_templates
from acquire.demo.simlink import SimLink
from acquire.flow.convention import convention_said
from acquire.follow import follow
from acquire.listening import Listening
from acquire.records import ArchivedPull, Frame, LiveEvent, Refused, Wants
from acquire.units import from_si

BY_ITSELF = "This bench turns valve and blower by itself, as the sentence asks."
Story = Literal["dashboard", "hands off", "two heads"]


def run_demo(
    story: Story, out: Path | None, seed: int, speed: float, endpoints: str | None, say: Callable[[str], None]
) -> int:
    """Run it; the exit code. Raises ``Refused`` when a part does not come up."""
    if out is None:
        with tempfile.TemporaryDirectory(prefix="steadydraw-demo-", ignore_cleanup_errors=True) as folder:
            return _run(story, Path(folder), seed, speed, endpoints, say)
    out.mkdir(parents=True, exist_ok=True)
    if (out / "archive.db").exists():
        raise Refused(f"{out / 'archive.db'} exists already: give --out a folder without one")
    return _run(story, out, seed, speed, endpoints, say)


def _run(story: Story, out: Path, seed: int, speed: float, endpoints: str | None, say: Callable[[str], None]) -> int:
    with simulated_bench(seed, speed, endpoints) as sim:
        text = demo_config_text(sim.ports)
        config = parse_config(text, "the demo's configuration")
        (out / "bench.toml").write_text(text, encoding="utf-8")
        with daemon_on(out, speed, say) as client, operator_follows(client, sim):
            if story == "hands off":
                return _hands_off(client, sim, config, out, seed, say)
            if story == "two heads":
                from acquire.demo.heads import two_heads

                return two_heads(client, sim, config, out, say)
            from acquire.sessions.recorded import RecordedBench
            from acquire.ui.app import run_dashboard

            for template in demo_templates(config):
                client.save_template(template)
            # a screen of its own, as every dashboard is: another one that is opened on this bench watches
            seated = Client.find(screen=this_screen("simulated bench"))
            return run_dashboard(seated, lambda session_id: RecordedBench(out / "archive.db", session_id), BY_ITSELF)


# ---------------------------------------------------------------- the parts


@contextmanager
def simulated_bench(seed: int, speed: float, endpoints: str | None = None) -> Iterator[SimLink]:
    """A simulated bench as a process of its own, with its instruments' ports."""
    kind = endpoints or ("tcp" if sys.platform == "win32" else "pty")
    command = [sys.executable, "-m", "sim", "--seed", str(seed), "--speed", str(speed), "--endpoints", kind]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line:
            raise Refused("the simulated bench did not start: run 'python -m sim --seed 1' to see why")
        started = json.loads(line)
        with SimLink(started["ports"], started["control"]) as link:
            yield link
    finally:
        _end(process)


@contextmanager
def daemon_on(out: Path, speed: float, say: Callable[[str], None] = lambda _: None) -> Iterator[Client]:
    """The daemon on ``out/bench.toml`` and ``out/archive.db``, ready to be asked."""
    environment = os.environ | {"STEADYDRAW_HOME": str(out / "home")}
    command = [sys.executable, "-m", "acquire", "serve", "--config", str(out / "bench.toml")]
    command += ["--db", str(out / "archive.db"), "--clock-speed", str(speed)]
    with (out / "daemon.log").open("w", encoding="utf-8") as log:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment)
        try:
            # where this process finds the daemon's address, too
            os.environ["STEADYDRAW_HOME"] = str(out / "home")
            yield until_it_answers(process, out / "daemon.log", say=say)
        finally:
            _end(process)


def _end(process: "subprocess.Popen[Any]") -> None:
    if process.stdin is not None:
        process.stdin.close()
    if process.poll() is None:
        process.terminate() if sys.platform == "win32" else process.send_signal(signal.SIGTERM)
    try:
        process.wait(timeout=10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


@contextmanager
def operator_follows(client: Client, sim: SimLink) -> Iterator[None]:
    """Tells the simulated operator what the guide wants, whenever that changes."""
    told: Wants | None = None

    def hear(item: Frame | LiveEvent | Lost) -> None:
        nonlocal told
        if not isinstance(item, Frame) or item.guide.situation in ("no_pull", "ended", "paused"):
            return
        if item.guide.wants != told:
            told = item.guide.wants
            sim.follow(told.model_dump())

    with Listening(client, hear):
        yield


# ---------------------------------------------------------------- hands off


def _hands_off(
    client: Client, sim: SimLink, config: BenchConfig, out: Path, seed: int, say: Callable[[str], None]
) -> int:
    from acquire.sheet import write_sheet
    from acquire.store.reader import ArchiveReader

    complete, pull_ids = True, []
    for request in demo_requests(config):
        pull_id = client.begin(request)
        say(f"pull {pull_id}: {request.kind}, {request.direction}, {request.subject.identifier}")
        complete &= follow(client, pull_id, say)
        if request.kind == "lift":
            pull_ids.append(pull_id)
    with ArchiveReader(out / "archive.db") as reader:
        pulls = [reader.pull(pull_id) for pull_id in pull_ids]
    report = demo_report(pulls, sim, config, seed)
    (out / "pull.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")
    for name in ("sheet.pdf", "sheet.png"):
        write_sheet(pulls, out / name)
    inside, points = report["truth_inside_interval"], report["points"]
    say(f"{points} points, simulated truth inside {inside} of the stated 95 % intervals")
    say(f"{out}: archive.db, sheet.pdf, sheet.png, pull.json")
    return 0 if complete else 1


def demo_report(pulls: list[ArchivedPull], sim: SimLink, config: BenchConfig, seed: int) -> dict[str, Any]:
    """Every point in force with its interval and the simulated truth beside it."""
    described = []
    inside = points = 0
    for pull in pulls:
        in_force = list(pull.in_force.values())
        # the simulation states its truth as the same restriction, which is the demo's convention
        reference = config.reference.model_dump(exclude={"convention"})
        truths = sim.truth(pull.request.direction, [p.step_lift_m for p in in_force], reference)
        rows = []
        for point, truth in zip(in_force, truths, strict=True):
            flow, half = point.flow.flow_m3_s, point.flow.half_width_95_m3_s
            holds = abs(flow - truth) <= half
            inside, points = inside + holds, points + 1
            rows.append(
                {
                    "lift_in": _rounded(point.step_lift_m, "in", 4),
                    "lift_measured_in": _rounded(point.lift_m, "in", 4),
                    "flow_cfm": _rounded(flow, "cfm", 3),
                    "half_width_95_cfm": _rounded(half, "cfm", 3),
                    "interval_95_cfm": [_rounded(flow - half, "cfm", 3), _rounded(flow + half, "cfm", 3)],
                    "test_pressure_held_inh2o": round(from_si(point.test_pressure_pa, "inH2O", config.water), 3),
                    "test_pressure_inside_band": round(point.hold.inside_share, 4),
                    "settled": point.settled,
                    "simulated_truth_cfm": _rounded(truth, "cfm", 3),
                    "truth_inside_interval": holds,
                }
            )
        described.append(
            {
                "pull": pull.id,
                "uid": pull.uid,
                "direction": pull.request.direction,
                "outcome": pull.outcome,
                "marks": [mark.sentence for mark in pull.marks],
                "points": rows,
            }
        )
    return {
        "simulated": True,
        "seed": seed,
        "head": pulls[0].request.subject.identifier if pulls else "",
        "convention": convention_said(config),
        "points": points,
        "truth_inside_interval": inside,
        "pulls": described,
    }


def _rounded(value: float | None, unit: str, digits: int) -> float | None:
    return None if value is None else round(from_si(value, unit), digits)


def demo_config_text(ports: dict[str, str]) -> str:
    """The demo's configuration on the simulated bench's ports."""
    text = read_bundled("demo.toml")
    for name, port in ports.items():
        text = text.replace("{" + name + "}", port.replace("\\", "\\\\"))
    return text
