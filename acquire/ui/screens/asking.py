"""Small screens that ask: a list to pick from, a question, one line of text."""

import textwrap
from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from acquire.ui.keys import Place, keys_at
from acquire.ui.screens.held import HeldKeys
from acquire.ui.screens.listing import ListScreen, shortened
from acquire.ui.screens.place import PlaceScreen
from acquire.ui.widgets.fields import TextField
from acquire.ui.widgets.lines import KeyLine

MOST_OF_A_NAME = 80
DIGITS = tuple("123456789")


class PickScreen(ListScreen[int | None]):
    """One of several lines; the answer is its index."""

    place: Place = "list"

    def __init__(self, title: str, lines: Sequence[str], marked: int = 0) -> None:
        super().__init__(title)
        self._lines = list(lines)
        self.marked = marked

    def lines(self) -> list[str]:
        """With the digit that picks at once."""
        return [f"{i + 1 if i < 9 else ' '}  {line}" for i, line in enumerate(self._lines)]

    def beneath(self) -> list[str]:
        """Where lines do not fit, the marked one in full."""
        room = self.across - 8
        if all(len(line) <= room for line in self._lines):
            return []
        in_full = [textwrap.wrap(line, room) if len(line) > room else [] for line in self._lines]
        # the room for it does not change with the line
        rows = ["", *in_full[self.marked]]
        return [f"     {row}".rstrip() for row in [*rows, *[""] * (1 + max(map(len, in_full)) - len(rows))]]

    def perform(self, pressed: str) -> bool:
        """Digits pick at once; the table has the rest."""
        if pressed in DIGITS and int(pressed) <= len(self._lines):
            self.dismiss(int(pressed) - 1)
            return True
        return super().perform(pressed)

    def scanned(self, text: str) -> None:
        """A code that is the beginning of one line picks it, such as a template's name on a card at the bench."""
        meant = [i for i, line in enumerate(self._lines) if _begins(line, text)]
        if len(meant) == 1:
            self.dismiss(meant[0])
        else:
            super().scanned(text)

    def action_line(self, index: int) -> None:
        """A line was tapped."""
        self.dismiss(index)

    def do_pick(self) -> None:
        """The marked line."""
        self.dismiss(self.marked)


def _begins(line: str, text: str) -> bool:
    """Whether a line begins with these words, and not within one."""
    return f"{line.casefold()} ".startswith(f"{text.casefold()} ")


class AskScreen(HeldKeys[bool | None], ModalScreen[bool | None]):
    """A question where the big key means no: only ``y`` goes ahead."""

    place: Place = "question"

    def __init__(self, question: str, what_yes_does: str, what_no_does: str) -> None:
        super().__init__()
        self.question = question
        self._answers = {"yes": what_yes_does, "no": what_no_does}

    def compose(self) -> ComposeResult:
        with Vertical(classes="box"):
            yield Static(f"! {self.question}", classes="box-title")
            keys = KeyLine()
            keys.show([key for key in keys_at("question") if key.action in self._answers], self._answers)
            yield keys

    def scanned(self, text: str) -> None:
        """A code is no answer."""
        said = f"! {self.question} {shortened(text)} is no answer."
        self.query_one(".box-title", Static).update(Content(said))

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
            yield TextField(self._value, "", lambda event: self.perform(event.key), id="name")
            yield KeyLine(keys_at("name"))

    def on_mount(self) -> None:
        """Type at once."""
        self.query_one("#name", TextField).focus()

    def on_text_field_help_asked(self) -> None:
        """Help from an empty field."""
        self.do_help()

    def do_keep(self) -> None:
        """The text, unless it is empty."""
        text = self.query_one("#name", TextField).value.strip()
        if text:
            self.dismiss(text[:MOST_OF_A_NAME])
