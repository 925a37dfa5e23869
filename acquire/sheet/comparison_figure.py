"""The picture of a comparison as SVG: both curves, and below their difference with its interval."""

from dataclasses import dataclass
from typing import Any

from acquire.sheet.curve import HAIRLINE, INK, MM_PER_INCH, QUIET, Look, font, quiet_axes, save_svg

LOOKS = (Look("#12527C", "solid", "o"), Look("#7A5C00", (0, (4.5, 2.2)), "D"))
DIFFERENCE_SHARE = 0.42


@dataclass(frozen=True, slots=True)
class Drawn:
    """What is drawn, in printed units.

    ``bands``: the flows' own 95 % half-widths, calibration and all, which is
    wider than what the difference knows. ``half_width`` of the difference is
    None where nothing is known of the scatter.
    """

    names: tuple[str, str]
    lift: tuple[float, ...]
    flows: tuple[tuple[float, ...], tuple[float, ...]]
    bands: tuple[tuple[float, ...], tuple[float, ...]]
    difference: tuple[float, ...]
    half_width: tuple[float | None, ...]
    margin: tuple[float, ...]
    claimed: tuple[bool, ...]
    lift_unit: str
    flow_unit: str


def draw_comparison(its: Drawn, width_mm: float, height_mm: float) -> str:
    """The picture as SVG of exactly this size."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    lower = (height_mm - 22.0) * DIFFERENCE_SHARE
    upper = height_mm - 22.0 - lower
    top = _axes(figure, 17.0 + lower, upper, width_mm, height_mm)
    bottom = _axes(figure, 9.0, lower, width_mm, height_mm)
    most = max(its.lift) * 1.06
    for flows, bands, look, name in zip(its.flows, its.bands, LOOKS, its.names, strict=True):
        low, high = ([q + sign * h for q, h in zip(flows, bands, strict=True)] for sign in (-1, 1))
        top.fill_between(its.lift, low, high, color=look.colour, alpha=0.15, linewidth=0)
        top.plot(
            its.lift,
            flows,
            color=look.colour,
            linestyle=look.line,
            linewidth=1.1,
            marker=look.marker,
            markersize=3.0,
            label=name,
        )
    top.set_xlim(0, most)
    top.set_ylim(0, max(map(max, its.flows)) * 1.08)
    top.set_xticklabels([])
    legend = top.legend(loc="lower right", frameon=False, prop=font("SemiBold", 8))
    for text, look in zip(legend.get_texts(), LOOKS, strict=True):
        text.set_color(look.colour)
    _title(top, f"flow, {its.flow_unit}, each with its own 95 % interval, the bench's errors included", upper)
    quiet_axes(top)
    _draw_difference(bottom, its, most)
    _title(
        bottom,
        f"A − B, {its.flow_unit}, with its 95 % interval; grey: the margin within which they count as the same",
        lower,
    )
    bottom.set_xlabel(
        f"valve lift, {its.lift_unit}", fontproperties=font(size=7.5), color=QUIET, loc="right", labelpad=1
    )
    quiet_axes(bottom)
    return save_svg(figure)


def _axes(figure: Any, bottom_mm: float, height: float, width_mm: float, height_mm: float) -> Any:
    return figure.add_axes((10.0 / width_mm, bottom_mm / height_mm, (width_mm - 11.0) / width_mm, height / height_mm))


def _title(axes: Any, text: str, height_mm: float) -> None:
    axes.text(0, 1 + 1.6 / height_mm, text, transform=axes.transAxes, fontproperties=font(size=7.5), color=QUIET)


def _draw_difference(axes: Any, its: Drawn, most: float) -> None:
    axes.fill_between(
        its.lift, [-m for m in its.margin], its.margin, color=HAIRLINE, alpha=0.55, linewidth=0, label="margin"
    )
    axes.axhline(0, color=INK, linewidth=0.7)
    known = [half is not None for half in its.half_width]
    if all(known):
        low = [d - (h or 0.0) for d, h in zip(its.difference, its.half_width, strict=True)]
        high = [d + (h or 0.0) for d, h in zip(its.difference, its.half_width, strict=True)]
        axes.fill_between(its.lift, low, high, color=LOOKS[0].colour, alpha=0.18, linewidth=0)
    axes.plot(its.lift, its.difference, color=LOOKS[0].colour, linewidth=1.0)
    for lift, value, half, claimed in zip(its.lift, its.difference, its.half_width, its.claimed, strict=True):
        axes.errorbar(
            [lift],
            [value],
            yerr=None if half is None else [half],
            fmt="o",
            markersize=3.4,
            color=LOOKS[0].colour,
            markerfacecolor=LOOKS[0].colour if claimed else "white",
            elinewidth=0.7,
            capsize=2.0,
            capthick=0.6,
        )
    reach = max(abs(d) + (h or 0.0) for d, h in zip(its.difference, its.half_width, strict=True))
    reach = max(reach, max(its.margin)) * 1.12
    axes.set_xlim(0, most)
    axes.set_ylim(-reach, reach)
