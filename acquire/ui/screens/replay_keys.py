"""Looking back: choosing a recorded pull, and the keys while its session plays on the screen at the bench."""

from acquire.records import PullRow, SessionRow
from acquire.sessions.playback import Happening, Playback
from acquire.ui.bench import Recorded
from acquire.ui.screens.asking import PickScreen
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.words import KIND_WORDS, brief, local_time

MOST_PULLS = 200


class ReplayKeys(PlaceScreen[None]):
    """What the keys of the moment "replay" do, and the way there."""

    # the traces take the whole screen
    traced = False

    # ------------------------------------------------------------ choosing

    def do_review(self) -> None:
        """Choose a pull to look at again, the newest first."""
        if self.dash.open_session is None:
            self.dash.say("This dashboard cannot read the archive: use it on the bench's own machine", bad=True)
            return
        self.dash.with_answer(self.dash.bench.pulls, self._offer_recorded)

    def _offer_recorded(self, rows: list[PullRow]) -> None:
        shown, unfinished = rows[:MOST_PULLS], "open"

        def picked(index: int | None) -> None:
            if index is not None:
                pull_id = shown[index].id
                self.dash.with_answer(lambda: self.dash.bench.pull(pull_id).sessions, lambda its: chosen(its))

        def chosen(sessions: tuple[SessionRow, ...]) -> None:
            if len(sessions) <= 1:
                self._open([its.id for its in sessions])
                return
            lines = [f"{local_time(its.started_utc)}, {its.samples} samples" for its in sessions]
            title = "The pull was recorded in several sessions. Which one?"
            ids = [its.id for its in sessions]
            self.app.push_screen(PickScreen(title, lines), lambda i: self._open([] if i is None else [ids[i]]))

        if not shown:
            self.dash.say("The archive holds no pull yet")
            return
        lines = [
            f"{row.subject:<14} {local_time(row.started_utc)[5:]}  {KIND_WORDS[row.kind]}, {row.direction}, "
            f"{row.taken} of {row.steps}{'' if row.outcome == 'complete' else f', {row.outcome or unfinished}'}"
            for row in shown
        ]
        self.app.push_screen(PickScreen("Look at which pull again?", lines), picked)

    def _open(self, session_ids: list[int]) -> None:
        open_session = self.dash.open_session
        if not session_ids or open_session is None:
            return

        def ask() -> Recorded:
            recorded = open_session(session_ids[0])
            recorded.look_through()
            return recorded

        self.dash.say("Running through the session ...")
        self.dash.with_answer(ask, self.dash.watch_recorded)

    # ------------------------------------------------------------ while it plays

    @property
    def _playback(self) -> Playback:
        recorded = self.dash.recorded
        assert recorded is not None  # these keys exist only in a replay
        return recorded.playback

    def do_stop_or_go(self) -> None:
        """Stop, or go on; at the end from the start."""
        its = self._playback
        if its.ended:
            its.go_to(its.start_us)
            its.paused = False
        else:
            its.paused = not its.paused

    def do_next_event(self) -> None:
        """The next thing that happened."""
        self._go(self._playback.beside(1), "Nothing more happened after this")

    def do_previous_event(self) -> None:
        """The thing before."""
        self._go(self._playback.beside(-1), "Nothing happened before this")

    def do_next_doubt(self) -> None:
        """The next thing that was not simply taken."""
        self._go(self._playback.beside(1, doubtful=True), "Nothing was rejected after this")

    def do_events(self) -> None:
        """All of it, to go to."""
        its = self._playback
        if not its.happenings:
            self.dash.say("Nothing happened in this session")
            return
        lines = [
            f"{its.at(one.t_us):>6} {'!' if one.doubtful else ' '} {brief(one.sentence)}" for one in its.happenings
        ]

        def picked(index: int | None) -> None:
            if index is not None:
                self._go(its.happenings[index], "")

        self.app.push_screen(PickScreen("What happened, ! where something was not simply taken", lines), picked)

    def _go(self, happening: Happening | None, else_say: str) -> None:
        if happening is None:
            self.dash.say(else_say)
            return
        self._playback.go_to(happening)

    def do_trace(self) -> None:
        """The traces over the whole screen, or beside all else again."""
        self.traced = not self.traced
        self.draw()

    def draw(self) -> None:
        """Show what the watch knows now."""
        raise NotImplementedError

    def do_faster(self) -> None:
        """Faster."""
        self._playback.faster(1)

    def do_slower(self) -> None:
        """Slower."""
        self._playback.faster(-1)

    def do_from_start(self) -> None:
        """Again."""
        its = self._playback
        its.go_to(its.start_us)
        its.paused = False

    def do_leave_replay(self) -> None:
        """Back to the bench, or out where there is none."""
        self.dash.leave_recorded()
