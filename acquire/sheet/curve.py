"""The sheet's curve as SVG: flow over lift with its interval, and how the test pressure held."""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acquire.sheet.data import Series
from acquire.values import Direction

FONT_FOLDER = Path(__file__).parent / "fonts"
INK = "#1F262D"
QUIET = "#66717C"
HAIRLINE = "#D9DEE3"
MM_PER_INCH = 25.4
STRIP_MM = 15.0
LEAST_HEIGHT_WITH_STRIP_MM = 56.0


@dataclass(frozen=True, slots=True)
class Look:
    """How a direction is drawn: never by colour alone."""

    colour: str
    line: Any
    marker: str


LOOKS: dict[Direction, Look] = {
    "intake": Look("#12527C", "solid", "o"),
    "exhaust": Look("#B3541E", (0, (4.5, 2.2)), "s"),
}


def font(weight: str = "Regular", size: float = 7.5) -> Any:
    """A bundled font as matplotlib takes it."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(fname=str(FONT_FOLDER / f"SourceSans3-{weight}.ttf"), size=size)


def save_svg(figure: Any) -> str:
    """A figure as SVG without dates or random identifiers: the same bytes every time."""
    from matplotlib import rc_context

    out = io.BytesIO()
    with rc_context({"svg.hashsalt": "steadydraw", "svg.fonttype": "path"}):
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return out.getvalue().decode("utf-8")


def quiet_axes(axes: Any) -> None:
    """Hairline frame and horizontal grid, small grey figures."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set(color=QUIET, linewidth=0.5)
    axes.grid(axis="y", color=HAIRLINE, linewidth=0.4)
    axes.set_axisbelow(True)
    axes.tick_params(colors=QUIET, width=0.4, length=2, pad=2)
    axes.tick_params(axis="y", length=0)
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_fontproperties(font(size=7))
        label.set_color(INK)


def draw_curve(series: Sequence[Series], lift_unit: str, flow_unit: str, width_mm: float, height_mm: float) -> str:
    """The curve as SVG of exactly this size; the strip of test pressures where there is room."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    with_strip = height_mm >= LEAST_HEIGHT_WITH_STRIP_MM
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    bottom = 9.0 + (STRIP_MM + 3.0 if with_strip else 0.0)
    axes = figure.add_axes(_box(9.0, bottom, width_mm - 10.0, height_mm - bottom - 5.5, width_mm, height_mm))
    most_lift = max(lift for its in series for lift in its.lift)
    most_flow = max((flow for its in series for flow in its.flow if math.isfinite(flow)), default=1.0)
    for its in series:
        _draw_series(axes, its)
    axes.set_xlim(0, most_lift * 1.09)
    axes.set_ylim(0, max(most_flow, 1e-9) * 1.08)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=max(3, round(height_mm / 11)), steps=[1, 2, 2.5, 5, 10]))
    axes.set_xlabel(f"valve lift, {lift_unit}", fontproperties=font(size=7.5), color=QUIET, loc="right", labelpad=1)
    axes.text(
        0,
        1 + 2.2 / (height_mm - bottom - 5.5),
        f"flow, {flow_unit}, with its 95 % interval",
        transform=axes.transAxes,
        fontproperties=font(size=7.5),
        color=QUIET,
    )
    quiet_axes(axes)
    if with_strip:
        strip = figure.add_axes(_box(9.0, 1.0, width_mm - 10.0, STRIP_MM, width_mm, height_mm))
        _draw_strip(strip, series, most_lift)
    return save_svg(figure)


def _box(left: float, bottom: float, width: float, height: float, full_width: float, full_height: float) -> Any:
    return (left / full_width, bottom / full_height, width / full_width, height / full_height)


def _draw_series(axes: Any, its: Series) -> None:
    look = LOOKS[its.direction]
    low = [flow - half for flow, half in zip(its.flow, its.half_width, strict=True)]
    high = [flow + half for flow, half in zip(its.flow, its.half_width, strict=True)]
    axes.fill_between(its.lift, low, high, color=look.colour, alpha=0.22, linewidth=0)
    axes.errorbar(
        its.lift,
        its.flow,
        yerr=its.half_width,
        fmt="none",
        ecolor=look.colour,
        elinewidth=0.6,
        capsize=2.2,
        capthick=0.6,
    )
    axes.plot(its.lift, its.flow, color=look.colour, linestyle=look.line, linewidth=1.1)
    for lift, flow, sound in zip(its.lift, its.flow, its.sound, strict=True):
        axes.plot(
            [lift],
            [flow],
            marker=look.marker,
            markersize=3.2,
            markeredgewidth=0.9,
            linestyle="none",
            markeredgecolor=look.colour,
            markerfacecolor=look.colour if sound else "white",
        )
    drawn = [(lift, flow) for lift, flow in zip(its.lift, its.flow, strict=True) if math.isfinite(flow)]
    if drawn:
        axes.annotate(
            its.direction.capitalize(),
            drawn[-1],
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=look.colour,
            fontproperties=font("SemiBold", 8.5),
        )


def _draw_strip(axes: Any, series: Sequence[Series], most_lift: float) -> None:
    band = max((its.band for its in series), default=0.0)
    far = [abs(off) + sd for its in series for off, sd in zip(its.deviation, its.sd, strict=True)]
    reach = max([band * 1.35, *(value for value in far if math.isfinite(value))])
    axes.axhspan(-band, band, color=HAIRLINE, alpha=0.45, linewidth=0)
    axes.axhline(0, color=QUIET, linewidth=0.5)
    for number, its in enumerate(series):
        look = LOOKS[its.direction]
        shift = (number - (len(series) - 1) / 2) * 0.008 * most_lift
        axes.errorbar(
            [lift + shift for lift in its.lift],
            its.deviation,
            yerr=its.sd,
            fmt=look.marker,
            markersize=2.6,
            color=look.colour,
            elinewidth=0.7,
            capsize=1.6,
            capthick=0.6,
        )
    axes.set_xlim(0, most_lift * 1.09)
    axes.set_ylim(-reach * 1.05, reach * 1.05)
    axes.set_yticks([-band, 0, band], [f"−{band:.3g}", "0", f"+{band:.3g}"])
    axes.set_xticks([])
    axes.text(
        0,
        1.06,
        "test pressure, % from its target, with its standard deviation; shaded: the band that counts as held",
        transform=axes.transAxes,
        fontproperties=font(size=7),
        color=QUIET,
    )
    quiet_axes(axes)
    axes.spines["bottom"].set_visible(False)
    axes.grid(visible=False)
