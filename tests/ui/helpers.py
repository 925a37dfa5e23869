"""Waiting for a condition instead of a time, and reading the screen as rows of text."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from unittest.mock import patch

from textual import events
from textual.pilot import Pilot

from acquire.clock import SystemClock
from acquire.records import Frame, LiveEvent
from acquire.ui import watch
from acquire.ui.app import Dashboard
from acquire.ui.screens import form
from acquire.ui.screens.held import HeldKeys
from acquire.ui.widgets.readout import CALM_S
from tests.ui.fake import FakeBench, frame

SIZES = ((80, 24), (120, 40))
DEADLINE_S = 20.0


class PushedClock(SystemClock):
    """The machine's clock, which can be pushed forward."""

    def __init__(self) -> None:
        super().__init__()
        self.pushed_us = 0

    def t_us(self) -> int:
        return super().t_us() + self.pushed_us

    def push(self, seconds: float) -> None:
        self.pushed_us += round(seconds * 1e6)


@dataclass
class Stand:
    """A dashboard under test with its bench, clock and keys."""

    app: Dashboard
    bench: FakeBench
    clock: PushedClock
    pilot: Pilot[int]

    async def until(self, condition: Callable[[], bool], what: str = "") -> None:
        """Let the dashboard work until the condition holds."""
        loop = asyncio.get_running_loop()
        deadline = loop.time() + DEADLINE_S
        while not condition():
            assert loop.time() < deadline, f"never came: {what}\n" + "\n".join(self.rows())
            await self.pilot.pause()

    async def press(self, *keys: str) -> None:
        """Press keys as a person does: the next when the one before was acted on."""
        for key in keys:
            await self.pilot.press(key)
            await self.until(lambda: not self._held(), "the key to be acted on")
            await self.pilot.pause()

    def _held(self) -> bool:
        screen = self.app.screen
        return self.app.bench_screen._gate.waiting or (isinstance(screen, HeldKeys) and screen.gate.waiting)

    async def scan(self, text: str) -> None:
        """Type as a barcode scanner does: all at once, and Enter."""
        for sign in text:
            self.app.post_message(events.Key(sign, sign))
        self.app.post_message(events.Key("enter", "\r"))
        await self.pilot.pause()

    async def show(self, *items: Frame | LiveEvent) -> None:
        """Play items and wait until the last frame is on the screen."""
        self.bench.play(*items)
        last = next((item for item in reversed(items) if isinstance(item, Frame)), None)
        await self.until(lambda: self.bench._queue.empty(), "the stream to be read")
        await self.until(lambda: last is None or self.app.seen.frame is last, "the frame")
        self.clock.push(CALM_S)
        self.app.tick()
        await self.pilot.pause()

    def rows(self) -> list[str]:
        """What is on the screen, row by row."""
        strips = self.app.screen._compositor.render_strips()
        return [strip.text.rstrip() for strip in strips]

    def text(self) -> str:
        """The rows as one text."""
        return "\n".join(self.rows())

    async def sees(self, *words: str) -> None:
        """Wait until all of these are on the screen."""

        def there() -> bool:
            text = self.text()
            return all(word in text for word in words)

        await self.until(there, f"{words} on the screen")


@asynccontextmanager
async def stand(
    size: tuple[int, int] = (80, 24), first: Frame | None = None, *, impatient: bool = False, **its: object
) -> AsyncIterator[Stand]:
    """A dashboard of this size that has heard its first frame and knows its bench.

    Only an ``impatient`` one misses its daemon: on a busy machine a test may take longer than the daemon may be silent.
    """
    bench = FakeBench()
    for name, value in its.items():
        setattr(bench, name, value)
    clock = PushedClock()
    app = Dashboard(bench, clock)
    silence_s = watch.SILENCE_S if impatient else 1e9
    # keys come faster here than from a person
    with patch.object(watch, "SILENCE_S", silence_s), patch.object(form, "ECHO_S", 0.0):
        async with app.run_test(size=size) as pilot:
            made = Stand(app, bench, clock, pilot)
            await made.show(first or frame())
            await made.until(lambda: app.bench_facts.name == "bench one", "the bench's facts")
            await made.until(lambda: bench.last is None or app.last_request is not None, "the last pull")

            app.tick()
            await pilot.pause()
            yield made
