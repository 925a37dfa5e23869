"""Walks the dashboard's screens on the simulated bench by keys, and keeps each as text, to be read by a person.

``python -m tests.walk FOLDER [--sizes 80x24,160x50] [--theme daylight] [--speed 12]``; about four
minutes. The first size is the smallest, where every sentence is plain text. Set NO_COLOR as for a terminal, and
``--svg`` for pictures with their colours.
"""

import argparse
import asyncio
from collections.abc import Awaitable, Callable
from contextlib import ExitStack
from pathlib import Path

from textual.pilot import Pilot

from acquire.client import Client, this_screen
from acquire.config import parse_config
from acquire.demo.plan import demo_templates
from acquire.demo.run import daemon_on, demo_config_text, operator_follows, simulated_bench
from acquire.records import Frame
from acquire.sessions.recorded import RecordedBench
from acquire.ui.app import Dashboard
from acquire.ui.screens.form import FormScreen
from acquire.ui.screens.run import RunScreen

LONGEST_S = 180.0


class Walk:
    """One person at the keys, who writes down every screen."""

    def __init__(
        self, app: Dashboard, pilot: Pilot[int], office: Client, out: Path, sizes: list[tuple[int, int]], svg: bool
    ) -> None:
        self.app, self.pilot, self.office = app, pilot, office
        self._out, self._sizes, self._svg = out, sizes, svg
        self._count = 0
        self._still = False
        self._hear, app.hear = app.hear, self._hear_unless_still  # type: ignore[method-assign]

    def _hear_unless_still(self, item: object) -> None:
        """The bench goes on while a screen is kept in every size; the screen does not."""
        self._hear(self.app.seen.frame if self._still and isinstance(item, Frame) else item)

    def _rows(self) -> list[str]:
        return [strip.text.rstrip() for strip in self.app.screen._compositor.render_strips()]

    async def keep(self, name: str) -> None:
        """This screen, at every size; back to the first, at which the walk is made."""
        self._count += 1
        self._still = True
        for width, height in self._sizes:
            await self.pilot.resize_terminal(width, height)
            await self.pilot.pause(0.15)
            self.app.tick()
            await self.pilot.pause()
            stem = f"{self._count:02d} {name} {width}x{height}"
            (self._out / f"{stem}.txt").write_text("\n".join(self._rows()) + "\n", encoding="utf-8")
            if self._svg:
                (self._out / f"{stem}.svg").write_text(self.app.export_screenshot(title=name), encoding="utf-8")
        if len(self._sizes) > 1:
            await self.pilot.resize_terminal(*self._sizes[0])
        print(f"{self._count:02d} {name}: {self.app.seen.frame.guide.sentence if self.app.seen.frame else ''}")
        self._still = False

    async def until(self, there: Callable[[], bool], what: str) -> None:
        """Wait for it."""
        deadline = asyncio.get_running_loop().time() + LONGEST_S
        while not there():
            if asyncio.get_running_loop().time() > deadline:
                raise TimeoutError("\n".join([f"never came: {what}", *self._rows()]))
            await self.pilot.pause(0.05)

    async def see(self, words: str) -> None:
        """Wait until this is on the screen."""
        await self.until(lambda: any(words in row for row in self._rows()), words)

    async def press(self, *keys: str) -> None:
        """Press keys, not too fast."""
        for key in keys:
            await self.pilot.press(key)
            await self.pilot.pause(0.3)

    async def pick(self, key: str, words: str, line: str) -> None:
        """Press a key, see the list that it leads to, pick a line of it."""
        await self.press(key)
        await self.see(words)
        await self.press(line)

    async def go(self, keys: str, words: str, name: str) -> None:
        """Press keys, see where they lead, keep that."""
        await self.press(*keys.split())
        await self.see(words)
        await self.keep(name)

    async def begin(self, name: str, in_it: "Callable[[Walk], Awaitable[None]] | None" = None) -> None:
        """Keep the form, begin, keep each situation once, and the verdict; ``in_it``: what else to do in the pull."""
        await self.until(lambda: isinstance(self.app.screen, FormScreen), "the form")
        await self.keep(f"{name}, form")
        await self.press("f2")
        seen: set[str] = set()
        await self.until(lambda: self._situation() not in ("no_pull", "ended", "aborted"), "the pull")
        while (situation := self._situation()) != "ended":
            if situation not in seen:
                seen.add(situation)
                await self.keep(f"{name}, {situation.replace('_', ' ')}")
            if in_it is not None and situation == "hold_settling":
                await in_it(self)
                in_it = None
            await self.pilot.pause(0.1)
        await self.pilot.pause(1.0)
        await self.keep(f"{name}, verdict")

    async def pull_again(self) -> None:
        """Begin what the form says, and wait for its end."""
        await self.until(lambda: isinstance(self.app.screen, FormScreen), "the form")
        before = self._pull_id()
        await self.press("f2")
        await self.until(lambda: self._pull_id() not in (None, before) and self._situation() == "ended", "its end")

    def _pull_id(self) -> int | None:
        return self.app.seen.frame.pull_id if self.app.seen.frame is not None else None

    def _situation(self) -> str:
        frame = self.app.seen.frame
        return frame.guide.situation if frame is not None else "no_pull"

    async def read(self, keys: str, name: str) -> None:
        """A page that a command writes."""
        await self.press(*keys.split())
        await self.until(lambda: isinstance(self.app.screen, RunScreen), name)
        page = self.app.screen
        assert isinstance(page, RunScreen)
        await self.until(lambda: page.code is not None, name)
        await self.keep(name)
        await self.press("escape")


