"""What the keys do at the bench: most send one action to the daemon."""

from textual import events

from acquire.beside.shadow import Doubt
from acquire.records import Action, ActionKind, PullRow
from acquire.ui.company import NONE
from acquire.ui.keys import Key, Moment, Place, action_for, keys_at
from acquire.ui.scan import GAP_S, ScanGate
from acquire.ui.screens.asking import AskScreen, PickScreen
from acquire.ui.screens.care_keys import CareKeys
from acquire.ui.screens.entry_keys import EntryKeys
from acquire.ui.screens.pages import InstrumentsScreen
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.screens.replay_keys import ReplayKeys
from acquire.ui.words import KIND_WORDS, local_time

# a second press of the foot switch, or one just after the reading was taken by itself, is not meant for the next step
BOUNCE_S = 1.0


class BenchKeys(CareKeys, ReplayKeys, EntryKeys, PlaceScreen[None]):
    """The operator's side of the screen at the bench; the drawing is added by its subclass."""

    place: Place = "bench"

    def __init__(self) -> None:
        super().__init__()
        self.chosen: int | None = None
        self.cautions_due = True
        self._pressed_take_s = -1e9
        self._gate = ScanGate()

    @property
    def moment(self) -> Moment:
        """Which keys apply: those of a replay, or of where the pull stands."""
        return "replay" if self.dash.recorded is not None else self.stage

    @property
    def stage(self) -> Moment:
        """Between pulls, in one, or at its verdict."""
        frame = self.dash.seen.frame
        if frame is None or frame.pull is None:
            return "idle"
        return "pull" if frame.pull.outcome is None else "verdict"

    @property
    def in_command_said(self) -> str:
        """Who is in command, where it is another."""
        frame = self.dash.seen.frame
        return f" Watching: {frame.commander} is in command " if self.watching and frame is not None else ""

    @property
    def doubt(self) -> Doubt | None:
        """The point that is out of line, as far as it is on the screen."""
        frame, its = self.dash.seen.frame, self.dash.seen.company.doubt
        if its is None or frame is None or frame.pull is None or its.step >= len(frame.pull.steps):
            return None
        return its if frame.pull.steps[its.step].points else None

    @property
    def to_retake(self) -> int | None:
        """The step that is taken again now: the chosen one, else the doubted one; None: the last taken one."""
        if self.chosen is not None:
            return self.chosen
        return self.doubt.step if self.doubt is not None else None

    def perform(self, pressed: str) -> bool:
        """What the table says; a screen that only watches says so instead of telling the bench what to do."""
        if self.watching and action_for(pressed, "bench", self.moment, watching=True) is None:
            if action_for(pressed, "bench", self.moment, watching=False) is None:
                return False
            self.dash.say(f"{self.in_command_said.strip()}: press c to take over", bad=True)
            return True
        return super().perform(pressed)

    def offered(self, moment: Moment) -> list[Key]:
        """The keys that do something now; none that tells the bench what to do while its daemon is not heard."""
        lost = bool(self.dash.unheard())
        return [
            key
            for key in keys_at("bench", moment, self.watching)
            if (key.action != "resume" or self.dash.seen.unfinished) and not (lost and (key.commands or key.watching))
        ]

    def draw(self) -> None:
        """Show what the watch knows now."""
        raise NotImplementedError

    def point_out(self, doubt: Doubt) -> None:
        """A point is out of line: choose it, so that one key takes it again."""
        if self.stage == "pull" and self.moment != "replay":
            self.chosen = doubt.step

    def intercept(self, event: events.Key) -> bool:
        """Letters wait a moment, in case a scanner types them; the rest acts at once."""
        character = event.character or ""
        if self.typed_key(event):
            return True
        if event.key == "enter":
            text = self._gate.enter(event.time)
            self._scanned(text)
            return bool(text)
        if not character.isprintable() or not character or (character == " " and not self._gate.waiting):
            return False
        for name in self._gate.key(event.key, character, event.time, self.dash.now_s()):
            self.perform(name)
        self.set_timer(GAP_S * 1.2, self._release)
        return True

    def _release(self) -> None:
        released = self._gate.release(self.dash.now_s())
        if self.is_current:
            for name in released:
                self.perform(name)

    def on_paste(self, event: events.Paste) -> None:
        """Some scanners paste."""
        event.stop()
        self._scanned(event.text.strip().splitlines()[0] if event.text.strip() else "")

    def _scanned(self, text: str) -> None:
        if not text or self.typed_text(text):
            return
        if self.moment in ("pull", "replay"):
            self.dash.say(f"Scanned {text!r} during a {self.moment}: nothing done with it", bad=True)
        else:
            self._leave_cautions()
            self.dash.open_form(identifier=text[:80])

    def _act(self, kind: ActionKind, step: int | None = None, meter_range: str = "") -> None:
        self.dash.send(Action(kind=kind, step=step, meter_range=meter_range))

    def do_take_command(self) -> None:
        """Put this screen in command."""
        frame, screen = self.dash.seen.frame, self.dash.bench.screen
        if frame is not None and screen is not None and frame.commander_id == screen.id:
            self.dash.say("This screen is in command")
            return
        if unheard := self.dash.unheard():
            self.dash.say(unheard, bad=True)
            return
        self.dash.with_answer(self.dash.bench.take_command, lambda _: None)

    def do_earlier(self) -> None:
        """Choose the earlier pull beneath the curve."""
        company = self.dash.seen.company
        choices = company.beside.choices if company.beside is not None else ()
        if not choices:
            self.dash.say("No earlier pull of this head or its model is in the archive")
            return
        lines = [
            f"{its.subject:<14} {its.direction:<8} {its.relation.removeprefix('same head, ')}, pull {its.pull_id}, "
            f"{local_time(its.started_utc)[:10]}"
            for its in choices
        ]

        def picked(index: int | None) -> None:
            if index is not None:
                company.choose(choices[index].pull_id if index < len(choices) else NONE)
                self.dash.ask_beside()

        self.app.push_screen(PickScreen("Which earlier pull beneath the curve?", [*lines, "none"]), picked)

    def do_take(self) -> None:
        """Take the present step by hand, unless this is the echo of a point just taken."""
        now_s = self.dash.now_s()
        if now_s - max(self._pressed_take_s, self.dash.seen.taken_s) < BOUNCE_S:
            self.dash.say("Just taken: press again to take the next step by hand")
            return
        self._pressed_take_s = now_s
        self._act("take")

    def do_retake(self) -> None:
        """Take the chosen step again, else the doubted one, else the last taken one."""
        self._act("retake", self.to_retake)
        self.chosen = None

    def do_skip(self) -> None:
        """Leave this step out."""
        self._act("skip")

    def do_back(self) -> None:
        """Return to the step before."""
        frame = self.dash.seen.frame
        if self.stage == "pull" and frame is not None and frame.pull is not None and frame.pull.now == 0:
            self.dash.say("This is the first step")
            return
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

        question = "Abort this pull? What was taken is kept, and nothing can be added to it later."
        self.app.push_screen(AskScreen(question, "abort the pull", "carry on with it"), answered)

    def do_range(self) -> None:
        """Say which meter range is in use."""
        names = list(self.dash.bench_facts.meter_ranges)
        if not names:
            self.dash.say("The bench has named no meter ranges yet", bad=True)
            return

        frame = self.dash.seen.frame
        counts = frame.guide.wants.meter_range if frame is not None else ""

        def picked(index: int | None) -> None:
            if index is not None and names[index] != counts:
                self._act("range", meter_range=names[index])

        # it stands on the one that counts: the big key must change nothing
        marked = names.index(counts) if counts in names else 0
        lines = [f"{name:<16} counts now" if name == counts else name for name in names]
        self.app.push_screen(PickScreen("Which meter range is in use now?", lines, marked), picked)

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
        if by < 0 and self.chosen == taken[0]:
            self.dash.say("This is the first step that was taken")
        elif by > 0 and self.chosen not in taken:
            self.dash.say("This is the last step that was taken")
        if self.chosen not in taken:
            self.chosen = taken[-1] if by < 0 else None
        else:
            place = taken.index(self.chosen) + by
            self.chosen = taken[max(0, place)] if place < len(taken) else None
        self.draw()

    def action_line(self, index: int) -> None:
        """A step of the table was tapped: choose it, if it can be."""
        frame = self.dash.seen.frame
        if frame is None or frame.pull is None or self.moment not in ("pull", "verdict"):
            return
        if index < len(frame.pull.steps) and frame.pull.steps[index].points:
            self.chosen = index
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

    def do_same_again(self) -> None:
        """The same head, the same way, once more."""
        self.dash.open_form(same_head=True)

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
                f"{row.taken} of {row.steps} taken, {local_time(row.started_utc)}"
                for row in rows
            ]
            self.app.push_screen(PickScreen("Go on with which pull?", lines), picked)

    def do_instruments(self) -> None:
        """Look at the instruments."""
        recorded = self.dash.recorded
        self.app.push_screen(InstrumentsScreen(self.dash.bench_facts, recorded.name if recorded is not None else ""))

    def _leave_cautions(self) -> None:
        self.cautions_due = False
