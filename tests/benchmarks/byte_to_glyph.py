"""From a byte on the wire to a glyph on the terminal, and what the dashboard costs.

``python -m tests.benchmarks.byte_to_glyph``, in a terminal.
A dashboard on a real terminal (a pty) hears frames over its client's stream
from a scripted bench at the usual rate, 10 frames a second. Every frame holds
a lift that was never shown before; the time from the frame leaving the bench
until the terminal gets the bytes that paint it is the latency. CPU is the
process's own, at rest and in a pull. The floor is a bare Textual program with
as many widgets, all changing at the same rate, in the same run. The last
lines repeat the pull late in a long session, and with every step taken again
many times: work must not grow with it.
"""

import argparse
import asyncio
import statistics
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from textual.app import App, ComposeResult
from textual.widgets import Static

from acquire.client import Lost
from acquire.garbage import spare_what_is_loaded
from acquire.records import Frame, LiveEvent
from acquire.ui.app import RATE_HZ, Dashboard
from acquire.ui.watch import SPAN_S
from acquire.values import Standing
from tests.ui import fake

WIDGETS = 12


class Glyphs:
    """Stands where the terminal is: notes when bytes that paint something are written."""

    def __init__(self) -> None:
        self.at_s: list[float] = []
        self.bytes = 0
        self.since_s = 0.0

    def listen(self, app: App[Any]) -> None:
        driver = app._driver
        assert driver is not None
        write = driver.write

        def noted(data: str) -> None:
            write(data)
            self.at_s.append(time.perf_counter())
            self.bytes += len(data)

        driver.write = noted  # type: ignore[method-assign]
        self.since_s = time.perf_counter()


class Scripted(fake.FakeBench):
    """Frames at the usual rate; each differs from the one before, as on a bench."""

    def __init__(self, pull: bool, start_s: float, takes: int = 1) -> None:
        super().__init__()
        self.pulling, self.t_s = pull, start_s
        self.sent_s: list[float] = []
        view = fake.pull_view(4)
        steps = [
            replace(its, points=tuple(replace(point, take=n + 1) for point in its.points for n in range(takes)))
            for its in view.steps
        ]
        self._view = replace(view, steps=tuple(steps))

    async def live(self, rate: float) -> AsyncIterator[Frame | LiveEvent | Lost]:
        began, n = time.perf_counter(), 0
        while True:
            n += 1
            await asyncio.sleep(max(0.0, began + n / rate - time.perf_counter()))
            self.t_s += 1 / rate
            self.sent_s.append(time.perf_counter())
            # a frame comes as text over the socket: reading it belongs to the way
            yield Frame.model_validate_json(self._frame(n).model_dump_json())

    def _frame(self, n: int) -> Frame:
        shake = 0.001 * (n % 7 - 3)
        if not self.pulling:
            return fake.frame(self.t_s, pressure_inh2o=shake, lift_in=0.0)
        return fake.frame(
            self.t_s, pull=self._view, lift_in=0.4 + 0.001 * (n % 90), pressure_inh2o=28 + 10 * shake,
            flow_cfm=240 + 30 * shake, situation="open_valve", standing=Standing("moving", ("lift",)),
            sentence=f"Open the valve to 0.500 in: {0.1 - 0.001 * (n % 90):.3f} more.",
        )  # fmt: skip


class Floor(App[None]):
    """As many widgets as the bench screen has, each with another text ten times a second, and nothing else."""

    def compose(self) -> ComposeResult:
        for n in range(WIDGETS):
            yield Static("", id=f"w{n}")

    def on_mount(self) -> None:
        self.n = 0
        self.set_interval(1 / RATE_HZ, self.tick)

    def tick(self) -> None:
        self.n += 1
        for widget in self.query(Static):
            widget.update(f"{self.n} {'lorem ipsum ' * 4}")


async def run(app: App[Any], seconds: float, glyphs: Glyphs) -> float:
    """Let it run; its CPU as a share of one core, after it has come up."""
    task = asyncio.create_task(app.run_async())
    await asyncio.sleep(2.0)
    glyphs.listen(app)
    began, cpu = time.perf_counter(), time.process_time()
    await asyncio.sleep(seconds)
    share = (time.process_time() - cpu) / (time.perf_counter() - began)
    app.exit()
    await task
    return share


def latencies_ms(sent_s: list[float], glyphs_s: list[float]) -> list[float]:
    """For each frame the first painting after it, where one came before half a second was over."""
    found, place = [], 0
    for sent in sent_s:
        while place < len(glyphs_s) and glyphs_s[place] < sent:
            place += 1
        if place < len(glyphs_s) and glyphs_s[place] - sent < 0.5:
            found.append(1e3 * (glyphs_s[place] - sent))
    return found


def measure(name: str, app: App[Any], seconds: float, bench: Scripted | None) -> str:
    glyphs = Glyphs()
    share = asyncio.run(run(app, seconds, glyphs))
    found: list[float] = []
    if bench is not None and bench.pulling:
        # what was sent before anybody listened would seem to have waited for that
        found = latencies_ms([sent for sent in bench.sent_s if sent >= glyphs.since_s], glyphs.at_s)
    said = "| | "
    if len(found) >= 100:
        cuts = statistics.quantiles(found, n=100)
        said = f"| {cuts[49]:.0f} ms | {cuts[98]:.0f} ms "
    elif found:
        said = f"| {statistics.median(found):.0f} ms | {max(found):.0f} ms (the largest of {len(found)}) "
    return f"| {name} {said}| {100 * share:.1f} % | {glyphs.bytes / seconds / 1024:.1f} KiB/s |"


def dashboard(name: str, seconds: float, pull: bool, start_s: float = 0.0, takes: int = 1) -> str:
    bench = Scripted(pull, start_s, takes)
    app = Dashboard(bench)
    if start_s:
        for n in range(round(start_s * RATE_HZ)):
            app.seen.hear_frame(fake.frame(n / RATE_HZ, pull=fake.pull_view(4)), app.now_s())
    return measure(name, app, seconds, bench)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--out", type=Path, help="Append the table to this file as well.")
    its = parser.parse_args()
    spare_what_is_loaded()  # as every dashboard does before it runs
    lines = [
        "| what | byte to glyph, median | 99th percentile | CPU of a core | to the terminal |",
        "|---|---|---|---|---|",
    ]
    lines.append(measure(f"floor: {WIDGETS} changing texts", Floor(), its.seconds, None))
    lines.append(dashboard("dashboard at rest", its.seconds, pull=False))
    lines.append(dashboard("dashboard in a pull", its.seconds, pull=True))
    lines.append(dashboard(f"in a pull, after {60:.0f} min of frames", its.seconds, pull=True, start_s=3600.0))
    lines.append(dashboard("in a pull, every step taken 5 times", its.seconds, pull=True, takes=5))
    lines.append(f"Kept of the session: the last {SPAN_S:.0f} s.")
    print("\n".join(lines))
    if its.out is not None:
        with its.out.open("a", encoding="utf-8") as out:
            print("\n".join(lines), file=out)


if __name__ == "__main__":
    main()