async def questions(its: Walk) -> None:
    """What is asked in a pull, answered with no; paused meanwhile, or the pull would be over."""
    await its.go("p", "PAUSED", "paused")
    await its.go("m", "Which meter range", "meter ranges")
    await its.press("escape")
    await its.go("x", "Abort this pull?", "abort")
    await its.press("escape")
    await asyncio.to_thread(its.office.take_command)
    await its.go("", "Watching: office is in command", "watching")
    await its.press("c")
    await its.until(lambda: not its.app.bench_screen.watching, "the command")
    await its.press("p")


async def walk(its: Walk) -> None:
    """From the first screen to looking back."""
    await its.see("Between pulls")
    await its.keep("between pulls")
    await its.go("question_mark", "Keys and signs", "help")
    await its.press("escape")
    await its.go("i", "Instruments and readings", "instruments")
    await its.press("escape")
    await its.go("k", "Check the bench", "checks")
    await its.press("3")
    await its.see("Plate identifier")
    await its.go("f3", "Which template?", "templates")
    # begin stands at what is missing: the meter range, the smallest first
    await its.press("2", "f2", "right")
    await its.begin("leakage run")
    await its.pick("t", "Which template?", "2")
    await its.go("f4", "Keep this set-up", "name of a template")
    await its.press("escape", *"H-1")
    await its.go("f1", "In the form of a new pull", "form, help")
    await its.press("escape")
    await its.begin("first pull", in_it=questions)
    await its.read("h", "did it hold")
    await its.read("f", "flow sheet")
    await its.press("a")
    await its.begin("second pull over the first")
    await its.go("e", "beneath the curve", "earlier pulls")
    await its.press("escape")
    await its.pick("k", "Check the bench", "6")
    await its.go("", "A study needs", "study, too few pulls")
    await its.press("a")
    await its.pull_again()
    await its.pick("k", "Check the bench", "6")
    await its.see("From which head")
    await its.go("1", "mount 3", "mounts")
    await its.go("down space", "2 mounts, 3 pulls", "mounts told apart")
    await its.read("enter", "how well it repeats")
    await its.pick("k", "Check the bench", "1")
    await its.read("", "ready")
    await its.pick("k", "Check the bench", "5")
    await its.see("Plate identifier")
    await its.press(*"plate")
    await its.begin("reference plate")
    await its.go("v", "Look at which pull", "recorded pulls")
    await its.press("2")
    await its.go("", "REPLAY", "replay")
    await its.press("r")
    await its.until(lambda: bool(its.app.seen.notice), "what was rejected, or that nothing was")
    await its.keep("replay, rejected")
    await its.go("right", "stopped", "replay, at what happened next")
    await its.go("t", "Flow cfm", "replay, traces")
    await its.press("t")
    await its.go("l", "What happened", "replay, list")
    await its.press("escape")
    await its.go("i", "Readings as recorded", "replay, instruments")
    await its.press("escape")
    await its.go("question_mark", "Keys and signs", "replay, help")
    await its.press("escape", "escape")
    await its.see("Reference plate run complete")


async def run(out: Path, sizes: list[tuple[int, int]], daylight: bool, speed: float, svg: bool) -> None:
    """The bench, the daemon and the walk; last the screens when the daemon has gone."""
    with ExitStack() as bench:
        sim = bench.enter_context(simulated_bench(7, speed))
        text = demo_config_text(sim.ports)
        (out / "bench.toml").write_text(text, encoding="utf-8")
        running = bench.enter_context(ExitStack())
        client = running.enter_context(daemon_on(out, speed))
        running.enter_context(operator_follows(client, sim))
        for template in demo_templates(parse_config(text, "the demo's configuration")):
            client.save_template(template)
        seated = Client.find(screen=this_screen("walk"))
        app = Dashboard(seated, open_session=lambda session_id: RecordedBench(out / "archive.db", session_id))
        async with app.run_test(size=sizes[0]) as pilot:
            its = Walk(app, pilot, Client.find(screen=this_screen("office")), out, sizes, svg)
            if daylight:
                app.switch_theme()
            await walk(its)
            await asyncio.to_thread(running.close)
            await its.see("No word from")
            await its.keep("daemon gone")
            await its.go("i", "Nothing here is known", "daemon gone, instruments")


def main() -> None:
    """Read the arguments, walk."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sizes", default="80x24,100x30,160x50")
    parser.add_argument("--theme", choices=["night", "daylight"], default="night")
    parser.add_argument("--speed", type=float, default=12.0)
    parser.add_argument("--svg", action="store_true")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=False)
    sizes = [(int(width), int(height)) for width, _, height in (size.partition("x") for size in asked.sizes.split(","))]
    asyncio.run(run(asked.folder, sizes, asked.theme == "daylight", asked.speed, asked.svg))


if __name__ == "__main__":
    main()
