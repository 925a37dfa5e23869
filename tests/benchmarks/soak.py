"""Hours at the bench with random faults: is each one found, are the points right, does anything leak?

``python -m tests.benchmarks.soak --seed 1 --hours 1 --speed 6``, or ``--minutes 15`` of real time. Real
pseudo-terminals, the real daemon as its own process. Linux: what the daemon holds is read from /proc.
"""

import argparse
import random
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from acquire import background
from acquire.client import Client, ClientError, Lost
from acquire.config import parse_config
from acquire.demo.plan import demo_requests
from acquire.demo.run import daemon_on, operator_follows
from acquire.listening import Listening
from acquire.pull.lift_zero import LOST
from acquire.records import Action, Frame, LiveEvent, Refused
from acquire.values import Point
from sim.faults import Fault
from sim.scenario import CALM
from sim.wire import WiredBench, WireFault
from tests.faults.live import LiveBench

APART_S = (35.0, 60.0)
FOUND_WITHIN_S = 40.0
SAMPLE_EVERY_S = 5.0
SAID = ("unplug", "boot", "stall", "foreign", "baud", "endless", "drip", "late", "lose", "double", "flip")
"""What a notice of the instrument tells; the others show otherwise, and half a rate is no fault of a point."""
QUIET = ("unplug", "boot", "stall", "endless", "drip", "late")
"""Of these, what makes an instrument silent."""
KINDS = (*SAID, "freeze", "digit", "half", "rezero")


@dataclass
class Injected:
    """One fault, and what was said of it first."""

    at_s: float
    kind: str
    device: str
    found: str = ""
    found_after_s: float | None = None
    phase: str = ""


@dataclass
class Held:
    """What the daemon holds: seconds, MB, threads, handles."""

    at_s: list[float] = field(default_factory=list)
    rss_mb: list[float] = field(default_factory=list)
    threads: list[float] = field(default_factory=list)
    handles: list[float] = field(default_factory=list)

    def look(self, pid: int, at_s: float) -> None:
        status = dict(
            line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines() if ":" in line
        )
        self.at_s.append(at_s)
        self.rss_mb.append(int(status["VmRSS"].split()[0]) / 1024)
        self.threads.append(float(status["Threads"]))
        self.handles.append(float(len(list(Path(f"/proc/{pid}/fd").iterdir()))))

    def slopes(self) -> str:
        """Per hour, over the second half of the run."""
        half = len(self.at_s) // 2
        hours = [at / 3600 for at in self.at_s[half:]]
        said = []
        for name, row in (("MB", self.rss_mb), ("threads", self.threads), ("handles", self.handles)):
            slope = statistics.linear_regression(hours, row[half:]).slope if len(hours) > 2 else float("nan")
            said.append(f"{name} {row[half]:.1f} -> {row[-1]:.1f}, {slope:+.2f} an hour")
        return "; ".join(said)


def _wire(kind: str, device: str, rng: random.Random) -> Callable[[WiredBench], object]:
    long = {"foreign": 3.0, "baud": 3.0, "endless": 5.0, "drip": 8.0, "half": 20.0, "late": 4.0}
    by = {"baud": rng.choice((0.5, 2.0, 3.0)), "drip": 30.0}.get(kind, float(rng.randrange(1, 9)))
    place, text = rng.randrange(24), b"ID 04 WEIGHT 812.5 g\r\n"
    return lambda bench: bench.spoil(
        device,
        WireFault(kind, bench.t_s, long.get(kind, 0.0), place=place, by=by, text=text),  # type: ignore[arg-type]
    )


def _own(kind: str, device: str, for_s: float) -> Callable[[WiredBench], object]:
    return lambda bench: bench.add_fault(Fault(device, kind, at_s=bench.t_s, for_s=for_s))  # type: ignore[arg-type]


