"""Single rows: the head line and the keys that do something now."""

from collections.abc import Sequence

from acquire.ui.keys import Key, Place, keys_at
from acquire.ui.widgets.canvas import Canvas, Line, Span, clip, spread, tapped, width_of

HELP: Line = (("?", "bold $act"), (" help ", ""))


class TextLine(Canvas):
    """Styled text, changed as a whole."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.rows: tuple[tuple[Span, ...], ...] = ()
        self.right: tuple[Span, ...] = ()

    def show(self, *rows: Sequence[Span], right: Sequence[Span] = ()) -> None:
        """Show these rows; ``right`` ends the first one."""
        self.rows, self.right = tuple(tuple(row) for row in rows), tuple(right)
        self.changed((self.rows, self.right))

    @property
    def plain(self) -> str:
        """What is shown, without styles."""
        return "\n".join("".join(text for text, _ in row) for row in self.rows)

    def paint(self, width: int, height: int) -> list[Line]:
        painted: list[Line] = [clip(row, width) for row in self.rows[:height]]
        if painted and self.right:
            painted[0] = spread(painted[0], self.right, width)
        return painted


def key_spans(keys: Sequence[Key], words: dict[str, str], width: int, before: str = "") -> list[Span]:
    """``before``, then keys and words, as many as fit; the way out and help always have their place at the end."""
    last = [key for key in keys if key.keys[0] == "escape"]
    tail = [span for key in last for span in _key_span(key, words)] + tapped(HELP, "app.tap('f1')")
    room = width - width_of(tail)
    spans: list[Span] = []
    if before:
        before = before[: room - 24]
        spans.append((f"{before}  ", "bold $on-act on $act-fill"))
        room -= len(before) + 2
    for key in keys:
        if not key.in_line or key.action == "help" or key in last:
            continue
        its = _key_span(key, words)
        if width_of(its) > room:
            break
        spans += its
        room -= width_of(its)
    return [*spans, *tail]


def _key_span(key: Key, words: dict[str, str]) -> list[Span]:
    """A key and its word, tapped as well as pressed."""
    return tapped([(key.shown, "bold $act"), (f" {words.get(key.action, key.word)}  ", "")], f"app.tap('{key.tapped}')")


class KeyLine(Canvas):
    """Keys that do something now; what is shown is tapped over the whole height, which a browser makes larger."""

    def __init__(self, keys: Sequence[Key] = (), *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._keys, self._words, self._before = tuple(keys), dict[str, str](), ""

    def show(self, keys: Sequence[Key], words: dict[str, str], before: str = "") -> None:
        """Show these from now on; ``words``: what a key means where that is not its usual word."""
        self._keys, self._words, self._before = tuple(keys), words, before
        self.changed((self._keys, tuple(words.items()), before))

    def paint(self, width: int, height: int) -> list[Line]:
        words = key_spans(self._keys, self._words, width, self._before)
        blank: Line = [(" " * len(text), style.replace("bold $on-act", "")) for text, style in words]
        return [words if y == height // 2 else blank for y in range(height)]


class KeyBar(KeyLine):
    """The keys of a place, at the bottom of its screen."""

    def __init__(self, place: Place) -> None:
        super().__init__(keys_at(place), classes="key-bar")
