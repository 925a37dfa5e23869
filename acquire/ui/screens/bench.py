"""The screen at the bench: what to do, the three numbers, the hold, the schedule and the curve."""

import textwrap
from dataclasses import replace

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical

from acquire.records import Frame
from acquire.ui.keys import Moment
from acquire.ui.look import flow_out, lift_out, pressure_out, unreal
from acquire.ui.saying import Saying, saying
from acquire.ui.screens.bench_keys import BenchKeys
from acquire.ui.screens.pages import CAUTIONS
from acquire.ui.show import curve_view, flow_strip, pull_title, replay_said, steps_view, strips
from acquire.ui.verdict import next_line, next_words, verdict_lines
from acquire.ui.watch import Watch
from acquire.ui.widgets.canvas import Line, tapped
from acquire.ui.widgets.curve import CurvePlot
from acquire.ui.widgets.entry import EntryLine
from acquire.ui.widgets.guide import GuidePanel
from acquire.ui.widgets.hold import HoldPlot
from acquire.ui.widgets.lines import KeyLine, TextLine
from acquire.ui.widgets.readout import ReadOutPanel
from acquire.ui.widgets.steps import StepTable
from acquire.ui.words import doubted
from acquire.values import PullView

MOST_NOTICE_ROWS = 3


class _Parts:
    """The widgets of the screen, by name."""

    def __init__(self, seen: Watch) -> None:
        self.head, self.banner, self.guide = TextLine(id="head"), TextLine(id="banner"), GuidePanel(id="guide")
        self.lift, self.pressure, self.flow = (ReadOutPanel(id=name) for name in ("lift", "pressure", "flow"))
        self.lift_strip = HoldPlot(seen.lift, id="lift-strip")
        self.pressure_strip = HoldPlot(seen.pressure, id="pressure-strip")
        self.flow_strip = HoldPlot(seen.flow, id="flow-strip")
        self.verdict, self.idle, self.keys = TextLine(id="verdict"), TextLine(id="idle-text"), KeyLine(id="keys")
        self.entry = EntryLine(id="entry")
        self.steps, self.curve = StepTable(id="steps"), CurvePlot(id="curve")


