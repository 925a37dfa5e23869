"""A widget that paints rows of styled text and repaints only when what it shows has changed."""

from collections.abc import Sequence
from itertools import zip_longest

from rich.segment import Segment
from rich.style import Style as RichStyle
from textual.geometry import Region
from textual.strip import Strip
from textual.style import Style
from textual.widget import Widget

Span = tuple[str, str]
Line = Sequence[Span]


class Canvas(Widget):
    """Base of the drawn widgets: ``paint`` gives the rows for a size, ``changed`` repaints the rows that differ."""

    DEFAULT_CSS = "Canvas { width: 1fr; height: 1fr; }"

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: object = None
        self._rows: list[tuple[Span, ...]] = []
        self._painted_size: tuple[int, int] | None = None
        self._styles_known: dict[str, RichStyle] = {}
        self.paints = 0

    def changed(self, shown: object) -> bool:
        """Repaint if ``shown`` differs from what was painted last; whether it did."""
        if shown == self._shown:
            return False
        self._shown = shown
        if self._painted_size is not None and self._painted_size == self._inner_size():
            before = self._rows
            self._paint_all()
            width = self.size.width
            differ = [y for y, rows in enumerate(zip_longest(before, self._rows)) if rows[0] != rows[1]]
            if differ:
                self.refresh(*[Region(0, y, width, 1) for y in differ])
        else:
            self._painted_size = None
            self.refresh()
        return True

    def paint(self, width: int, height: int) -> Sequence[Line]:
        """The rows, each a sequence of (text, style)."""
        raise NotImplementedError

    def _inner_size(self) -> tuple[int, int]:
        return self.size.width, self.size.height

    def _paint_all(self) -> None:
        self._painted_size = self._inner_size()
        self.paints += 1
        self._rows = [tuple(row) for row in self.paint(*self._painted_size)]

    def notify_style_update(self) -> None:
        """Other colours: the same rows in other styles."""
        super().notify_style_update()
        self._styles_known.clear()

    def _rich(self, style: str) -> RichStyle:
        known = self._styles_known.get(style)
        if known is None:
            own = self.visual_style
            known = (own + Style.parse(style, self.app.theme_variables)).rich_style if style else own.rich_style
            self._styles_known[style] = known
        return known

    def render_line(self, y: int) -> Strip:
        """One painted row as Textual wants it."""
        if self._painted_size != self._inner_size():
            self._paint_all()
        row = self._rows[y] if y < len(self._rows) else ()
        strip = Strip([Segment(text, self._rich(style)) for text, style in row if text], width_of(row))
        return strip.adjust_cell_length(self.size.width, self._rich(""))


def tapped(line: Line, action: str) -> list[Span]:
    """A row that does ``action`` where it is tapped, whatever else it shows."""
    return [(text, f"{style} @click={action}".lstrip()) for text, style in line]


def window(focus: int, count: int, room: int) -> range:
    """Which of ``count`` rows are shown where there is room for fewer: those around ``focus``."""
    start = max(0, min(focus - room // 2, count - room))
    return range(start, min(count, start + room))


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
