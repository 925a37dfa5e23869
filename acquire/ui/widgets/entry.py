"""The field for a value that is typed: what it holds, and how it looks."""

from dataclasses import dataclass

from acquire.records import Frame
from acquire.ui.widgets.canvas import Span
from acquire.ui.widgets.lines import TextLine
from acquire.ui.words import age
from drivers.typed import LAYOUTS

# what begins a value without any key before it; signs and letters alone stay keys of the bench
BEGINS = frozenset("0123456789.,") | frozenset("".join(LAYOUTS.values())) - frozenset("+-")
MOST = 60


def begins(character: str) -> bool:
    """Whether a key alone begins a value: a digit, full-width too, or what a digit's key sends elsewhere."""
    return character in BEGINS or "\uff0c" <= character <= "\uff0e" or "\uff10" <= character <= "\uff19"


@dataclass(slots=True)
class Entry:
    """What is in the field, and for which channel and step.

    ``fault``: why it was refused; the next character then begins anew, and
    Backspace goes on with the text. ``again``: a channel to be typed again
    instead of the one that is asked for.
    """

    text: str = ""
    fault: str = ""
    again: str = ""
    sending: bool = False
    of: tuple[str, object] = ("", None)

    def key(self, character: str, of: tuple[str, object]) -> None:
        """One more character."""
        if self.fault or not self.text:
            self.text, self.fault, self.of = "", "", of
        self.text = (self.text + character)[:MOST]

    def back(self) -> None:
        """Take the last character away."""
        self.text, self.fault = self.text[:-1], ""

    def clear(self) -> None:
        """Empty, for what is asked for."""
        self.text = self.fault = self.again = ""
        self.sending = False


class EntryLine(TextLine):
    """A row under the sentence at the top, two with a reason; not there while nothing is asked for."""

    DEFAULT_CSS = "EntryLine { height: 1; display: none; background: $panel; }"

    def tell(self, entry: Entry, channel: str, unit: str, frame: Frame | None) -> None:
        """Show the field for ``channel``, or nothing where that is empty."""
        self.display = bool(channel)
        if not channel:
            return
        name = channel.replace("_", " ")
        reading = frame.readings.get(channel) if frame is not None else None
        before = f"typed {reading.number:g} {age(reading.age_s)}" if reading and reading.number is not None else ""
        field: list[Span] = [
            (f" type {name}, {unit} ", "bold"),
            (f" {entry.text}{'…' if entry.sending else '▏'}", "bold $on-act on $act-fill"),
        ]
        hint = "Enter sends, Esc clears" if entry.text else "digits, then Enter"
        first = [*field, (f"  {hint}", "$faint")]
        # why a value was refused has a row of its own, since it must be read whole
        reason = [[(f" ! {entry.fault}", "bold $bad")]] if entry.fault else []
        self.styles.height = 1 + len(reason)
        self.show(first, *reason, right=[(f"{before} ", "$faint")])
