"""A command of steadydraw run from the dashboard: its lines as they come, and what its end means."""

import asyncio
import os
import sys
from collections.abc import Mapping, Sequence

from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from acquire.ui.screens.pages import PageScreen

MOST_LINES = 2000
_STOP_S = 3.0


class RunScreen(PageScreen):
    """Runs ``words`` in a process of its own; leaving the page stops it.

    ``ends``: the sentence of each exit code; "!" in front of one marks it as bad.
    ``to_read``: it is read from its beginning, with its end said in the title, too; else the newest line is shown.
    """

    def __init__(self, title: str, words: Sequence[str], ends: Mapping[int, str], *, to_read: bool = False) -> None:
        super().__init__(title)
        self.words = list(words)
        self.lines: list[str] = []
        self.code: int | None = None
        self._since_s = 0.0
        self._ends = ends
        self._to_read = to_read
        self._process: asyncio.subprocess.Process | None = None

    def body(self) -> Content:
        """What was said until now, and how it ended."""
        parts = [Content(line) for line in self.lines[-MOST_LINES:]]
        if self.code is None:
            # a figure that goes on counting tells a long wait from one that hangs
            waited = f" for {self.dash.now_s() - self._since_s:.0f} s"
            parts.append(Content.styled(f"... at work{waited} (Esc stops it)", "$faint"))
        else:
            said = self._ends.get(self.code, f"! It ended with exit code {self.code}: see above.")
            parts += [Content(""), Content.styled(said, "bold $bad" if said.startswith("!") else "bold $good")]
        return Content("\n").join(parts)

    def on_mount(self) -> None:
        """Begin."""
        self._since_s = self.dash.now_s()
        self.set_interval(1, self._count)
        self.run_worker(self._run(), exit_on_error=False)

    def _count(self) -> None:
        if self.code is None:
            self.query_one("#page-body", Static).update(self.body())

    async def _run(self) -> None:
        # unbuffered, or its lines would come all at once at the end
        environment = os.environ | {"PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8", "NO_COLOR": "1"}
        try:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "acquire",
                *self.words,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
                env=environment,
            )
            assert self._process.stdout is not None
            async for line in self._process.stdout:
                self._add(line.decode("utf-8", "replace").rstrip())
            self.code = await self._process.wait()
        except OSError as error:
            self._add(f"It could not be started ({error.strerror}).")
            self.code = -1
        finally:
            await self._stop()
        self._renew()

    def _add(self, line: str) -> None:
        self.lines.append(line)
        self._renew()

    def _renew(self) -> None:
        if self.is_mounted:
            self.query_one("#page-body", Static).update(self.body())
            scroll = self.query_one("#page-scroll", VerticalScroll)
            if not self._to_read:
                scroll.scroll_end(animate=False)
            elif self.code is not None:
                said = self._ends.get(self.code, "! It was not done: see below.")
                self.query_one("#page-title", Static).update(Content(f"{self.heading}   {said}"))

    async def _stop(self) -> None:
        process = self._process
        if process is None or process.returncode is not None:
            return
        process.terminate()
        try:
            await asyncio.wait_for(process.wait(), _STOP_S)
        except TimeoutError:
            process.kill()
            await process.wait()
