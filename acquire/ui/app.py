"""The dashboard: one stream in, screens that draw it, calls out in worker threads."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from textual.app import App
from textual.worker import Worker

from acquire.client import NOT_IN_COMMAND
from acquire.clock import Clock, SystemClock
from acquire.garbage import spare_what_is_loaded
from acquire.records import Action, BenchSummary, Frame, LiveEvent, PullRequest, PullRow, Template
from acquire.ui.asked import as_run
from acquire.ui.bench import UNKNOWN, Bench, OpenSession, Recorded
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.themes import DAYLIGHT, NIGHT, without_colour
from acquire.ui.watch import Watch
from acquire.ui.words import sentence_of
from acquire.values import Direction, PullKind

RATE_HZ = 10.0
SECOND_BELL_S = 0.35
T = TypeVar("T")


class Dashboard(App[int]):
    """Draws at most ten times a second, whatever the stream does. Closing it loses nothing."""

    CSS_PATH = "dashboard.tcss"
    TITLE = "steadydraw"
    ENABLE_COMMAND_PALETTE = False

    def __init__(
        self, bench: Bench, clock: Clock | None = None, open_session: OpenSession | None = None, hint: str = ""
    ) -> None:
        super().__init__()
        self.hint = hint
        self.bench = bench
        self.open_session = open_session
        self._clock = clock or SystemClock()
        self.bench_facts = UNKNOWN
        self.seen = Watch(self.now_s())
        self.bench_screen = BenchScreen(self.seen)
        self._left: _Left | None = None
        self._stream: Worker[None] | None = None
        self._drawn_s = -1e9
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
        for theme in (NIGHT, DAYLIGHT):
            self.register_theme(without_colour(theme) if self.no_color else theme)
        self.theme = NIGHT.name
        self.push_screen(self.bench_screen)
        self._listen_anew()
        self.set_interval(1 / RATE_HZ, self._tick_if_due)

    def action_tap(self, key: str) -> None:
        """A key that is shown was tapped: as if it had been pressed."""
        self.simulate_key(key)

    def switch_theme(self) -> None:
        """Night or daylight."""
        self.theme = DAYLIGHT.name if self.theme == NIGHT.name else NIGHT.name

    def _tick_if_due(self) -> None:
        """Nothing is drawn more often than the rate; what does not come as a frame (ages, notices) is drawn too."""
        if self.now_s() - self._drawn_s >= 0.8 / RATE_HZ:
            self.tick()

    def tick(self) -> None:
        """Redraw what changed."""
        self._drawn_s = self.now_s()
        if self.bench_screen.is_mounted and self.bench_screen in self.screen_stack:
            self.bench_screen.draw()
        # none is left while the dashboard closes
        screen = self.screen_stack[-1] if self.screen_stack else None
        if isinstance(screen, PlaceScreen) and screen is not self.bench_screen and screen.is_mounted:
            screen.tell(self.bench_screen.told_elsewhere())

    # ------------------------------------------------------------ looking back

    @property
    def recorded(self) -> Recorded | None:
        """The recorded session on the screen, None while it is the running bench."""
        return self.bench if isinstance(self.bench, Recorded) else None

    def watch_recorded(self, recorded: Recorded) -> None:
        """Show a recorded session in the place of the running bench, which goes on unwatched."""
        if self._left is not None:
            recorded.close()
            return
        self._left = _Left(self.bench, self.bench_facts, self.seen, self.bench_screen)
        self._show(_Left(recorded, UNKNOWN, Watch(self.now_s()), None))
        self.push_screen(self.bench_screen)

    def leave_recorded(self) -> None:
        """Back to the running bench; where there is none, the dashboard closes."""
        left, recorded = self._left, self.recorded
        if left is None or recorded is None:
            self.exit(0)
            return
        self._left = None
        self._show(left)
        self.pop_screen()
        recorded.close()

    def _show(self, which: "_Left") -> None:
        self.bench, self.bench_facts, self.seen = which.bench, which.facts, which.seen
        self.bench_screen = which.screen or BenchScreen(self.seen)
        self._facts_due = True
        self._listen_anew()

    # ------------------------------------------------------------ the stream

    def _listen_anew(self) -> None:
        if self._stream is not None:
            self._stream.cancel()
        self._stream = self.run_worker(self._listen(), name="stream", exit_on_error=False)

    async def _listen(self) -> None:
        """Hear the stream for as long as the dashboard runs; a stream that breaks is opened again."""
        bench = self.bench
        while True:
            try:
                async for item in bench.live(RATE_HZ):
                    self.hear(item)
                self.seen.hear_lost("the stream ended")
            except Exception as error:  # whatever breaks the stream is said on the screen, and tried again
                self.seen.hear_lost(sentence_of(error))
            await asyncio.sleep(0.5)

    def hear(self, item: object) -> None:
        """Take one frame, event or word of loss from the stream."""
        now_s = self.now_s()
        if isinstance(item, Frame):
            before = self.bench_screen.stage
            self.seen.hear_frame(item, now_s)
            self.ask_beside()
            if before == "pull" and self.bench_screen.stage != before and self.recorded is None:
                self._ask_unfinished()
            # a frame is shown as it comes, not with the next tick
            self._tick_if_due()
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

    def ask_beside(self) -> None:
        """Ask what the pull is seen beside, if a point was taken or another shadow was chosen since."""
        seen = self.seen
        due = seen.company.due(seen.frame) if seen.frame is not None else None
        if due is None:
            return

        async def work() -> None:
            try:
                beside = await asyncio.to_thread(self.bench.beside, *due)
            except Exception as error:  # the pull goes on without its shadow; the next point asks again
                self.say(f"No earlier pull to look at: {sentence_of(error)}", bad=True)
                return
            doubt = seen.company.hear(beside)
            if doubt is not None and seen is self.seen:
                self.bench_screen.point_out(doubt)
                # twice: not the sound of a taken point
                self.bell()
                self.set_timer(SECOND_BELL_S, self.bell)
            self.tick()

        self.run_worker(work(), exit_on_error=False)

    def _ask_facts(self) -> None:
        """Units and bands, and the last pull to prefill the next form from."""
        try:
            self.bench_facts = self.bench.bench()
        except Exception:
            self._facts_due = True
            raise
        if self.recorded is not None:
            return
        rows = self.bench.pulls()
        if self.last_request is None and rows:
            # the next head is set up as the last head was, not as a blank plate
            self._request_of = max(row.id for row in [row for row in rows if row.kind == "lift"] or rows)
            self.last_request = self.bench.pull(self._request_of).request
        if rows:
            self.seen.unfinished = bool(self.bench.open_pulls())
            self.seen.between = "unfinished" if self.seen.unfinished else ""
        elif self.bench.templates():
            self.seen.between = "no pull yet"

    def _ask_unfinished(self) -> None:
        """Whether a pull can be gone on with: the one that was on the screen may be, or one before it."""
        seen = self.seen

        def heard(rows: list[PullRow]) -> None:
            seen.unfinished = bool(rows)

        self.with_answer(self.bench.open_pulls, heard)

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

    def unheard(self) -> str:
        """Why nothing is asked of the bench now; empty while its daemon is heard.

        One that hangs would do later what was meant for the screen of now.
        """
        return "Not sent: no word from the bench's daemon" if self.seen.lost(self.now_s())[0] else ""

    def send(self, action: Action) -> None:
        """Send what the operator did."""
        if unheard := self.unheard():
            self.say(unheard, bad=True)
            return
        self.with_answer(lambda: self.bench.act(action), lambda _: None)

    def resume(self, pull_id: int) -> None:
        """Go on with an unfinished pull."""
        if unheard := self.unheard():
            self.say(unheard, bad=True)
            return
        self.with_answer(lambda: self.bench.resume(pull_id), lambda _: self.say(f"Going on with pull {pull_id}"))

    def begin(self, request: PullRequest, form: FormScreen) -> None:
        """Begin a pull; the form closes when the daemon has accepted it, and says why when not."""
        if unheard := self.unheard():
            form.refuse(unheard)
            return

        async def work() -> None:
            try:
                pull_id = await asyncio.to_thread(self.bench.begin, request)
            except Exception as error:  # the form stays open with all that was typed
                watching = getattr(error, "status", 0) == NOT_IN_COMMAND
                form.refuse(
                    "Another screen is in command: Esc, then c to take over" if watching else sentence_of(error)
                )
                return
            if request.kind == "lift" or self.last_request is None:
                self.last_request = request
            self._request_of = pull_id
            self.bench_screen.cautions_due = False
            if form.is_current:
                form.dismiss(None)

        self.run_worker(work(), exit_on_error=False)

    def keep_template(self, template: Template, then: Callable[[], None]) -> None:
        """Keep a template."""
        self.with_answer(lambda: self.bench.save_template(template), lambda _: then())

    def open_form(
        self,
        *,
        identifier: str = "",
        same_head: bool = False,
        other_way: bool = False,
        from_template: bool = False,
        kind: PullKind | None = None,
        direction: Direction | None = None,
        like: PullRequest | None = None,
    ) -> None:
        """The form of a new pull, prefilled from the last one, or in everything from ``like``."""
        if self.bench_facts is UNKNOWN:
            self.say("The bench's units and ranges are not known yet: wait for its daemon", bad=True)
            return
        frame = self.seen.frame
        shown = frame.pull_id if frame is not None else None

        def opened(request: PullRequest | None) -> None:
            if request is None or request.kind == "lift":
                self.last_request = request
            form = FormScreen(self.bench_facts, request, identifier, same_head, other_way, from_template)
            # the next head gets a lift pull, whatever the set-up is taken from
            form.preset(kind or ("lift" if not same_head else None), direction)
            self.push_screen(form)

        if like is not None:
            # the form of another kind of run; what the next head is prefilled from stays
            self.push_screen(FormScreen(self.bench_facts, like, same_head=True))
            return
        special = frame is not None and frame.pull is not None and frame.pull.kind != "lift"
        if shown is None or (shown == self._request_of and not (special and same_head)):
            opened(self.last_request)
            return

        def ask() -> PullRequest:
            # the pull on the screen was begun elsewhere, or before this dashboard was opened, or is no lift pull
            request = as_run(self.bench.pull(shown))
            self._request_of = shown
            if request.kind == "lift" or same_head or self.last_request is None:
                return request
            return self.last_request

        self.with_answer(ask, opened)


@dataclass(frozen=True, slots=True)
class _Left:
    """What was on the screen before a recorded session, to return to."""

    bench: Bench
    facts: BenchSummary
    seen: Watch
    screen: BenchScreen | None


def run_dashboard(bench: Bench, open_session: OpenSession | None = None, hint: str = "") -> int:
    """Show the dashboard until it is closed; the exit code of the process.

    ``hint``: a sentence about this bench, shown until its first pull.
    """
    app = Dashboard(bench, open_session=open_session, hint=hint)
    spare_what_is_loaded()
    app.run()
    return app.return_code or 0
