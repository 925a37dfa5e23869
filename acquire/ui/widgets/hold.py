"""The last half minute of one channel against its band."""

from dataclasses import dataclass

from acquire.lifts import inside
from acquire.ui.watch import SPAN_S, History
from acquire.ui.widgets.canvas import Canvas, Line, Span, clip, spread, width_of
from acquire.ui.widgets.plot import Dots

# the band takes the middle of the height, so that leaving it shows
_BAND_SHARE = 0.5
# label, mark and a blank at the right
_GUTTER = 10
# so many columns without a sample are no gap
_BRIDGED = 4


@dataclass(frozen=True, slots=True)
class Strip:
    """What is drawn besides the samples, in the display unit; ``old``: nobody says what it is now."""

    title: str
    short: str
    target: float | None
    band: float
    digits: int
    scale: float
    old: bool = False


class HoldPlot(Canvas):
    """Time runs to the right and ends now; rows inside the band are marked at the left."""

    def __init__(self, history: History, *, id: str) -> None:
        super().__init__(id=id)
        self._history = history
        self.strip = Strip("", "", None, 1.0, 2, 1.0)

    def show(self, strip: Strip) -> None:
        """Show these settings and the samples there are now; nothing is painted before the next column begins."""
        self.strip = strip
        newest = self._history.samples[-1][0] if self._history.samples else 0.0
        column = int(newest / SPAN_S * self._dots_across())
        self.changed((strip, column, bool(self._history.samples), self._held_s() is None))

    def _dots_across(self) -> int:
        return max(1, 2 * (self.size.width - _GUTTER))

    def paint(self, width: int, height: int) -> list[Line]:
        strip, samples = self.strip, self._history.samples
        rows, columns = height - 1, width - _GUTTER
        if rows > 2:
            # an odd number, so that the target has a row of its own between the edges of its band
            rows -= 1 - rows % 2
        if rows < 1 or columns < 4:
            return []
        values = [value / strip.scale for _, value in samples if value is not None]
        middle, reach = self._range(values)
        low, high = middle - reach, middle + reach
        dots = Dots(columns, rows)
        newest = samples[-1][0] if samples else 0.0
        per_dot = SPAN_S / dots.width
        # the columns stay where they are in time, so that a curve moves left whole and does not shimmer
        first = int(newest / per_dot) - dots.width + 1
        spans: dict[int, tuple[int, int]] = {}
        before: int | None = None
        column = 0
        beyond: dict[tuple[int, int], str] = {}
        for t_s, value in samples:
            if value is None:
                before = None
                continue
            x = int(t_s / per_dot) - first
            shown = value / strip.scale
            if not low <= shown <= high:
                # off the drawing: which way to trim is all that it can say
                level, sign, edge = (0, "▴", 0) if shown > high else (rows - 1, "▾", dots.height - 1)
                first_off = column + 1 if before == edge and x - column <= _BRIDGED else x
                beyond |= dict.fromkeys(((level, off // 2) for off in range(first_off, x + 1)), sign)
                before, column = edge, x
                continue
            y = round((dots.height - 1) * (high - shown) / (high - low))
            reached = (y, y) if before is None else (min(y, before), max(y, before))
            known = spans.get(x, reached)
            spans[x] = (min(known[0], reached[0]), max(known[1], reached[1]))
            if before is not None and x - column <= _BRIDGED:
                # samples that come slower than the columns still make one line
                spans |= dict.fromkeys(range(column + 1, x), (before, before))
            before, column = y, x
        for x, (upper, lower) in spans.items():
            for y in range(upper, lower + 1):
                dots.dot(x, y)
        held_s = self._held_s()
        style = "$faint" if strip.old else "$good" if held_s is not None else "$act"
        painted: list[Line] = [self._title(bool(values), held_s, width)]
        for level, (label, mark, row) in enumerate(zip(*self._labels(rows, low, high), dots.text(), strict=True)):
            at_edge = mark in "┌└"
            filled: list[Span] = [(f"{label:>8}", "$faint"), (mark, "bold" if at_edge else "$faint")]
            signs = [beyond.get((level, column), sign) for column, sign in enumerate(row)]
            filled.append(("".join(signs).replace(" ", "┄") if at_edge else "".join(signs), style))
            painted.append(filled)
        return painted

    def _held_s(self) -> float | None:
        """For how long without a break the samples lay in the band up to now; None when the last one does not."""
        strip, samples = self.strip, self._history.samples
        since: float | None = None
        for t_s, value in reversed(samples):
            if value is None or (
                strip.target is not None and not inside(value / strip.scale - strip.target, strip.band)
            ):
                break
            since = t_s
        return None if since is None else samples[-1][0] - since

    def _range(self, values: list[float]) -> tuple[float, float]:
        strip = self.strip
        if strip.target is not None and strip.band > 0:
            return strip.target, strip.band / _BAND_SHARE
        if not values:
            return 0.0, 1.0
        middle = (max(values) + min(values)) / 2
        return middle, max((max(values) - min(values)) * 0.6, 5 * 10**-strip.digits)

    def _labels(self, rows: int, low: float, high: float) -> tuple[list[str], list[str]]:
        strip = self.strip
        labels, marks = [""] * rows, ["│"] * rows
        if strip.target is None or rows < 3:
            if rows:
                labels[0], labels[-1] = f"{high:.{strip.digits}f}", f"{low:.{strip.digits}f}"
            return labels, marks

        def row_of(value: float) -> int:
            return min(rows - 1, int(rows * (high - value) / (high - low)))

        for value, mark in ((strip.target, "┤"), (strip.target + strip.band, "┌"), (strip.target - strip.band, "└")):
            labels[row_of(value)], marks[row_of(value)] = f"{value:.{strip.digits}f}", mark
        return labels, marks

    def _title(self, drawn: bool, held_s: float | None, width: int) -> list[Span]:
        strip = self.strip
        said: Line = []
        if strip.target is not None and drawn:
            said = [("◇ outside", "$act")] if held_s is None else [(f"● in the band for {held_s:.0f} s", "$good")]
            if held_s is not None and held_s > SPAN_S - 1:
                said = [("● in the band throughout", "$good")]
        if drawn and self._history.samples[-1][1] is None:
            said = [("▒ no reading", "bold $bad")]
        if strip.old:
            said = [("▒ OLD", "bold $bad")]
        title: Line = [(strip.title, "bold")]
        if width_of(title) + width_of(said) + 2 > width:
            title = [(strip.short, "bold")]
        return clip(spread(title, said, width - 1), width)