def draw(rng: random.Random) -> tuple[str, str, Callable[[WiredBench], object]]:
    """A fault: its kind, its instrument, and what places it."""
    device = rng.choice(("front_end", "front_end", "lift_indicator"))
    kind = rng.choice(KINDS)
    if kind in ("boot", "freeze", "half", "drip"):
        device = "front_end"
    if kind == "rezero":
        device = "lift_indicator"
    if kind in ("unplug", "boot", "stall", "freeze"):
        for_s = {"unplug": 4.0, "stall": 4.0, "freeze": 6.0}.get(kind, 0.0)
        return kind, device, _own(kind, device, for_s)
    return kind, device, _wire(kind, device, rng)


class Soak:
    """Runs pull after pull, places faults, and notes what was said."""

    def __init__(self, live: LiveBench, client: Client, seed: int) -> None:
        self.live, self.client = live, client
        self.rng = random.Random(seed)
        self.injected: list[Injected] = []
        self.points: list[tuple[float, Point]] = []
        self.events: list[tuple[float, LiveEvent]] = []
        # said with no fault before it
        self.alone: list[tuple[float, str]] = []
        self.pulls = 0
        self._frame: Frame | None = None
        self._rejected: set[int] = set()
        self._ended = threading.Event()
        self._ended.set()

    def hear(self, item: Frame | LiveEvent | Lost) -> None:
        now_s = self.live.t_s
        if isinstance(item, Frame):
            self._frame = item
            if item.guide.situation == "stuck":
                self._found("front_end", now_s, item.guide.sentence, ("freeze", "drip", "late"))
        elif isinstance(item, LiveEvent):
            self.events.append((now_s, item))
            self._heard(item, now_s)

    def _heard(self, event: LiveEvent, now_s: float) -> None:
        if event.kind == "ended":
            self._ended.set()
        if event.kind == "notice":
            for device in ("front_end", "lift_indicator"):
                if event.sentence.startswith(device) and " is back" not in event.sentence:
                    self._found(device, now_s, event.sentence, QUIET if "nothing" in event.sentence else SAID)
                    if not any(one.device == device and 0 <= now_s - one.at_s <= 25 for one in self.injected[-2:]):
                        self.alone.append((now_s, event.sentence))
        if event.kind == "mark":
            self._found("lift_indicator", now_s, event.sentence, ("rezero",))
        if event.point is not None:
            self.points.append((now_s, event.point))
            if event.point.capture.rejected:
                said = f"{event.point.capture.rejected} rejected in a capture"
                for device in ("front_end", "lift_indicator"):
                    self._found(device, now_s, said, ("digit", "lose", "double", "flip"))

    def _found(self, device: str, now_s: float, said: str, kinds: tuple[str, ...]) -> None:
        for one in self.injected[-2:]:
            fits = one.device == device and one.kind in kinds
            if fits and one.found_after_s is None and 0 <= now_s - one.at_s <= FOUND_WITHIN_S:
                one.found, one.found_after_s = said, now_s - one.at_s

    def step(self) -> None:
        """Begin the next pull when there is none; cure a lost zero as an operator does."""
        frame = self._frame
        if self._ended.is_set():
            config = parse_config(self.live.config_text, "soak")
            request = demo_requests(config)[1]
            try:
                self._ended.clear()
                self.client.begin(request)
                self.pulls += 1
            except Refused:
                self._ended.set()
        elif frame is not None and frame.pull is not None and frame.pull.phase in ("zero_before", "zero_after"):
            # zeroed while it was closed down: whoever sees the closed valve read other than zero zeroes it
            self.live.do(_zero_it)
        elif frame is not None and "lost its zero" in frame.guide.sentence:
            self.live.do(_zero_it)
            if self.live.bench.operator.lift_m < 5e-5:
                try:
                    self.client.act(Action(kind="go_on"))
                except (Refused, ClientError):
                    return

    def inject(self) -> None:
        kind, device, place = draw(self.rng)
        phase = self._frame.pull.phase if self._frame is not None and self._frame.pull is not None else "none"
        self.injected.append(Injected(self.live.t_s, kind, device, phase=phase))
        self.live.do(place)


