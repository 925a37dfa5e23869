"""The dashboard: one stream in, screens that draw it, calls out in worker threads."""

import asyncio
from collections.abc import Callable
from typing import TypeVar

from textual.app import App

from acquire.clock import Clock, SystemClock
from acquire.records import Action, Frame, LiveEvent, PullRequest, Template
from acquire.ui.bench import UNKNOWN, Bench
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.themes import DAYLIGHT, NIGHT
from acquire.ui.watch import Watch
from acquire.ui.words import sentence_of

RATE_HZ = 10.0
T = TypeVar("T")


class Dashboard(App[int]):
    """Draws at most ten times a second, whatever the stream does. Closing it loses nothing."""

    CSS_PATH = "dashboard.tcss"
    TITLE = "steadydraw"
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, bench: Bench, clock: Clock | None = None) -> None:
        super().__init__()
        self.bench = bench
        self._clock = clock or SystemClock()
        self.bench_facts = UNKNOWN
        self.seen = Watch(self.now_s())
        self.bench_screen = BenchScreen(self.seen)
        self.last_request: PullRequest | None = None
        self._request_of: int | None = None
        self._facts_due = True

    def now_s(self) -> float:
        """Seconds of the dashboard's own monotonic clock."""
        return self._clock.t_us() / 1e6

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """The state colours, so that the style sheet can be read before a theme is set."""
        return dict(NIGHT.variables)

    def on_mount(self) -> None:
        """Colours, the screen at the bench, the stream, the tick."""
        self.register_theme(NIGHT)
        self.register_theme(DAYLIGHT)
        self.theme = NIGHT.name
        self.push_screen(self.bench_screen)
        self.run_worker(self._listen(), name="stream", exit_on_error=False)
        self.set_interval(1 / RATE_HZ, self.tick)

    def switch_theme(self) -> None:
        """Night or daylight."""
        self.theme = DAYLIGHT.name if self.theme == NIGHT.name else NIGHT.name

    def tick(self) -> None:
        """Redraw what changed; nothing is drawn between ticks."""
        if self.bench_screen.is_mounted and self.bench_screen in self.screen_stack:
            self.bench_screen.draw()

    # ------------------------------------------------------------ the stream

    async def _listen(self) -> None:
        """Hear the stream for as long as the dashboard runs; a stream that breaks is opened again."""
        while True:
            try:
                async for item in self.bench.live(RATE_HZ):
                    self.hear(item)
                self.seen.hear_lost("the stream ended")
            except Exception as error:  # whatever breaks the stream is said on the screen, and tried again
                self.seen.hear_lost(sentence_of(error))
            await asyncio.sleep(0.5)

    def hear(self, item: object) -> None:
        """Take one frame, event or word of loss from the stream."""
        now_s = self.now_s()
        if isinstance(item, Frame):
            self.seen.hear_frame(item, now_s)
            if self._facts_due:
                self._facts_due = False
                self.with_answer(self._ask_facts, lambda _: None)
        elif isinstance(item, LiveEvent):
            self.seen.hear_event(item, now_s)
            if item.kind == "taken":
                self.bell()
        else:
            self._facts_due = True
            self.seen.hear_lost(getattr(item, "sentence", ""))

    def _ask_facts(self) -> None:
        """Units and bands, and the last pull to prefill the next form from."""
        try:
            self.bench_facts = self.bench.bench()
        except Exception:
            self._facts_due = True
            raise
        if self.last_request is None:
            rows = self.bench.pulls()
            if rows:
                self._request_of = max(row.id for row in rows)
                self.last_request = self.bench.pull(self._request_of).request

    # ------------------------------------------------------------ calls

    def say(self, sentence: str, *, bad: bool = False) -> None:
        """One sentence for a while."""
        self.seen.say(sentence, self.now_s(), bad=bad)
        self.tick()

    def with_answer(self, ask: Callable[[], T], then: Callable[[T], None]) -> None:
        """Ask the daemon in a thread; go on with the answer, or say what went wrong."""

        async def work() -> None:
            try:
                answer = await asyncio.to_thread(ask)
            except Exception as error:  # said in one sentence instead of ending the dashboard
                self.say(sentence_of(error), bad=True)
                return
            then(answer)

        self.run_worker(work(), exit_on_error=False)

    def send(self, action: Action) -> None:
        """Send what the operator did."""
        self.with_answer(lambda: self.bench.act(action), lambda _: None)

    def resume(self, pull_id: int) -> None:
        """Go on with an unfinished pull."""
        self.with_answer(lambda: self.bench.resume(pull_id), lambda _: self.say(f"Going on with pull {pull_id}"))

    def begin(self, request: PullRequest, form: FormScreen) -> None:
        """Begin a pull; the form closes when the daemon has accepted it, and says why when not."""

        async def work() -> None:
            try:
                pull_id = await asyncio.to_thread(self.bench.begin, request)
            except Exception as error:  # the form stays open with all that was typed
                form.refuse(sentence_of(error))
                return
            self.last_request, self._request_of = request, pull_id
            self.bench_screen.cautions_due = False
            if form.is_current:
                form.dismiss(None)

        self.run_worker(work(), exit_on_error=False)

    def keep_template(self, template: Template, then: Callable[[], None]) -> None:
        """Keep a template."""
        self.with_answer(lambda: self.bench.save_template(template), lambda _: then())

    def open_form(
        self, *, identifier: str = "", same_head: bool = False, other_way: bool = False, from_template: bool = False
    ) -> None:
        """The form of a new pull, prefilled from the last one."""
        if self.bench_facts is UNKNOWN:
            self.say("The bench's units and ranges are not known yet: wait for its daemon", bad=True)
            return
        frame = self.seen.frame
        shown = frame.pull_id if frame is not None else None

        def opened(request: PullRequest | None) -> None:
            self.last_request = request
            self.push_screen(FormScreen(self.bench_facts, request, identifier, same_head, other_way, from_template))

        if shown is None or shown == self._request_of:
            opened(self.last_request)
            return

        def ask() -> PullRequest:
            # the pull on the screen was begun elsewhere, or before this dashboard was opened
            request = self.bench.pull(shown).request
            self._request_of = shown
            return request

        self.with_answer(ask, opened)


def run_dashboard(bench: Bench) -> int:
    """Show the dashboard until it is closed; the exit code of the process."""
    app = Dashboard(bench)
    app.run()
    return app.return_code or 0
