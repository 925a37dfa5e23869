"""The schedule: each step, its state, the point in force and how it was taken."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.ui.widgets.canvas import Canvas, Line, Span, clip, spread, tapped, width_of, window

RowState = Literal["open", "now", "taken", "skipped"]
_GLYPHS: dict[RowState, str] = {"open": "○", "now": "▶", "taken": "●", "skipped": "–"}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step in words. ``takes`` counts all takes, the last one is shown; ``how`` in words, the plainest first."""

    number: int
    aim: str
    state: RowState
    flow: str = ""
    how: tuple[str, ...] = ()
    by_hand: bool = False
    takes: int = 0
    earlier: str = ""
    held: str = ""
    off: str = ""


@dataclass(frozen=True, slots=True)
class StepsView:
    """The table: heading, rows, the row to be taken again, the row that flashes, the row that is out of line."""

    title: str
    unit: str
    rows: tuple[StepRow, ...]
    chosen: int | None = None
    flashing: int | None = None
    now: int | None = None
    doubted: int | None = None


class StepTable(Canvas):
    """Paints the rows around the present step: the work does not grow with the schedule."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.view = StepsView("", "", ())

    def show(self, view: StepsView) -> None:
        """Show this from now on."""
        self.view = view
        self.changed(view)

    def paint(self, width: int, height: int) -> list[Line]:
        view, room = self.view, width - 1
        taken = sum(row.state == "taken" or bool(row.takes) for row in view.rows)
        count = f"{taken} of {len(view.rows)} taken" if view.rows else ""
        if len(view.title) + len(count) >= room - 1:
            count = count.removesuffix(" taken")
        focus = view.chosen if view.chosen is not None else view.now or 0
        shown = window(focus, len(view.rows), max(1, height - 1))
        painted: list[Line] = [spread([(view.title, "bold")], [(count, "$faint")], room - 1)]
        for index in shown:
            above = shown.start if index == shown.start else 0
            below = len(view.rows) - shown.stop if index == shown.stop - 1 else 0
            painted.append(self._row(index, room, above, below))
        return painted

    def _row(self, index: int, width: int, above: int, below: int) -> Line:
        view, row = self.view, self.view.rows[index]
        style = {"open": "$faint", "now": "bold $act", "taken": "$foreground", "skipped": "$faint"}[row.state]
        if index == view.flashing:
            style = "bold $on-good on $good"
        elif index == view.chosen:
            style = "bold $on-act on $act-fill"
        elif index == view.doubted:
            style = "bold $act"
        sign = "◇" if row.by_hand and row.state == "taken" else _GLYPHS[row.state]
        sign = "↻" if index == view.chosen else "?" if index == view.doubted else sign
        left: list[Span] = [(f"{sign} {row.number:>2}  {row.aim:>6} ", style)]
        words = row.flow or {"open": "", "now": "now", "taken": "", "skipped": "skipped"}[row.state]
        left.append((f"{words:<12} ", style))
        if any(its.off for its in view.rows):
            left.append((f"{row.off:>7} ", style))
        least = len(row.how[-1]) if row.how else 0
        hidden = hidden_said(above, below, width - width_of(left) - least - 2)
        room = width - len(hidden) - 2 if hidden else width
        left.append((fitting(row.how, room - width_of(left)), style))
        for more in (f"   {row.held}" if row.held else "", f"   before: {row.earlier}" if row.earlier else ""):
            if width_of(left) + len(more) <= room:
                left.append((more, style))
        line = spread(clip(left, room), [(hidden, "$faint")], width - 1) if hidden else clip(left, width)
        filled = width_of(line)
        ground = style if " on " in style else ""
        painted: list[Span] = [*line, (" " * (width - filled), ground)]
        return tapped(painted, f"screen.line({index})")


def hidden_said(above: int, below: int, room: int) -> str:
    """How many rows are out of sight, in the room there is: in words or as a sign and a number."""
    long = [f"▴ {above} more above" if above else "", f"▾ {below} more below" if below else ""]
    short = [f"▴{above}" if above else "", f"▾{below}" if below else ""]
    said = "  ".join(filter(None, long))
    return said if len(said) < room else " ".join(filter(None, short))


def fitting(words: Sequence[str], room: int) -> str:
    """The words that fit: the plainest, which the row's sign says too, gives way first."""
    for left_out in range(len(words)):
        said = ", ".join(words[left_out:])
        if len(said) <= room:
            return said
    return words[-1] if words else ""