def _zero_it(bench: WiredBench) -> None:
    if bench.operator.lift_m < 5e-5:
        bench.wires["lift_indicator"].mend()


# a busy machine takes its time to start a daemon
background._START_S = 120.0


def run(seed: int, speed: float, real_s: float, out: Path) -> None:
    with LiveBench(seed, out, speed, CALM) as live:
        (out / "bench.toml").write_text(live.config_text, encoding="utf-8")
        with daemon_on(out, speed) as client:
            soak, held = Soak(live, client, seed), Held()
            pid = client.health().pid
            with Listening(client, soak.hear), operator_follows(client, live):  # type: ignore[arg-type]
                begun, looked = time.monotonic(), 0.0
                next_s = live.t_s + 20.0
                while time.monotonic() - begun < real_s:
                    soak.step()
                    if live.t_s >= next_s and time.monotonic() - begun < real_s - 10:
                        soak.inject()
                        next_s = live.t_s + soak.rng.uniform(*APART_S)
                    if time.monotonic() - looked > SAMPLE_EVERY_S:
                        looked = time.monotonic()
                        held.look(pid, looked - begun)
                    time.sleep(0.05)
            report(soak, held, live)


def report(soak: Soak, held: Held, live: LiveBench) -> None:
    print(f"{live.t_s / 60:.0f} min of the bench, {soak.pulls} pulls, {len(soak.injected)} faults")
    print("| fault | placed | found | median s | longest s | not found |")
    print("|---|---|---|---|---|---|")
    for kind in sorted({one.kind for one in soak.injected}):
        mine = [one for one in soak.injected if one.kind == kind]
        times = [one.found_after_s for one in mine if one.found_after_s is not None]
        figures = f"{statistics.median(times):.1f} | {max(times):.1f}" if times else "- | -"
        missed = ", ".join(f"{one.device} in {one.phase}" for one in mine if one.found_after_s is None)
        print(f"| {kind} | {len(mine)} | {len(times)} | {figures} | {missed} |")
    inside, out = 0, []
    for at_s, point in soak.points:
        truth = live.bench.truth("intake", point.step_lift_m or 0.0)["flow_m3_s"]
        off = point.flow.flow_m3_s - truth
        inside += abs(off) <= point.flow.half_width_95_m3_s
        if abs(off) > point.flow.half_width_95_m3_s:
            near = [one.kind for one in soak.injected if 0 <= at_s - one.at_s < 60]
            out.append(f"step {point.step + 1} by {100 * off / truth:+.2f} % ({', '.join(near) or 'no fault near'})")
    print(f"points: {len(soak.points)}, truth inside {inside}; outside: {'; '.join(out) or 'none'}")
    marks = [event.sentence for _, event in soak.events if event.kind == "mark"]
    print(f"marks: {len(marks)}, of these {sum(LOST.split()[1] in mark for mark in marks)} of a lift's zero")
    faults = [event.sentence for _, event in soak.events if "steadydraw has a fault" in event.sentence]
    print(f"faults of our own: {faults or 'none'}")
    print(f"said without a fault: {len(soak.alone)}")
    for at_s, said in soak.alone[:: max(1, len(soak.alone) // 12)]:
        print(f"  {at_s:.0f} s: {said[said.rfind('/') + 1 :][:90]}")
    print(f"held: {held.slopes()}")
    for one in soak.injected:
        after = "-" if one.found_after_s is None else f"{one.found_after_s:.1f} s"
        print(f"{one.at_s:7.1f} s  {one.kind:8} {one.device:14} {one.phase:11} {after:>7}  {one.found[:110]}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", type=float, default=6.0, help="times faster than life")
    parser.add_argument("--hours", type=float, default=1.0, help="of the bench's time")
    parser.add_argument("--minutes", type=float, help="of real time, in place of --hours")
    its = parser.parse_args()
    real_s = its.minutes * 60 if its.minutes else its.hours * 3600 / its.speed
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        run(its.seed, its.speed, real_s, Path(folder))


if __name__ == "__main__":
    main()