class BenchScreen(BenchKeys):
    """Draws the watch at every tick, at most ten times a second, and sends what the operator does."""

    VERTICAL_BREAKPOINTS = [(0, "-low"), (28, "-tall"), (36, "-taller"), (46, "-tallest")]  # noqa: RUF012 - not a class variable there

    def __init__(self, seen: Watch) -> None:
        super().__init__()
        self._parts = _Parts(seen)

    def compose(self) -> ComposeResult:
        parts = self._parts
        yield from (parts.head, parts.banner, parts.guide, parts.entry)
        yield Horizontal(parts.lift, parts.pressure, parts.flow, id="numbers")
        yield Horizontal(parts.lift_strip, parts.pressure_strip, parts.flow_strip, id="strips")
        yield parts.verdict
        yield Horizontal(parts.steps, parts.curve, id="record")
        yield Vertical(parts.idle, id="idle")
        yield parts.keys

    # ------------------------------------------------------------ drawing

    def draw(self) -> None:
        """Show what the watch knows now; each part repaints only if it changed."""
        watch, bench, now_s = self.dash.seen, self.dash.bench_facts, self.dash.now_s()
        frame, moment, stage = watch.frame, self.moment, self.stage
        self.set_class(stage == "idle", "-idle")
        self.set_class(stage == "verdict", "-verdict")
        self.set_class(self.traced and moment in ("pull", "replay"), "-trace")
        self._draw_head(frame, now_s)
        self._draw_guide(frame, now_s)
        self.forget_old()
        self._parts.entry.tell(self.entry, *self.asked(), frame)
        if frame is not None:
            lost = bool(watch.lost(now_s)[0])
            outs = (lift_out(frame, bench), pressure_out(frame, bench), flow_out(frame, bench))
            parts = self._parts
            for panel, out in zip((parts.lift, parts.pressure, parts.flow), outs, strict=True):
                panel.show(out.left_over() if lost else out, now_s)
            pressure_strip, lift_strip = strips(frame, bench)
            parts.pressure_strip.show(replace(pressure_strip, old=lost))
            parts.lift_strip.show(replace(lift_strip, old=lost))
            parts.flow_strip.show(replace(flow_strip(bench), old=lost))
            self._draw_record(frame, now_s)
        if stage == "idle":
            self._parts.idle.show(*self._idle_lines())
        self._draw_keys(frame.pull if frame is not None else None, moment)

    def _draw_keys(self, pull: PullView | None, moment: Moment) -> None:
        words: dict[str, str] = {"pause": "go on"} if pull is not None and pull.paused else {}
        offered = self.offered(moment)
        if pull is not None and moment == "verdict":
            # what stands beneath the verdict needs no second place, but for the big key
            beneath = set(next_words(pull))
            out = {"sheet"} - beneath if self.app.is_web else beneath - {"next_head"} | {"sheet"}
            offered = [key for key in offered if key.action not in out]
        self._parts.keys.show(offered, words, self.in_command_said)

    def _draw_head(self, frame: Frame | None, now_s: float) -> None:
        watch, bench = self.dash.seen, self.dash.bench_facts
        head = self._parts.head
        notice = watch.said(now_s)
        if notice:
            style = "bold $on-bad on $bad" if watch.notice_bad else "bold $on-good on $good"
            width = max(20, self.size.width - 1)
            rows = textwrap.wrap(f" {'!' if watch.notice_bad else '·'} {notice} ", width, subsequent_indent="   ")
            # a sentence too long for its row gets a second and a third: half of one says nothing
            head.styles.height = min(len(rows), MOST_NOTICE_ROWS)
            head.show(*[[(f"{row} ", style)] for row in rows])
        else:
            head.styles.height = 1
            title = pull_title(frame) if frame is not None else "steadydraw"
            bad = [its.name for its in frame.instruments if its.state in ("silent", "lost")] if frame else []
            right = [(f"! {', '.join(bad)} ", "bold $bad")] if bad else [(f"{bench.name} ", "$faint")]
            head.show([(f" {title}", "bold")], right=right)
        banner = unreal(frame) if frame is not None else ""
        if self.dash.recorded is not None:
            banner = replay_said(self.dash.recorded.name, self.dash.recorded.playback, bool(banner))
        line = self._parts.banner
        line.display = bool(banner)
        line.show([(f" ▒▒ {banner} ▒▒".ljust(max(0, self.size.width)), "bold $on-bad on $bad")])

    def _draw_guide(self, frame: Frame | None, now_s: float) -> None:
        self._parts.guide.show(self._saying(frame, now_s))

    def _saying(self, frame: Frame | None, now_s: float) -> Saying:
        watch = self.dash.seen
        flash = watch.flashing(now_s)
        return saying(
            frame,
            watch.lost(now_s),
            flash.sentence if flash is not None else "",
            self._doubt_said(frame),
            keys=self.moment != "replay" and not self.watching,
            offer=self.doubt is not None and self.to_retake == self.doubt.step,
            between=watch.between,
        )

    def told_elsewhere(self) -> Saying | None:
        """What every other screen says, too: what to do in a pull, and that the daemon is lost."""
        now_s, watch = self.dash.now_s(), self.dash.seen
        if self.moment != "pull" and not watch.lost(now_s)[0]:
            return None
        return self._saying(watch.frame, now_s)

    def _doubt_said(self, frame: Frame | None) -> str:
        doubt, pull = self.doubt, frame.pull if frame is not None else None
        if doubt is None or pull is None:
            return ""
        return doubted(doubt, pull, self.dash.seen.company.shadow, self.dash.bench_facts)

    def _draw_record(self, frame: Frame, now_s: float) -> None:
        pull, bench = frame.pull, self.dash.bench_facts
        if pull is None:
            return
        flash = self.dash.seen.flashing(now_s)
        flashing = flash.point.step if flash is not None and flash.point is not None else None
        if self.chosen is not None and self.chosen >= len(pull.steps):
            self.chosen = None
        shadow, out = self.dash.seen.company.shadow, self.doubt.step if self.doubt is not None else None
        self._parts.steps.show(steps_view(pull, bench, self.chosen, flashing, shadow, out))
        self._parts.curve.show(curve_view(pull, bench, shadow, out))
        if pull.outcome is not None:
            # all of the steps are seen beneath it
            most = max(4, self.size.height - len(pull.steps) - 11)
            lines = verdict_lines(frame, bench, max(20, self.size.width - 3), most)
            if self.moment == "verdict":
                lines.append(next_line(pull))
            self._parts.verdict.styles.height = len(lines) + 1
            self._parts.verdict.show(*lines)

    def _idle_lines(self) -> list[Line]:
        offered = [
            key for key in self.offered("idle") if (key.in_line and key.action != "help") or key.action == "quit"
        ]
        lines: list[Line] = [
            tapped([(f" {key.shown:<8}", "bold $act"), (key.help, "")], f"app.tap('{key.tapped}')") for key in offered
        ]
        if self.cautions_due:
            wrapped = textwrap.wrap(CAUTIONS, max(20, self.size.width - 6))
            cautions: list[Line] = [[(f" {' ' if i else '!'} {row}", "bold $act")] for i, row in enumerate(wrapped)]
            hint = textwrap.wrap(self.dash.hint, max(20, self.size.width - 6))
            told: list[Line] = [[(f" {' ' if i else '·'} {row}", "bold")] for i, row in enumerate(hint)]
            lines = [*cautions, *told, [], *lines]
        return lines
