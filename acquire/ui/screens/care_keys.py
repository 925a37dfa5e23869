"""What belongs around a pull: checks of the bench before it, evidence and flow sheet after it."""

import re
from collections.abc import Callable
from pathlib import Path

from acquire.records import PullRow
from acquire.ui.asked import as_run
from acquire.ui.screens.asking import PickScreen
from acquire.ui.screens.mounts import LEAST, MountsScreen
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.screens.run import RunScreen
from acquire.ui.words import local_time
from acquire.values import Direction, PullKind

READY_ENDS = {0: "● The bench is ready.", 1: "! The bench is not ready: the lines above say what to do."}
HELD_ENDS = {0: "● The test pressure held.", 1: "! It did not hold at every step."}
STEADY_ENDS = {0: "● It is not getting worse.", 1: "! The bench is getting less steady."}
SHEET_ENDS = {0: "● The flow sheet is written: open it there, print it from there."}
DONE = {0: "● Done."}


class CareKeys(PlaceScreen[None]):
    """The checks, each as a command of its own or as a pull of its own kind."""

    def do_checks(self) -> None:
        """Choose a check."""
        self.dash.with_answer(self.dash.bench.pulls, self._offer_checks)

    def _offer_checks(self, rows: list[PullRow]) -> None:
        def last(kind: PullKind, direction: Direction | None = None) -> str:
            its = _newest(rows, kind, direction)
            return f"last {local_time(its.started_utc)[:10]}" if its is not None else "never run"

        choices: list[tuple[str, Callable[[], None]]] = [
            ("Is the bench ready? Zeros, warm-up, leakage, calibrations", lambda: self._ready()),
            ("The same, the reference plate first", lambda: self._ready("--plate")),
            (f"Leakage run, intake: blank plate on     {last('leakage', 'intake')}",
             lambda: self._special(rows, "leakage", "intake")),
            (f"Leakage run, exhaust: blank plate on    {last('leakage', 'exhaust')}",
             lambda: self._special(rows, "leakage", "exhaust")),
            (f"Reference plate                         {last('plate')}", lambda: self._special(rows, "plate", None)),
            ("How well does the bench repeat? From pulls of one head", lambda: self._offer_heads(rows)),
            ("How steady was the test pressure, over all pulls?",
             lambda: self._run("Steadiness over all pulls", ["steady", "--all"], STEADY_ENDS, to_read=True)),
            ("Earlier readiness checks",
             lambda: self._run("Earlier readiness checks", ["ready", "--list"], DONE, to_read=True)),
        ]  # fmt: skip

        def picked(index: int | None) -> None:
            if index is not None:
                choices[index][1]()

        self.app.push_screen(PickScreen("Check the bench", [line for line, _ in choices]), picked)

    def _run(self, title: str, words: list[str], ends: dict[int, str], *, to_read: bool = False) -> None:
        """A command on the bench's own archive."""

        def opened(archive: Path) -> None:
            self.app.push_screen(RunScreen(title, [*words, "--db", str(archive)], ends, to_read=to_read))

        self.dash.with_answer(self.dash.bench.archive_path, opened)

    def _ready(self, *more: str) -> None:
        # blower off and valve closed: the command says so itself, and waits for it
        words = ["ready", "--bench", self.dash.bench_facts.name, *more]
        self.app.push_screen(RunScreen("Is the bench ready?", words, READY_ENDS))

    def _special(self, rows: list[PullRow], kind: PullKind, direction: Direction | None) -> None:
        """The form as this kind was run last, else as the last pull with the kind changed."""
        its = _newest(rows, kind, direction)
        if its is None:
            self.dash.open_form(kind=kind, direction=direction)
            return
        pull_id = its.id
        self.dash.with_answer(
            lambda: as_run(self.dash.bench.pull(pull_id)), lambda request: self.dash.open_form(like=request)
        )

    # ------------------------------------------------------------ repeatability

    def _offer_heads(self, rows: list[PullRow]) -> None:
        groups: dict[tuple[str, Direction], list[PullRow]] = {}
        for row in rows:
            if row.kind == "lift" and row.outcome == "complete":
                groups.setdefault((row.subject, row.direction), []).append(row)
        several = [(key, sorted(its, key=lambda row: row.id)) for key, its in groups.items() if len(its) >= LEAST]
        if not several:
            (most, way), its = max(groups.items(), key=lambda its: len(its[1]), default=(("", ""), []))
            known = f" ({most} has {len(its)}, {way})" if its else ""
            self.dash.say(
                f"A study needs {LEAST} pulls of one head in one direction{known}: pull it twice, take it off, "
                "mount it again, pull it once more"
            )
            return

        def picked(index: int | None) -> None:
            if index is None:
                return

            def studied(words: list[str]) -> None:
                self.dash.with_answer(self.dash.bench.archive_path, lambda archive: opened(words, archive))

            def opened(words: list[str], archive: Path) -> None:
                page = RunScreen(
                    "How well the bench repeats", ["repeat", *words, "--db", str(archive)], DONE, to_read=True
                )

                def closed(_: None) -> None:
                    if page.code == 0:
                        mounts.dismiss(None)

                self.app.push_screen(page, closed)

            mounts = MountsScreen(several[index][1], studied)
            self.app.push_screen(mounts)

        lines = [f"{subject:<16} {direction}, {len(its)} pulls" for (subject, direction), its in several]
        self.app.push_screen(PickScreen("From which head's pulls?", lines), picked)

    # ------------------------------------------------------------ after a pull

    def do_evidence(self) -> None:
        """How the test pressure held in the pull on the screen, step by step."""
        frame = self.dash.seen.frame
        if frame is not None and frame.pull_id is not None:
            self._run(
                f"Did the test pressure hold in pull {frame.pull_id}?",
                ["steady", str(frame.pull_id)],
                HELD_ENDS,
                to_read=True,
            )

    def do_sheet(self) -> None:
        """Write the flow sheet of the pull on the screen, with the other direction's newest if there is one."""
        frame = self.dash.seen.frame
        if frame is not None and frame.pull_id is not None:
            pull_id = frame.pull_id
            self.dash.with_answer(self.dash.bench.pulls, lambda rows: self._sheet(pull_id, rows))

    def _sheet(self, pull_id: int, rows: list[PullRow]) -> None:
        its = next((row for row in rows if row.id == pull_id), None)
        if its is None or its.kind != "lift":
            self.dash.say("A flow sheet is made of a lift pull", bad=True)
            return
        other = next(
            (
                row
                for row in rows
                if row.kind == "lift" and row.outcome == "complete" and row.subject == its.subject
                and row.direction != its.direction
            ),
            None,
        )  # fmt: skip
        pulls = [str(row.id) for row in (its, other) if row is not None]

        def opened(archive: Path) -> None:
            folder = archive.parent / "sheets"
            folder.mkdir(exist_ok=True)
            path = folder / f"{_for_a_file(its.subject)}_{its.started_utc[:10]}_{its.uid}.pdf"
            words = ["sheet", *pulls, "-o", str(path), "--db", str(archive)]
            self.app.push_screen(RunScreen("Writing the flow sheet", words, SHEET_ENDS))

        self.dash.with_answer(self.dash.bench.archive_path, opened)


def _newest(rows: list[PullRow], kind: PullKind, direction: Direction | None) -> PullRow | None:
    """The newest complete pull of a kind; rows come newest first."""
    return next(
        (row for row in rows if row.kind == kind and row.outcome == "complete" and direction in (None, row.direction)),
        None,
    )


def _for_a_file(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("._") or "head"
