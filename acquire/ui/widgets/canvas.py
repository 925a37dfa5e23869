"""A widget that paints rows of styled text and repaints only when what it shows has changed."""

from collections.abc import Sequence

from textual.content import Content
from textual.widget import Widget

Span = tuple[str, str]
Line = Sequence[Span]


class Canvas(Widget):
    """Base of the drawn widgets: ``paint`` gives the rows for a size, ``changed`` asks for a repaint."""

    DEFAULT_CSS = "Canvas { width: 1fr; height: 1fr; }"

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: object = None
        self.paints = 0

    def changed(self, shown: object) -> bool:
        """Repaint if ``shown`` differs from what was painted last; whether it did."""
        if shown == self._shown:
            return False
        self._shown = shown
        self.refresh()
        return True

    def paint(self, width: int, height: int) -> Sequence[Line]:
        """The rows, each a sequence of (text, style)."""
        raise NotImplementedError

    def render(self) -> Content:
        """The painted rows as Textual wants them."""
        self.paints += 1
        rows = self.paint(self.size.width, self.size.height)
        return Content("\n").join([Content.assemble(*[(text, style) for text, style in row]) for row in rows])


def width_of(line: Line) -> int:
    """Cells taken by a row (every character used here is one cell wide)."""
    return sum(len(text) for text, _ in line)


def spread(left: Line, right: Line, width: int) -> list[Span]:
    """``left`` and ``right`` at the two ends of a row; the right one gives way."""
    room = width - width_of(left) - width_of(right)
    if room < 1:
        return clip(left, width)
    return [*left, (" " * room, ""), *right]


def clip(line: Line, width: int) -> list[Span]:
    """A row cut to ``width``, with an ellipsis where something is lost."""
    if width_of(line) <= width:
        return list(line)
    cut: list[Span] = []
    room = width - 1
    for text, style in line:
        cut.append((text[: max(0, room)], style))
        room -= len(text)
        if room < 0:
            break
    return [*cut, ("…", cut[-1][1])] if width > 0 else []


def centre(line: Line, width: int) -> list[Span]:
    """A row in the middle of ``width``."""
    line = clip(line, width)
    return [(" " * ((width - width_of(line)) // 2), ""), *line]
