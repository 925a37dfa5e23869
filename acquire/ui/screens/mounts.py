"""Which pulls of a head were made without taking it off in between: a repeatability study's mounts."""

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from acquire.records import PullRow
from acquire.ui.keys import Place
from acquire.ui.screens.place import PlaceScreen


class MountsScreen(PlaceScreen[list[str] | None], ModalScreen[list[str] | None]):
    """Pulls in order of time; each is left out, on the mount of the one before, or the first of a new mount.

    The answer is one word a mount, such as ``12,13``.
    """

    place: Place = "mounts"

    def __init__(self, rows: Sequence[PullRow]) -> None:
        super().__init__()
        self.rows = list(rows)
        self.marked = 0
        self.begins = [True] * len(self.rows)
        self.counts = [True] * len(self.rows)

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static("After which pulls was the head taken off and mounted again?", classes="box-title")
            yield Static(self._body(), id="mounts-lines")
            keys = "Space new mount here, or not   Del leave out   Enter study them   Esc close"
            yield Static(keys, classes="box-keys")

    def mounts(self) -> list[str]:
        """One word a mount."""
        words: list[list[str]] = []
        new = True
        for row, begins, counts in zip(self.rows, self.begins, self.counts, strict=True):
            new = new or begins
            if not counts:
                continue
            if new or not words:
                words.append([])
            words[-1].append(str(row.id))
            new = False
        return [",".join(word) for word in words]

    def _body(self) -> Content:
        room = max(3, self.app.size.height - 11)
        start = max(0, min(self.marked - room // 2, len(self.rows) - room))
        lines, mount = [], 0
        for i, row in enumerate(self.rows):
            mount += self.begins[i] and self.counts[i]
            if not start <= i < start + room:
                continue
            said = f"mount {max(mount, 1)}" if self.counts[i] else "left out"
            sign, style = ("▶", "bold $on-act on $act-fill") if i == self.marked else (" ", "")
            when = row.started_utc[:16].replace("T", " ")
            lines.append(Content.styled(f"{sign} {said:<10} pull {row.id:<6} {when}   {row.taken} points ", style))
        return Content("\n").join(lines)

    def _renew(self) -> None:
        self.query_one("#mounts-lines", Static).update(self._body())

    def do_mounts_up(self) -> None:
        """The pull above."""
        self.marked = max(0, self.marked - 1)
        self._renew()

    def do_mounts_down(self) -> None:
        """The pull below."""
        self.marked = min(len(self.rows) - 1, self.marked + 1)
        self._renew()

    def do_new_mount(self) -> None:
        """A new mount begins with the marked pull, or it does not."""
        self.begins[self.marked] = not self.begins[self.marked]
        self._renew()

    def do_leave_out(self) -> None:
        """Leave the marked pull out, or take it in again."""
        self.counts[self.marked] = not self.counts[self.marked]
        self._renew()

    def do_study(self) -> None:
        """These mounts."""
        self.dismiss(self.mounts())
