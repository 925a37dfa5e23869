"""Fields of a form that never need a mouse: a line of text, a choice, the bar that begins."""

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static


class TextField(Input):
    """A line of text; ``?`` asks for help while nothing is typed."""

    def __init__(self, value: str, placeholder: str, *, id: str) -> None:
        super().__init__(value, placeholder, id=id, select_on_focus=True)
        self.cursor_blink = False

    class HelpAsked(Message):
        """``?`` was pressed in an empty field."""

    def on_key(self, event: events.Key) -> None:
        """Before the line itself gets the key."""
        if event.key == "question_mark" and not self.value:
            event.stop()
            event.prevent_default()
            self.post_message(self.HelpAsked())


class ChoiceField(Widget, can_focus=True):
    """One of a few words, changed by left, right or space."""

    class Changed(Message):
        """Another word was chosen."""

        def __init__(self, field: "ChoiceField") -> None:
            super().__init__()
            self.field = field

    def __init__(self, options: Sequence[str], value: str, *, id: str) -> None:
        super().__init__(id=id)
        self.options = tuple(options)
        self.value = value if value in self.options else self.options[0]

    def choose(self, value: str) -> None:
        """Show this word, without telling anybody."""
        if value in self.options:
            self.value = value
            self.refresh()

    def on_key(self, event: events.Key) -> None:
        """Left, right and space turn the choice."""
        by = {"left": -1, "right": 1, "space": 1}.get(event.key)
        if by is not None:
            event.stop()
            self._turn(by)

    def on_click(self, event: events.Click) -> None:
        """A tap turns it too: to the word before on its first arrow, else to the next."""
        event.stop()
        self.focus()
        self._turn(-1 if event.x <= len(" ◂") else 1)

    def _turn(self, by: int) -> None:
        self.choose(self.options[(self.options.index(self.value) + by) % len(self.options)])
        self.post_message(self.Changed(self))

    def render(self) -> Content:
        """The word between arrows, and how many there are."""
        named = [word for word in self.options if word]
        place = f"{named.index(self.value) + 1} of " if self.value else "one of "
        count = f"  {place}{len(named)}" if self.has_focus else ""
        return Content.assemble(("◂ ", "$faint"), (self.value or "choose", "bold"), (" ▸", "$faint"), (count, "$faint"))


class BeginBar(Widget, can_focus=True):
    """The last stop: Enter or the foot switch begins the pull."""

    class Pressed(Message):
        """Begin."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.what = self.summary = ""

    def show(self, what: str, summary: str) -> None:
        """What would be begun, and of what."""
        self.what, self.summary = what, summary
        self.refresh()

    def on_key(self, event: events.Key) -> None:
        """The big key."""
        if event.key in ("enter", "space", "pagedown"):
            event.stop()
            self.post_message(self.Pressed())

    def on_click(self, event: events.Click) -> None:
        """A tap."""
        event.stop()
        self.post_message(self.Pressed())

    def render(self) -> Content:
        """What the big key does, and to what."""
        word = f" Enter: BEGIN THE {self.what.upper()} " if self.has_focus else f" F2: begin the {self.what} "
        return Content.assemble((word, "bold"), f"  {self.summary}")


class Row(Vertical):
    """A label, its field, and beneath it the one sentence that says what is wrong."""

    def __init__(self, name: str, label: str, field: Widget) -> None:
        super().__init__(id=f"row-{name}", classes="row")
        self._label, self._field = label, field

    def compose(self) -> ComposeResult:
        with Horizontal(classes="pair"):
            yield Static(self._label, classes="label")
            yield self._field
        yield Static("", classes="fault")

    def rename(self, label: str) -> None:
        """Another label."""
        self.query_one(".label", Static).update(label)

    def say(self, sentence: str) -> None:
        """Say what is wrong, or nothing."""
        fault = self.query_one(".fault", Static)
        fault.update(Content(f"! {sentence}" if sentence else ""))
        fault.display = bool(sentence)
