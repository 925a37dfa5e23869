"""The screen at the bench: what to do, the three numbers, the hold, the schedule and the curve."""

import textwrap

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical

from acquire.records import Action, ActionKind, Frame, PullRow
from acquire.ui.keys import Moment, Place, keys_at
from acquire.ui.look import TONES, Tone, flow_out, lift_out, pressure_out, unreal, why_not
from acquire.ui.scan import GAP_S, ScanGate
from acquire.ui.screens.asking import AskScreen, PickScreen
from acquire.ui.screens.pages import CAUTIONS, InstrumentsScreen
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.show import curve_view, pull_title, steps_view, strips, verdict_lines
from acquire.ui.watch import Watch
from acquire.ui.widgets.canvas import Line
from acquire.ui.widgets.curve import CurvePlot
from acquire.ui.widgets.guide import GuidePanel, Saying
from acquire.ui.widgets.hold import HoldPlot
from acquire.ui.widgets.lines import TextLine, key_spans
from acquire.ui.widgets.readout import ReadOutPanel
from acquire.ui.widgets.steps import StepTable
from acquire.ui.words import KIND_WORDS

# a second press of the foot switch, or one just after the reading was taken by itself, is not meant for the next step
BOUNCE_S = 1.0


class _Parts:
    """The widgets of the screen, by name."""

    def __init__(self, seen: Watch) -> None:
        self.head, self.banner, self.guide = TextLine(id="head"), TextLine(id="banner"), GuidePanel(id="guide")
        self.lift, self.pressure, self.flow = (ReadOutPanel(id=name) for name in ("lift", "pressure", "flow"))
        self.lift_strip = HoldPlot(seen.lift, id="lift-strip")
        self.pressure_strip = HoldPlot(seen.pressure, id="pressure-strip")
        self.verdict, self.idle, self.keys = TextLine(id="verdict"), TextLine(id="idle-text"), TextLine(id="keys")
        self.steps, self.curve = StepTable(id="steps"), CurvePlot(id="curve")


