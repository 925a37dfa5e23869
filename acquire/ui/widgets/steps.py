"""The schedule: each step, its state, the point in force and how it was taken."""

from dataclasses import dataclass
from typing import Literal

from acquire.ui.widgets.canvas import Canvas, Line, Span, clip, spread

RowState = Literal["open", "now", "taken", "skipped"]
_GLYPHS: dict[RowState, str] = {"open": "○", "now": "▶", "taken": "●", "skipped": "–"}


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step in words. ``takes`` counts all takes, the last one is shown."""

    number: int
    aim: str
    state: RowState
    flow: str = ""
    how: str = ""
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
        view = self.view
        taken = sum(row.state == "taken" or bool(row.takes) for row in view.rows)
        count: Line = [(f"{taken} of {len(view.rows)} taken", "$faint")] if view.rows else []
        painted: list[Line] = [spread([(view.title, "bold")], count, width - 2)]
        room = height - 1
        focus = view.chosen if view.chosen is not None else view.now or 0
        start = max(0, min(focus - room // 2, len(view.rows) - room))
        shown = view.rows[start : start + room]
        painted += [self._row(start + i, row, width - 2) for i, row in enumerate(shown)]
        return painted

    def _row(self, index: int, row: StepRow, width: int) -> Line:
        view = self.view
        style = {"open": "$faint", "now": "bold $act", "taken": "$foreground", "skipped": "$faint"}[row.state]
        if index == view.flashing:
            style = "bold $on-good on $good"
        elif index == view.chosen:
            style = "bold $on-act on $act-fill"
        elif index == view.doubted:
            style = "bold $act"
        sign = "◇" if row.by_hand and row.state == "taken" else _GLYPHS[row.state]
        sign = "↻" if index == view.chosen else "?" if index == view.doubted else sign
        left: list[Span] = [(f"{sign} {row.number:>2}  {row.aim:>7} ", style)]
        words = row.flow or {"open": "", "now": "now", "taken": "", "skipped": "skipped"}[row.state]
        left.append((f"{words:<14}", style))
        if any(its.off for its in view.rows):
            left.append((f"{row.off:>7}  ", style))
        again = f", take {row.takes}" if row.takes > 1 else ""
        left.append((f"{row.how}{again}", style))
        if width > 66 and row.held:
            left.append((f"   {row.held}", style))
        if width > 66 and row.earlier:
            left.append((f"   before: {row.earlier}", style))
        line = clip(left, width)
        filled = sum(len(text) for text, _ in line)
        return [*line, (" " * (width - filled), style if " on " in style else "")]
