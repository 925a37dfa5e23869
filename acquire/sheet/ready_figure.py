"""A check as a picture: what was watched, and the reference plate's control charts."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from acquire.flow.statement import Statement
from acquire.ready.control_chart import BASE, LEAST_BEFORE, Limits, limits_of, moving_ranges, signals_of
from acquire.ready.plate import PlateSeries
from acquire.ready.record import Readiness, Watched
from acquire.records import BenchSummary
from acquire.sheet.curve import INK, LOOKS, QUIET, font, quiet_axes
from acquire.sheet.data import SheetError
from acquire.units import from_si

ALARM = "#8E1B1B"
_MOST_CHARTS = 6
_ROW_IN = 1.75
_WATCHED = ("test_pressure", "meter_pressure", "meter_temperature")


def write_ready_figure(record: Readiness, series: Sequence[PlateSeries], bench: BenchSummary, path: Path) -> None:
    """Write the picture as PNG. Raises :class:`SheetError`."""
    if path.suffix.lower() != ".png":
        raise SheetError(f"{path} does not end in .png: name the picture with it")
    figure = draw_ready(record, series, bench)
    try:
        figure.savefig(path, dpi=150, facecolor="white")
    except OSError as error:
        raise SheetError(f"{path} cannot be written ({error.strerror}): choose another folder") from error


def draw_ready(record: Readiness, series: Sequence[PlateSeries], bench: BenchSummary) -> Any:
    """A matplotlib figure: one row of watched channels, two rows for each of the plate's newest charts."""
    from matplotlib.figure import Figure

    charts = sorted(series, key=lambda its: (its.made_utc[-1], its.test_pressure_pa), reverse=True)[:_MOST_CHARTS]
    watched = [its for name in _WATCHED for its in record.watched if its.channel == name]
    rows = (1 if watched else 0) + 2 * len(charts)
    height = 1.3 + _ROW_IN * max(rows, 1)
    figure = Figure(figsize=(8.27, height))
    figure.text(0.06, 1 - 0.45 / height, _title(record, bench), fontproperties=font("SemiBold", 13), color=_hue(record))
    figure.text(0.06, 1 - 0.68 / height, _subtitle(record, bench), fontproperties=font(size=8.5), color=QUIET)
    grid = figure.add_gridspec(
        max(rows, 1),
        max(len(watched), 1),
        left=0.10,
        right=0.97,
        top=1 - 1.15 / height,
        bottom=0.5 / height,
        hspace=0.75,
        wspace=0.35,
    )
    for column, its in enumerate(watched):
        _draw_watched(figure.add_subplot(grid[0, column]), its, bench)
    for number, chart in enumerate(charts):
        row = (1 if watched else 0) + 2 * number
        _draw_chart(figure.add_subplot(grid[row, :]), figure.add_subplot(grid[row + 1, :]), chart, bench)
    return figure


def _title(record: Readiness, bench: BenchSummary) -> str:
    verdict = "ready" if record.ready else "NOT READY"
    simulated = ", SIMULATED" if record.simulated else ""
    return f"{bench.name}: {verdict}, {record.made_utc[:16].replace('T', ' ')} UTC{simulated}"


def _subtitle(record: Readiness, bench: BenchSummary) -> str:
    against = ", ".join(line.name for line in record.lines if not line.passes)
    shaded = f"shaded: how far a channel may move in {bench.ready.watch_s:.0f} s"
    return f"not good: {against}; {shaded}" if against else shaded


def _hue(record: Readiness) -> str:
    return INK if record.ready else ALARM


def _name(axes: Any, text: str) -> None:
    axes.set_title(text, fontproperties=font(size=8.5), color=QUIET, loc="left", pad=4)


def _draw_watched(axes: Any, its: Watched, bench: BenchSummary) -> None:
    hot = its.channel == "meter_temperature"
    unit = "K" if hot else bench.display.pressure
    first = its.values[0] if its.values else 0.0
    values = [v - first if hot else from_si(v, unit, bench.water) for v in its.values]
    limit = bench.ready.temperature_drift_k if hot else from_si(bench.ready.zero_drift_pa, unit, bench.water)
    axes.plot(its.t_s, values, color=INK, linewidth=0.8)
    middle = (min(values) + max(values)) / 2 if values else 0.0
    half = max(limit, (max(values) - min(values)) if values else 0.0)
    axes.axhspan(middle - limit / 2, middle + limit / 2, color=LOOKS["intake"].colour, alpha=0.10, linewidth=0)
    axes.set_ylim(middle - half, middle + half)
    _name(axes, f"{its.channel.replace('_', ' ')}, {'change, ' if hot else ''}{unit}")
    axes.set_xlabel("s with the bench off", fontproperties=font(size=7.5), color=QUIET)
    quiet_axes(axes)


def _draw_chart(values_axes: Any, ranges_axes: Any, its: PlateSeries, bench: BenchSummary) -> None:
    state = Statement(bench.reference).flow_m3_s
    flows = [from_si(state(area), bench.display.flow) for area in its.areas_m2]
    look = LOOKS[its.direction]
    runs = list(range(1, len(flows) + 1))
    enough = len(flows) > LEAST_BEFORE
    limits = limits_of(flows[:-1][:BASE]) if enough else None
    values_axes.plot(runs, flows, color=look.colour, marker=look.marker, markersize=3.5, linewidth=0.8)
    at = f"{from_si(its.test_pressure_pa, bench.display.pressure, bench.water):.4g} {bench.display.pressure}"
    more = "" if enough else f", limits from {LEAST_BEFORE + 1} runs on"
    _name(values_axes, f"reference plate, {its.direction}, {at}, range {its.meter_range}: {bench.display.flow}{more}")
    steps = moving_ranges(flows)
    ranges_axes.plot(runs[1:], steps, color=look.colour, marker=look.marker, markersize=3.0, linewidth=0.8)
    _name(ranges_axes, "step from run to run")
    if limits is not None:
        _draw_limits(values_axes, ranges_axes, flows, steps, limits)
    for axes in (values_axes, ranges_axes):
        axes.set_xlim(0.5, max(len(flows), LEAST_BEFORE) + 0.5)
        axes.set_xlabel("run", fontproperties=font(size=7.5), color=QUIET, loc="right", labelpad=0)
        quiet_axes(axes)


def _draw_limits(values_axes: Any, ranges_axes: Any, flows: list[float], steps: list[float], limits: Limits) -> None:
    line = {"color": QUIET, "linewidth": 0.8}
    values_axes.axhline(limits.centre, **line)
    for level in (limits.low, limits.high):
        values_axes.axhline(level, linestyle=(0, (4, 2)), **line)
    ranges_axes.axhline(limits.range_centre, **line)
    ranges_axes.axhline(limits.range_high, linestyle=(0, (4, 2)), **line)
    broken = sorted({signal.index for signal in signals_of(flows, limits)})
    style = {"linestyle": "none", "marker": "x", "markersize": 7, "color": ALARM}
    values_axes.plot([i + 1 for i in broken], [flows[i] for i in broken], **style)
    wide = [i for i, step in enumerate(steps) if step > limits.range_high]
    ranges_axes.plot([i + 2 for i in wide], [steps[i] for i in wide], **style)