class BenchScreen(PlaceScreen[None]):
    """Draws the watch at every tick, at most ten times a second, and sends what the operator does."""

    place: Place = "bench"
    VERTICAL_BREAKPOINTS = [(0, "-low"), (28, "-tall"), (36, "-taller")]  # noqa: RUF012 - not a class variable there

    def __init__(self, seen: Watch) -> None:
        super().__init__()
        self._parts = _Parts(seen)
        self.chosen: int | None = None
        self.cautions_due = True
        self._pressed_take_s = -1e9
        self._gate = ScanGate()

    def compose(self) -> ComposeResult:
        parts = self._parts
        yield from (parts.head, parts.banner, parts.guide)
        yield Horizontal(parts.lift, parts.pressure, parts.flow, id="numbers")
        yield Horizontal(parts.lift_strip, parts.pressure_strip, id="strips")
        yield parts.verdict
        yield Horizontal(parts.steps, parts.curve, id="record")
        yield Vertical(parts.idle, id="idle")
        yield parts.keys

    @property
    def moment(self) -> Moment:
        """Between pulls, in one, or at its verdict."""
        frame = self.dash.seen.frame
        if frame is None or frame.pull is None:
            return "idle"
        return "pull" if frame.pull.outcome is None else "verdict"

    # ------------------------------------------------------------ drawing

    def draw(self) -> None:
        """Show what the watch knows now; each part repaints only if it changed."""
        watch, bench, now_s = self.dash.seen, self.dash.bench_facts, self.dash.now_s()
        frame, moment = watch.frame, self.moment
        self.set_class(moment == "idle", "-idle")
        self.set_class(moment == "verdict", "-verdict")
        self._draw_head(frame, now_s)
        self._draw_guide(frame, now_s)
        if frame is not None:
            lost = bool(watch.lost(now_s))
            outs = (lift_out(frame, bench), pressure_out(frame, bench), flow_out(frame, bench))
            parts = self._parts
            for panel, out in zip((parts.lift, parts.pressure, parts.flow), outs, strict=True):
                panel.show(out.left_over() if lost else out, now_s)
            pressure_strip, lift_strip = strips(frame, bench)
            self._parts.pressure_strip.show(pressure_strip)
            self._parts.lift_strip.show(lift_strip)
            self._draw_record(frame, now_s)
        if moment == "idle":
            self._parts.idle.show(*self._idle_lines())
        words = {"pause": "go on"} if frame is not None and frame.pull is not None and frame.pull.paused else {}
        self._parts.keys.show(key_spans(keys_at("bench", moment), words, self.size.width))

    def _draw_head(self, frame: Frame | None, now_s: float) -> None:
        watch, bench = self.dash.seen, self.dash.bench_facts
        head = self._parts.head
        notice = watch.said(now_s)
        if notice:
            style = "bold $on-bad on $bad" if watch.notice_bad else "bold $on-good on $good"
            head.show([(f" {'!' if watch.notice_bad else '·'} {notice} ", style)])
        else:
            title = pull_title(frame) if frame is not None else "steadydraw"
            bad = [its.name for its in frame.instruments if its.state in ("silent", "lost")] if frame else []
            right = [(f"! {', '.join(bad)} ", "bold $bad")] if bad else [(f"{bench.name} ", "$faint")]
            head.show([(f" {title}", "bold")], right=right)
        banner = unreal(frame) if frame is not None else ""
        line = self._parts.banner
        line.display = bool(banner)
        line.show([(f" ▒▒ {banner} ▒▒".ljust(max(0, self.size.width)), "bold $on-bad on $bad")])

    def _draw_guide(self, frame: Frame | None, now_s: float) -> None:
        watch = self.dash.seen
        panel = self._parts.guide
        lost = watch.lost(now_s)
        if lost:
            beneath = "The daemon keeps the pull. Numbers below are old." if frame is not None else ""
            panel.show(Saying(lost, "trouble", "!", beneath))
        elif frame is not None:
            tone: Tone
            tone, glyph = TONES[frame.guide.situation]
            beneath = why_not(frame)
            flash = watch.flashing(now_s)
            if flash is not None:
                tone, glyph, beneath = "taken", "✔", f"TAKEN  {flash.sentence}"
            panel.show(Saying(frame.guide.sentence, tone, glyph, beneath))
        else:
            panel.show(Saying("Waiting for the bench's daemon", "rest", "·"))

    def _draw_record(self, frame: Frame, now_s: float) -> None:
        pull, bench = frame.pull, self.dash.bench_facts
        if pull is None:
            return
        flash = self.dash.seen.flashing(now_s)
        flashing = flash.point.step if flash is not None and flash.point is not None else None
        if self.chosen is not None and self.chosen >= len(pull.steps):
            self.chosen = None
        self._parts.steps.show(steps_view(pull, bench, self.chosen, flashing))
        self._parts.curve.show(curve_view(pull, bench))
        if pull.outcome is not None:
            other = "exhaust" if pull.direction == "intake" else "intake"
            nexts: Line = [
                ("Enter", "bold $act"), (" next head, same set-up     ", ""),
                ("o", "bold $act"), (f" same head, {other}", ""),
            ]  # fmt: skip
            lines = [*verdict_lines(frame, bench), nexts]
            verdict = self._parts.verdict
            verdict.styles.height = min(len(lines), 10) + 1
            verdict.show(*lines)

    def _idle_lines(self) -> list[Line]:
        offered = [key for key in keys_at("bench", "idle") if key.in_line]
        lines: list[Line] = [[(" Scan a head's label to set up its pull, or press", "bold")]]
        lines += [[(f" {key.shown:<8}", "bold $act"), (key.help, "")] for key in offered]
        if self.cautions_due:
            wrapped = textwrap.wrap(CAUTIONS, max(20, self.size.width - 6))
            cautions: list[Line] = [[(f" {' ' if i else '!'} {row}", "bold $act")] for i, row in enumerate(wrapped)]
            lines = [*cautions, [], *lines]
        return lines

    # ------------------------------------------------------------ keys

    def intercept(self, event: events.Key) -> bool:
        """Letters wait a moment, in case a scanner types them; the rest acts at once."""
        now_s = self.dash.now_s()
        character = event.character or ""
        if event.key == "enter":
            text = self._gate.enter(now_s)
            self._scanned(text)
            return bool(text)
        if not character.isprintable() or not character or (character == " " and not self._gate.waiting):
            return False
        for name in self._gate.key(event.key, character, now_s):
            self.perform(name)
        self.set_timer(GAP_S * 1.2, self._release)
        return True

    def _release(self) -> None:
        if self.is_current:
            for name in self._gate.release(self.dash.now_s()):
                self.perform(name)

    def on_paste(self, event: events.Paste) -> None:
        """Some scanners paste."""
        event.stop()
        self._scanned(event.text.strip().splitlines()[0] if event.text.strip() else "")

    def _scanned(self, text: str) -> None:
        if not text:
            return
        if self.moment == "pull":
            self.dash.say(f"Scanned {text!r} during a pull: nothing done with it", bad=True)
        else:
            self._leave_cautions()
            self.dash.open_form(identifier=text[:80])

    def _act(self, kind: ActionKind, step: int | None = None, meter_range: str = "") -> None:
        self.dash.send(Action(kind=kind, step=step, meter_range=meter_range))

    def do_take(self) -> None:
        """Take the present step by hand, unless this is the echo of a point just taken."""
        now_s = self.dash.now_s()
        if now_s - max(self._pressed_take_s, self.dash.seen.taken_s) < BOUNCE_S:
            self.dash.say("Just taken: press again to take the next step by hand")
            return
        self._pressed_take_s = now_s
        self._act("take")

    def do_retake(self) -> None:
        """Take the chosen step again, or the last taken one."""
        self._act("retake", self.chosen)
        self.chosen = None

    def do_skip(self) -> None:
        """Leave this step out."""
        self._act("skip")

    def do_back(self) -> None:
        """Return to the step before."""
        self._act("back")

    def do_pause(self) -> None:
        """Pause, or go on."""
        frame = self.dash.seen.frame
        paused = frame is not None and frame.pull is not None and frame.pull.paused
        self._act("go_on" if paused else "pause")

    def do_abort(self) -> None:
        """Ask, then abort."""

        def answered(yes: bool | None) -> None:
            if yes:
                self._act("abort")

        question = "Abort this pull? What was taken is kept, the rest stays open for good."
        self.app.push_screen(AskScreen(question, "abort the pull", "carry on with it"), answered)

    def do_range(self) -> None:
        """Say which meter range is in use."""
        names = list(self.dash.bench_facts.meter_ranges)
        if not names:
            self.dash.say("The bench has named no meter ranges yet", bad=True)
            return

        def picked(index: int | None) -> None:
            if index is not None:
                self._act("range", meter_range=names[index])

        self.app.push_screen(PickScreen("Which meter range is in use now?", names), picked)

    def do_choose_up(self) -> None:
        """Choose an earlier step."""
        self._choose(-1)

    def do_choose_down(self) -> None:
        """Choose a later step."""
        self._choose(1)

    def _choose(self, by: int) -> None:
        frame = self.dash.seen.frame
        if frame is None or frame.pull is None:
            return
        taken = [i for i, step in enumerate(frame.pull.steps) if step.points]
        if not taken:
            self.dash.say("No step was taken yet")
            return
        if self.chosen not in taken:
            self.chosen = taken[-1] if by < 0 else None
        else:
            place = taken.index(self.chosen) + by
            self.chosen = taken[max(0, place)] if place < len(taken) else None
        self.draw()

    def do_new(self) -> None:
        """Set up a new pull, as the last one was."""
        self._leave_cautions()
        self.dash.open_form()

    def do_next_head(self) -> None:
        """Another head, everything else the same."""
        self.dash.open_form()

    def do_other_way(self) -> None:
        """The same head, the other direction."""
        self.dash.open_form(same_head=True, other_way=True)

    def do_templates(self) -> None:
        """Start from a template."""
        self._leave_cautions()
        self.dash.open_form(from_template=True)

    def do_resume(self) -> None:
        """Go on with an unfinished pull: at once if there is one, from a list if there are more."""
        self.dash.with_answer(self.dash.bench.open_pulls, self._offer)

    def _offer(self, rows: list[PullRow]) -> None:
        def picked(index: int | None) -> None:
            if index is not None:
                self.dash.resume(rows[index].id)

        if not rows:
            self.dash.say("No pull is unfinished")
        elif len(rows) == 1:
            picked(0)
        else:
            lines = [
                f"{row.subject:<16} {KIND_WORDS[row.kind]}, {row.direction}, "
                f"{row.taken} of {row.steps} taken, {row.started_utc[:16].replace('T', ' ')}"
                for row in rows
            ]
            self.app.push_screen(PickScreen("Go on with which pull?", lines), picked)

    def do_instruments(self) -> None:
        """Look at the instruments."""
        self.app.push_screen(InstrumentsScreen(self.dash.bench_facts))

    def _leave_cautions(self) -> None:
        self.cautions_due = False
