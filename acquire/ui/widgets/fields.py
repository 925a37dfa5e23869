"""Fields of a form that never need a mouse: a line of text, a choice, the bar that begins."""

from collections.abc import Callable, Sequence

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

# characters of a line: more is a code or a paste gone astray
MOST = 300
# what edits the line, by its key
_EDITS = {key: its.action for its in Input.BINDINGS if isinstance(its, Binding) for key in its.key.split(",")}


class TextField(Input):
    """A line of text; ``?`` asks for help while nothing is typed.

    Every key acts in the order in which it was typed, however fast: ``take`` is
    the screen's use for a key that is no character, and says whether it has one.
    """

    def __init__(self, value: str, placeholder: str, take: Callable[[events.Key], bool], *, id: str) -> None:
        super().__init__(value, placeholder, id=id, select_on_focus=True, max_length=max(MOST, len(value)))
        self.cursor_blink = False
        self._take = take

    class HelpAsked(Message):
        """``?`` was pressed in an empty field."""

    async def on_key(self, event: events.Key) -> None:
        """Before the line itself gets the key."""
        focused = self.screen.focused
        if focused is not None and focused is not self:
            # typed before this field was left, but after the key that left it
            again = events.Key(event.key, event.character)
            again.time = event.time
            focused.post_message(again)
        elif event.key == "question_mark" and not self.value:
            self.post_message(self.HelpAsked())
        elif event.is_printable:
            return
        elif not self._take(event):
            if event.key not in _EDITS:
                return
            await self.run_action(_EDITS[event.key])
        event.stop()
        event.prevent_default()


class ChoiceField(Widget, can_focus=True):
    """One of a few words, changed by left and right."""

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
        """Left and right turn the choice."""
        by = {"left": -1, "right": 1}.get(event.key)
        if by is not None:
            event.stop()
            self.turn(by)

    def on_click(self, event: events.Click) -> None:
        """A tap turns it too: to the word before on its first arrow, else to the next."""
        event.stop()
        self.focus()
        self.turn(-1 if event.x <= len(" ◂") else 1)

    def turn(self, by: int) -> None:
        """So many words on, around the end."""
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
        """Begin: it was tapped."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.what = self.summary = ""

    def show(self, what: str, summary: str) -> None:
        """What would be begun, and of what."""
        self.what, self.summary = what, summary
        self.refresh()

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
