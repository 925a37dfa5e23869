"""Small screens that ask: a list to pick from, a question, one line of text."""

import textwrap
from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from acquire.ui.keys import Place
from acquire.ui.screens.place import PlaceScreen


class PickScreen(PlaceScreen[int | None], ModalScreen[int | None]):
    """One of several lines; the answer is its index."""

    place: Place = "list"

    def __init__(self, title: str, lines: Sequence[str]) -> None:
        super().__init__()
        self.heading = title
        self.lines = list(lines)
        self.marked = 0

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static(self.heading, classes="box-title")
            yield Static(self._body(), id="pick-lines")
            yield Static("Enter pick   1-9 pick at once   Esc close   ? help", classes="box-keys")

    def _body(self) -> Content:
        across = min(96, int(0.96 * self.app.size.width)) - 12
        # where lines do not fit, the marked one is told in full beneath them; the room for it does not change
        most = max((len(textwrap.wrap(line, across)) for line in self.lines if len(line) > across), default=0)
        full = textwrap.wrap(self.lines[self.marked], across) if len(self.lines[self.marked]) > across else []
        beneath = ["", *full, *[""] * (most - len(full))] if most else []
        room = max(3, self.app.size.height - 10 - len(beneath))
        start = max(0, min(self.marked - room // 2, len(self.lines) - room))
        rows = []
        for i, line in enumerate(self.lines[start : start + room], start):
            digit = f"{i + 1}" if i < 9 else " "
            sign, style = ("▶", "bold $on-act on $act-fill") if i == self.marked else (" ", "")
            shown = line if len(line) <= across else f"{line[: across - 1]}…"
            rows.append(Content.styled(f"{sign} {digit}  {shown} ", style))
        return Content("\n").join([*rows, *(Content(f"     {row}".rstrip()) for row in beneath)])

    def _mark(self, index: int) -> None:
        self.marked = max(0, min(index, len(self.lines) - 1))
        self.query_one("#pick-lines", Static).update(self._body())

    def intercept(self, event: events.Key) -> bool:
        """Digits pick at once; the table has the rest."""
        if event.character and event.character in "123456789" and int(event.character) <= len(self.lines):
            self.dismiss(int(event.character) - 1)
            return True
        return False

    def do_pick(self) -> None:
        """The marked line."""
        self.dismiss(self.marked)

    def do_list_up(self) -> None:
        """Mark the line above."""
        self._mark(self.marked - 1)

    def do_list_down(self) -> None:
        """Mark the line below."""
        self._mark(self.marked + 1)


class AskScreen(PlaceScreen[bool | None], ModalScreen[bool | None]):
    """A question where the big key means no: only ``y`` goes ahead."""

    place: Place = "question"

    def __init__(self, question: str, what_yes_does: str, what_no_does: str) -> None:
        super().__init__()
        self.question = question
        self._answers = f"y {what_yes_does}     Enter {what_no_does}"

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static(f"! {self.question}", classes="box-title")
            yield Static(self._answers, classes="box-keys")

    def do_yes(self) -> None:
        """Go ahead."""
        self.dismiss(True)

    def do_no(self) -> None:
        """Leave it."""
        self.dismiss(False)


class NameScreen(PlaceScreen[str | None], ModalScreen[str | None]):
    """One line of text, ended by Enter."""

    place: Place = "name"

    def __init__(self, title: str, value: str = "") -> None:
        super().__init__()
        self.heading = title
        self._value = value

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static(self.heading, classes="box-title")
            field = Input(self._value, id="name", max_length=80)
            field.cursor_blink = False
            yield field
            yield Static("Enter keep   Esc close", classes="box-keys")

    def on_mount(self) -> None:
        """Type at once."""
        self.query_one("#name", Input).focus()

    def do_keep(self) -> None:
        """The text, unless it is empty."""
        text = self.query_one("#name", Input).value.strip()
        if text:
            self.dismiss(text)
