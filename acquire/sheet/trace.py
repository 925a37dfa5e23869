"""A small trace of the test pressure against its band, as SVG."""

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acquire.sheet.curve import HAIRLINE, INK, MM_PER_INCH, QUIET, font, save_svg
from acquire.values import Hold

OUTSIDE = "#8E1B1B"
MOST_COLUMNS = 400


def extremes_kept(
    t_s: NDArray[np.float64], value: NDArray[np.float64], columns: int = MOST_COLUMNS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most two samples a column, its lowest and highest, in order of time.

    A trace of many samples then stays small, and no excursion is lost.
    """
    if value.size <= 2 * columns:
        return t_s, value
    edges = np.linspace(0, value.size, columns + 1).astype(np.int64)
    kept = {
        int(start + pick(value[start:end]))
        for start, end in pairwise(edges.tolist())
        for pick in (np.argmin, np.argmax)
    }
    order = sorted(kept)
    return t_s[order], value[order]


def draw_trace(
    t_s: NDArray[np.float64],
    pressure_pa: NDArray[np.float64],
    hold: Hold,
    colour: str,
    width_mm: float,
    height_mm: float,
) -> str:
    """Deviation from the target over the reading's time: shaded band, dashed mean, what lies outside in red."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    right = 9.0
    axes: Any = figure.add_axes((0.0, 0.06, (width_mm - right) / width_mm, 0.88))
    deviation = pressure_pa - hold.target_pa
    times, values = extremes_kept(t_s, deviation)
    reach = max(1.3 * hold.band_pa, 1.05 * float(np.max(np.abs(deviation), initial=0.0)))
    axes.axhspan(-hold.band_pa, hold.band_pa, color=HAIRLINE, alpha=0.5, linewidth=0)
    axes.axhline(0.0, color=QUIET, linewidth=0.4)
    axes.plot(times, values, color=colour, linewidth=0.6)
    outside = np.where(np.abs(values) > hold.band_pa, values, np.nan)
    axes.plot(times, outside, color=OUTSIDE, linewidth=0.9, marker=".", markersize=0.9)
    if hold.n > 1:
        axes.axhline(hold.deviation_pa, color=INK, linewidth=0.7, linestyle=(0, (3, 2)))
    else:
        # one reading is a dot: a line would say what nobody saw
        axes.plot([0.5], values, color=INK, marker="o", markersize=2.0)
    last = float(t_s[-1]) if t_s.size else 0.0
    axes.set_xlim(0.0, last if last > 0 else 1.0)
    axes.set_ylim(-reach, reach)
    axes.axis("off")
    figure.text(
        1.0 - (right - 1.2) / width_mm, 0.5, f"{last:.1f} s", va="center", fontproperties=font(size=6.5), color=QUIET
    )
    return save_svg(figure)
