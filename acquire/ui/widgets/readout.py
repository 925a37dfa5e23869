"""One big number: what it is, its unit, the figure, its state in word, shape and colour, its age."""

from acquire.ui.look import Look, ReadOut
from acquire.ui.widgets.canvas import Canvas, Line, centre, spread, width_of
from acquire.ui.widgets.numeral import figure_rows

STYLES: dict[Look, str] = {
    "live": "$foreground",
    "off": "bold $act",
    "settling": "bold $act",
    "settled": "bold $good",
    "stale": "$bad",
    "lost": "bold $bad",
}

CALM_S = 0.25
# a figure that was below zero keeps the room of its sign for so long: its size does not flicker with the sign
SIGN_S = 5.0


class ReadOutPanel(Canvas):
    """Paints one :class:`ReadOut`."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.out = ReadOut("", "", "", "lost", "")
        self._shown_s = self._below_zero_s = -1e9

    def show(self, out: ReadOut, now_s: float) -> None:
        """Show this from now on; a figure that only flickers waits for its turn, so that it can be read."""
        calm = out.look == self.out.look and out.target == self.out.target and not out.in_hand
        if out == self.out or (calm and now_s - self._shown_s < CALM_S):
            return
        self.out, self._shown_s = out, now_s
        if out.figure.startswith("-"):
            self._below_zero_s = now_s
        self.changed(out)

    def paint(self, width: int, height: int) -> list[Line]:
        out, style = self.out, STYLES[self.out.look]
        inner = max(1, width - 1)
        mark = "▶" if out.in_hand else ""
        name = "bold $on-act on $act-fill" if out.in_hand else "bold"
        aim: Line = [(f"to {out.target}", "bold")] if out.target else []
        origin: Line = [(f" {out.origin[:3]}", "$bad")] if out.origin else []
        # what gives way first: the long name, then the origin, which the banner says as well
        long, short = out.label, out.label.rpartition(" ")[2]
        fitting = [
            label
            for name_shown, its in ((long, origin), (short, origin), (short, []))
            if width_of(label := [(f"{mark}{name_shown} ", name), (out.unit, "bold"), *its]) + width_of(aim) < inner
        ]
        head = spread(fitting[0] if fitting else [(f"{mark}{short} ", name), (out.unit, "bold")], aim, inner)
        state: Line = [(f"{out.glyph} {out.word}", style)]
        foot = spread(state, [(out.age, "$bad bold" if out.look in ("stale", "lost") else "$faint")], inner)
        room = height - 2
        signed = self._shown_s - self._below_zero_s < SIGN_S and not out.figure.startswith("-")
        text = f" {out.figure}" if signed else out.figure
        figures = figure_rows(text, inner, room, hatched=out.look == "stale") if out.figure else []
        if out.figure and not figures:
            figures = [out.figure]
        if not out.figure:
            figures = ["─ ─ ─ ─"]
        above = (room - len(figures)) // 2
        rows: list[Line] = [head]
        rows += [[] for _ in range(above)]
        rows += [centre([(row, style)], inner) for row in figures]
        rows += [[] for _ in range(room - above - len(figures))]
        return [*rows, foot]
