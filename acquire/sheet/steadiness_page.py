"""One page over many pulls: how steadily a bench holds its test pressure, and whether that changes."""

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from acquire.sheet.curve import INK, LOOKS, MM_PER_INCH, QUIET, font, quiet_axes, save_svg
from acquire.sheet.figures import MINUS, number
from acquire.sheet.make import Paper, Sheet, check_suffix, write_page
from acquire.sheet.typeset import Job, Space
from acquire.sheet.words import SIMULATED
from acquire.steadiness.many_pulls import BenchSteadiness, Measure, Trend
from acquire.steadiness.many_pulls_text import MEANING, SAID, answer, change, count_said

MOST_MONTHS = 15
LEAST_CHART_MM = 60.0


def make_steadiness_page(its: BenchSteadiness, paper: Paper = "a4") -> Sheet:
    """The page, every pull attached as CSV. Same input, same bytes. Raises ``SheetError``."""
    moment = datetime.fromisoformat(its.pulls[-1].started_utc).astimezone(UTC)
    job = Job("steadiness.typ", steadiness_data(its), paper, moment)

    def draw(space: Space) -> str:
        return draw_days(its, space.width_mm, space.height_mm)

    page = job.fit(LEAST_CHART_MM, draw, pulls_csv(its).decode("utf-8"), "the page has no room left for its chart")
    return Sheet(page.pdf(), page)


def write_steadiness_page(its: BenchSteadiness, path: Path, paper: Paper = "a4", ppi: float = 200.0) -> None:
    """Write the page as ``path``'s suffix says: .pdf or .png."""
    check_suffix(path)
    write_page(make_steadiness_page(its, paper), path, ppi)


def steadiness_data(its: BenchSteadiness) -> dict[str, Any]:
    """All that the template prints, as text."""
    first, last = its.pulls[0].day, its.pulls[-1].day
    shown = its.months[-MOST_MONTHS:]
    earlier = len(its.months) - len(shown)
    return {
        "shop": {"name": its.bench, "lines": []},
        "date": first if first == last else f"{first} to {last}",
        "stamp": SIMULATED if its.simulated else "",
        "notices": [f"Left out: {', '.join(its.left_out)}."] if its.left_out else [],
        "directions": list(dict.fromkeys(one.direction for one in its.trends)),
        "counted": count_said(its),
        "worse": bool(its.worse),
        "answer": answer(its),
        "trends": [_trend(one) for one in its.trends],
        "months": [
            [
                one.month,
                str(one.pulls),
                str(one.points),
                number(100 * one.held / one.points, 1),
                number(100 * one.sd, 2),
                number(100 * one.drift, 2),
                number(100 * one.farthest, 1),
            ]
            for one in shown
        ],
        "earlier": f"{earlier} earlier months are in the attached pulls.csv." if earlier else "",
        "meaning": MEANING,
        "attachment": {"name": "pulls.csv", "description": "How every pull held its test pressure"},
    }


def _trend(one: Trend) -> dict[str, Any]:
    slope = interval = "–"
    if one.slope is not None and one.low is not None and one.high is not None:
        slope, low, high = (change(one, its).replace("-", MINUS) for its in (one.slope, one.low, one.high))
        interval = f"{low} to {high}"
    return {
        "colour": LOOKS[one.direction].colour,
        "cells": [one.direction, SAID[one.measure], str(one.days), number(100 * one.now, 2), slope, interval],
        "verdict": one.verdict,
        "worse": one.verdict == "getting worse",
    }


def draw_days(its: BenchSteadiness, width_mm: float, height_mm: float) -> str:
    """By day over the pulls: the scatter of the test pressure, and the farthest sample beside the band."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    between, bottom, top = 13.0, 10.0, 6.0
    usable = height_mm - bottom - between - top
    panels: tuple[tuple[Measure, str, float, float], ...] = (
        (
            "sd",
            "sd of the test pressure, % of target: one value a day, and the trend",
            height_mm - top - 0.6 * usable,
            0.6,
        ),
        ("farthest", "farthest sample, % of target; the line is the band", bottom, 0.4),
    )
    for measure, title, below, share in panels:
        axes: Any = figure.add_axes(
            (9.0 / width_mm, below / height_mm, (width_mm - 10.0) / width_mm, share * usable / height_mm)
        )
        _draw_measure(axes, its, measure)
        axes.text(
            0, 1 + 2.0 / (share * usable), title, transform=axes.transAxes, fontproperties=font(size=7.5), color=QUIET
        )
        if measure == "sd":
            axes.legend(
                loc="lower right", bbox_to_anchor=(1, 1), borderaxespad=0.1, prop=font(size=7.5), frameon=False,
                labelcolor=INK, ncols=2, markerscale=1.5,
            )  # fmt: skip
        else:
            axes.axhline(100 * its.pulls[-1].band, color=QUIET, linewidth=0.8)
            axes.set_xlabel("pulls, each direction for itself", fontproperties=font(size=7.5), color=QUIET, loc="right")
        quiet_axes(axes)
    return save_svg(figure)


def _draw_measure(axes: Any, its: BenchSteadiness, measure: Measure) -> None:
    from matplotlib.ticker import MaxNLocator

    highest = 100 * its.pulls[-1].band if measure == "farthest" else 0.0
    for one in (trend for trend in its.trends if trend.measure == measure):
        look, values = LOOKS[one.direction], [100 * value for value in one.values]
        highest = max(highest, *values)
        axes.plot(
            one.at, values, marker=look.marker, markersize=3.0 if len(values) <= 400 else 1.5, linestyle="none",
            color=look.colour, alpha=0.6, markeredgewidth=0, label=one.direction,
        )  # fmt: skip
        if one.slope is not None and one.middle is not None:
            ends = (one.at[0], one.at[-1])
            line = [100 * (one.middle + one.slope * x) for x in ends]
            axes.plot(ends, line, color=look.colour, linestyle=look.line, linewidth=1.4)
    axes.set_xlim(0, 1.02 * max(max(one.at) for one in its.trends) + 0.5)
    axes.set_ylim(0, 1.15 * highest or 1.0)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))


def pulls_csv(its: BenchSteadiness) -> bytes:
    """Every pull that was looked at; shares of the target."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(("pull", "started_utc", "direction", "points", "held", "sd", "drift", "farthest", "band"))
    for pull in its.pulls:
        writer.writerow(
            (
                pull.id,
                pull.started_utc,
                pull.direction,
                pull.points,
                pull.held,
                pull.sd,
                pull.drift,
                pull.farthest,
                pull.band,
            )
        )
    return out.getvalue().encode("utf-8")
