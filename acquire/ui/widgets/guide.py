"""The one sentence at the top: what to do now, as large as it fits, and why not yet."""

import textwrap

from acquire.ui.look import Tone
from acquire.ui.saying import Saying
from acquire.ui.widgets.canvas import Canvas, Line, clip
from acquire.ui.widgets.numeral import letter_lines

STYLES: dict[Tone, str] = {
    "rest": "bold $foreground on $panel",
    "move": "bold $on-act on $act-fill",
    "hold": "bold $good on $panel",
    "trouble": "bold $on-bad on $bad",
    "taken": "bold $on-good on $good",
}


class GuidePanel(Canvas):
    """Paints one :class:`Saying` over its whole area."""

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.saying = Saying("", "rest", "·")

    def show(self, saying: Saying) -> None:
        """Say this from now on."""
        self.saying = saying
        self.changed(saying)

    def paint(self, width: int, height: int) -> list[Line]:
        saying = self.saying
        style = STYLES[saying.tone]
        # two edges of three, and the blank before the text
        room, lines_for = width - 7, height - 1
        lines = _large(saying.sentence, room, lines_for) if lines_for >= 3 else None
        if lines is None:
            lines = textwrap.wrap(saying.sentence, room) or [""]
            if len(lines) > height:
                lines = [*lines[: height - 1], lines[height - 1][: room - 1] + "…"]
        spare = height - len(lines)
        beneath = [saying.beneath] if saying.beneath and spare > 0 else []
        above = (spare - len(beneath) + 1) // 2
        edge = f" {saying.glyph} "
        rows = [""] * above + lines
        rows += [""] * (height - len(rows) - len(beneath))
        plain = style.replace("bold ", "")
        painted: list[Line] = []
        for text, its in [(row, style) for row in rows] + [(row, plain) for row in beneath]:
            padded = f" {text}".ljust(width - 6)
            painted.append([(edge, style), *clip([(padded, its)], width - 6), (edge, style)])
        return painted


def _large(sentence: str, room: int, rows: int) -> list[str] | None:
    """In block letters, or at least what is to be done, with the reason beneath; None when neither fits."""
    whole = letter_lines(sentence, room, rows)
    first, colon, reason = sentence.partition(": ")
    if whole is not None or not reason:
        return whole
    beneath = textwrap.wrap(reason, room)
    large = letter_lines(first + colon.rstrip(), room, rows - len(beneath))
    return None if large is None else [*large, *beneath]
