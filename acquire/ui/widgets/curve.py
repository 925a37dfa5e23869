"""The curve of the pull as it grows: flow over lift (or over test pressure), with its intervals."""

import math
from dataclasses import dataclass

from acquire.ui.widgets.canvas import Canvas, Line, Span, spread, width_of
from acquire.ui.widgets.plot import Dots


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One point in display units; ``half`` is the 95 % half-width."""

    x: float
    flow: float
    half: float
    settled: bool


@dataclass(frozen=True, slots=True)
class CurveView:
    """All that the curve shows; ``x_max`` is the end of the schedule, ``from_zero`` that it begins at no flow.

    ``earlier``: the takes before those in force, as (x, flow).
    """

    x_name: str
    x_unit: str
    x_digits: int
    flow_unit: str
    x_max: float
    points: tuple[CurvePoint, ...]
    doubted_x: float | None = None
    shadow: tuple[tuple[float, float], ...] = ()
    shadow_name: str = ""
    from_zero: bool = True
    earlier: tuple[tuple[float, float], ...] = ()


class CurvePlot(Canvas):
    """Points as marks on a line, filled where they settled, intervals as upright dots where they reach beyond the
    mark; earlier takes as rings beside it, an earlier pull in fewer dots.
    """

    def __init__(self, *, id: str) -> None:
        super().__init__(id=id)
        self.view = CurveView("lift", "in", 3, "cfm", 1.0, ())

    def show(self, view: CurveView) -> None:
        """Show this from now on."""
        self.view = view
        self.changed(view)

    def paint(self, width: int, height: int) -> list[Line]:
        view = self.view
        rows, columns = height - 2, width - 7
        if rows < 2 or columns < 10:
            return []
        highest = [p.flow + p.half for p in view.points] + [flow for _, flow in (*view.shadow, *view.earlier)]
        top = _round_up(max(highest, default=0.0))
        # the last column stays blank
        dots, shadow = Dots(columns - 1, rows), Dots(columns - 1, rows)
        marks: dict[tuple[int, int], tuple[str, str]] = {}

        def place(x: float, flow: float) -> tuple[int, int]:
            across = round((dots.width - 2) * x / view.x_max) if view.x_max else 0
            return across, round((dots.height - 1) * (1 - max(0.0, flow) / top))

        last = (0, dots.height - 1)
        for x, flow in view.shadow:
            here = place(x, flow)
            shadow.line(*last, *here, every=2)
            last = here
        for x, flow in view.earlier:
            across, down = place(x, flow)
            marks[down // 4, across // 2] = ("○", "$faint")
        before: tuple[int, int] | None = (0, dots.height - 1) if view.from_zero else None
        for point in view.points:
            here = place(point.x, point.flow)
            dots.line(*(before or here), *here)
            dots.line(*place(point.x, point.flow + point.half), *place(point.x, point.flow - point.half))
            doubted = point.x == view.doubted_x
            sign = "?" if doubted else "●" if point.settled else "◇"
            marks[here[1] // 4, here[0] // 2] = (sign, "bold $on-act on $act-fill" if doubted else "bold $good")
            before = here
        painted: list[Line] = [spread([(f"{view.flow_unit} over {view.x_name}", "bold")], _last(view), width)]
        for y, (row, beneath) in enumerate(zip(dots.text(), shadow.text(), strict=True)):
            label = f"{top:.0f}" if y == 0 else "0" if y == rows - 1 else f"{top / 2:.4g}" if y == rows // 2 else ""
            spans: list[Span] = [(f"{label:>5} ", "$faint"), ("│", "$faint")]
            for column, (sign, under) in enumerate(zip(row, beneath, strict=True)):
                mark = marks.get((y, column))
                spans.append(mark or ((sign, "$good") if sign != " " else (under, "$faint")))
            painted.append(spans)
        end: Line = [(f"{view.x_max:.{view.x_digits}f} {view.x_unit}", "$faint")]
        axis: list[Span] = [("      └" + "0", "$faint")]
        if view.shadow_name:
            room = width - 16 - width_of(end)
            short = view.shadow_name.partition(":")[0]
            axis.append((f"  ⠒ ⠒ {view.shadow_name if len(view.shadow_name) <= room else short}"[: room + 6], "$faint"))
        painted.append(spread(axis, end, width - 1))
        return painted


def _last(view: CurveView) -> list[Span]:
    if not view.points:
        return []
    point = view.points[-1]
    half = f"{point.half:.1f}" if point.half >= 0.05 else f"{point.half:.2f}"
    # the highest one, which need not be the newest
    return [(f"{point.x:.{view.x_digits}f}: {point.flow:.1f} ±{half} ", "$good")]


def _round_up(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten."""
    if value <= 0:
        return 100.0
    power = 10.0 ** math.floor(math.log10(value))
    return next((step * power for step in (1, 1.5, 2, 3, 4, 5, 6, 8) if step * power >= value), 10 * power)
