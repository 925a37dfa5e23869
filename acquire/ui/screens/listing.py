"""A list in a box with one marked line, on a screen that may be lower than the list is long."""

import textwrap
from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from acquire.ui.keys import keys_at
from acquire.ui.screens.held import HeldKeys
from acquire.ui.screens.place import R
from acquire.ui.widgets.canvas import Canvas, Line, Span, clip, spread, tapped, width_of, window
from acquire.ui.widgets.lines import KeyLine, TextLine
from acquire.ui.widgets.steps import hidden_said

MOST_OF_A_CODE = 24
_AROUND = 8  # frame, keys and what is blank


class ListLines(Canvas):
    """The lines around the marked one; how many are out of sight stands at the edges."""

    def __init__(self) -> None:
        super().__init__(id="list-lines")
        self._lines: tuple[str, ...] = ()
        self._marked = 0

    def show(self, lines: Sequence[str], marked: int) -> None:
        """Show these lines, one of them marked."""
        self._lines, self._marked = tuple(lines), marked
        self.changed((self._lines, marked))

    def paint(self, width: int, height: int) -> list[Line]:
        shown = window(self._marked, len(self._lines), height)
        rows: list[Line] = []
        for i in shown:
            above = shown.start if i == shown.start else 0
            below = len(self._lines) - shown.stop if i == shown.stop - 1 else 0
            sign, style = ("▶", "bold $on-act on $act-fill") if i == self._marked else (" ", "")
            said = hidden_said(above, below, 20)
            hidden: list[Span] = [(f" {said}", "$faint")] if said else []
            line = tapped(
                clip([(f"{sign} {self._lines[i]} ", style)], width - width_of(hidden) - 1), f"screen.line({i})"
            )
            rows.append(spread(line, tapped(hidden, f"screen.mark({i - 1 if above else i + 1})"), width))
        return rows


def shortened(text: str) -> str:
    """A scanned code, in quotes, as far as there is room for it in a sentence."""
    return repr(text if len(text) <= MOST_OF_A_CODE else f"{text[:MOST_OF_A_CODE]}…")


class ListScreen(HeldKeys[R], ModalScreen[R]):
    """The base: ``lines`` says what is listed; what a tapped line does is up to the screen."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self.title_said = self.heading = title
        self.marked = 0

    def lines(self) -> list[str]:
        """All of the lines, each as a row."""
        raise NotImplementedError

    def beneath(self) -> list[str]:
        """Rows beneath the list; always as many."""
        return []

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static(self.heading, classes="box-title")
            yield ListLines()
            yield TextLine(id="list-beneath")
            yield KeyLine(keys_at(self.place))

    def on_mount(self) -> None:
        """Draw it once."""
        self.renew()

    def on_resize(self) -> None:
        """Another size: other lines fit."""
        self.renew()

    @property
    def across(self) -> int:
        """Cells within the box."""
        return min(96, int(0.96 * self.app.size.width)) - 6

    def renew(self) -> None:
        """Show the lines as they are now."""
        lines, beneath = self.lines(), self.beneath()
        touch = 2 if self.has_class("-touch") else 0
        title = len(textwrap.wrap(self.heading, self.across))
        room = max(3, self.app.size.height - _AROUND - title - len(beneath) - touch)
        its, under = self.query_one(ListLines), self.query_one("#list-beneath", TextLine)
        its.styles.height = min(len(lines), room)
        its.show(lines, self.marked)
        under.display = bool(beneath)
        under.styles.height = len(beneath)
        under.show(*[[(row, "")] for row in beneath])

    def mark(self, index: int) -> None:
        """Another line is the marked one."""
        self.marked = max(0, min(index, len(self.lines()) - 1))
        self.renew()

    def scanned(self, text: str) -> None:
        """A code is no key of the list, and none of its lines."""
        self.heading = f"{self.title_said} ({shortened(text)} is none of these)"
        self.query_one(".box-title", Static).update(Content(self.heading))
        self.renew()

    def action_mark(self, index: int) -> None:
        """What says that more is out of sight was tapped."""
        self.mark(index)

    def do_list_up(self) -> None:
        """Mark the line above."""
        self.mark(self.marked - 1)

    def do_list_down(self) -> None:
        """Mark the line below."""
        self.mark(self.marked + 1)
