"""Budgets as text for a terminal and as JSON."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from textwrap import wrap
from typing import Any

from acquire.budget.lines import Line, budget_lines, common_and_own_m3_s, cure
from acquire.budget.propagation import UNLIMITED_DOF
from acquire.budget.rebuild import ConfirmedFlow
from acquire.config import BenchConfig
from acquire.records import ArchivedPull
from acquire.units import from_si
from acquire.values import Point

# a component below this share of the variance is folded into one line
FOLDED = 0.001


@dataclass(frozen=True, slots=True)
class Shown:
    """A point with what was asked about it."""

    point: Point
    confirmed: ConfirmedFlow | None = None


def budget_text(pull: ArchivedPull, shown: Sequence[Shown], every: bool) -> str:
    """One budget in full, or several in a line each; ``every``: no component is folded."""
    head = [f"Pull {pull.id}, {pull.request.subject.identifier}, {pull.request.direction}"]
    if pull.simulated:
        head.append("SIMULATED BENCH: not a measurement.")
    if len(shown) == 1:
        return "\n".join([*head, "", *_full(pull.config, shown[0], every)])
    return "\n".join([*head, "", *_short(pull.config, shown)])


def _short(config: BenchConfig, shown: Sequence[Shown]) -> list[str]:
    flow = config.display.flow
    lines = [f"{'step':>9}  {flow:>7} {'±95 %':>6}  {'own':>5}  what makes the most of it, % of variance"]
    for its in shown:
        rows = budget_lines(its.point.flow)
        _, own = common_and_own_m3_s(rows)
        most = ", ".join(f"{row.component.name} {row.share * 100:.0f}" for row in rows[:2])
        result = its.point.flow
        own_95 = from_si(own * result.coverage_factor, flow)
        lines.append(
            f"{_where(config, its.point):>9}  {from_si(result.flow_m3_s, flow):7.2f} "
            f"{from_si(result.half_width_95_m3_s, flow):6.2f}  {own_95:5.2f}  {most}"
        )
        lines += [f"{'':>9}  {line}" for line in _confirmation(its)]
    lines += ["", "own: the part of ± that does not cancel when heads are compared on this bench."]
    lines.append("--lift or --step shows one budget in full.")
    return lines


def _where(config: BenchConfig, point: Point) -> str:
    if point.step_lift_m is None:
        return f"step {point.step + 1}"
    return f"{from_si(point.step_lift_m, config.display.lift):.4g} {config.display.lift}"


def _full(config: BenchConfig, its: Shown, every: bool) -> list[str]:
    flow_unit, result = config.display.flow, its.point.flow
    rows = budget_lines(result)
    kept = rows if every else [row for row in rows if row.share >= FOLDED]
    u = from_si(result.half_width_95_m3_s / result.coverage_factor, flow_unit)
    lines = [
        f"At {_where(config, its.point)}: {from_si(result.flow_m3_s, flow_unit):.2f} {flow_unit} "
        f"± {from_si(result.half_width_95_m3_s, flow_unit):.2f} (95 %)",
        f"k = {result.coverage_factor:.2f} times u = {u:.3f} {flow_unit}; "
        f"effective degrees of freedom {_dof(result.dof)}",
    ]
    if result.interval_by == "monte carlo":
        lines.append("Near zero flow: the interval is that of a Monte Carlo run.")
    lines += ["", f"{'component':<42}  {flow_unit:>7}  {'% var':>6}  {'dof':>6}  among heads"]
    for row in kept:
        change = from_si(row.contribution_m3_s, flow_unit)
        stays = "cancels" if row.component.shared else "stays"
        lines.append(
            f"{row.component.name[:42]:<42}  {change:7.3f}  {row.share * 100:6.1f}  "
            f"{_dof(row.component.dof):>6}  {stays}"
        )
    if len(kept) < len(rows):
        rest = sum(row.share for row in rows) - sum(row.share for row in kept)
        lines.append(f"{f'{len(rows) - len(kept)} smaller ones (--all lists them)':<42}  {'':7}  {rest * 100:6.1f}")
    lines += ["", f"{'what went in':<35}  {'value':>9}  {'u':>8} {'unit':<6} {'law':<4} {flow_unit}/unit"]
    lines += [_input(config, row) for row in kept]
    common, own = (from_si(part, flow_unit) for part in common_and_own_m3_s(rows))
    lines += [
        "",
        f"u {common:.3f} {flow_unit} is common to all readings of this bench, {own:.3f} its own.",
    ]
    if rows:
        lines.append(
            f"{rows[0].component.name[:1].upper()}{rows[0].component.name[1:]} is {rows[0].share:.0%} of the variance."
        )
        lines += wrap(f"To improve: {cure(rows[0].component.name)}.", 80)
    return lines + _confirmation(its)


_LAWS = {"normal": "N", "rectangular": "rect", "t": "t"}


def _input(config: BenchConfig, row: Line) -> str:
    its = row.component
    unit = {"Pa": config.display.pressure, "m2": "mm2", "m": config.display.lift}.get(its.unit, its.unit)
    if its.name == "slope over lift":
        # area over lift
        unit, factor = "mm2/mm", 1e3
    elif its.unit == "m2":
        factor = 1e6
    elif its.unit in ("Pa", "m"):
        factor = from_si(1.0, unit, config.water) - from_si(0.0, unit, config.water)
    else:
        factor = 1.0
    per_unit = "" if row.sensitivity is None else f"{from_si(row.sensitivity / factor, config.display.flow):.4g}"
    return (
        f"{its.name[:35]:<35}  {its.value * factor:9.4g}  {its.standard_uncertainty * factor:8.2g} "
        f"{unit:<6} {_LAWS[its.distribution]:<4} {per_unit}"
    )


def _dof(dof: float) -> str:
    return "many" if dof >= min(UNLIMITED_DOF, 1e5) else f"{dof:.1f}" if dof < 100.0 else f"{dof:.0f}"


def _confirmation(its: Shown) -> list[str]:
    found = its.confirmed
    if found is None:
        return []
    drawn = f"Monte Carlo, {found.draws} draws: {found.low_95:.2f} to {found.high_95:.2f} {found.unit}."
    within = f"within {found.tolerance:.2g} {found.unit} (JCGM 101, 8.1)."
    return [drawn, f"First order holds {within}" if found.holds else f"FIRST ORDER DOES NOT HOLD {within}"]


def budget_json(pull: ArchivedPull, shown: Sequence[Shown]) -> str:
    """Every component of every budget, SI units."""
    return json.dumps({"pull": pull.id, "uid": pull.uid, "points": [_point_json(its) for its in shown]}, indent=2)


def _point_json(its: Shown) -> dict[str, Any]:
    result, rows = its.point.flow, budget_lines(its.point.flow)
    common, own = common_and_own_m3_s(rows)
    return {
        "step": its.point.step,
        "take": its.point.take,
        "step_lift_m": its.point.step_lift_m,
        "flow_m3_s": result.flow_m3_s,
        "half_width_95_m3_s": result.half_width_95_m3_s,
        "coverage_factor": result.coverage_factor,
        "dof": result.dof,
        "interval_by": result.interval_by,
        "common_m3_s": common,
        "own_m3_s": own,
        "components": [
            {
                **asdict(row.component),
                "dof": min(row.component.dof, UNLIMITED_DOF),
                "contribution_m3_s": row.contribution_m3_s,
                "sensitivity_m3_s_per_unit": row.sensitivity,
                "share_of_variance": row.share,
            }
            for row in rows
        ],
        "confirmed": None if its.confirmed is None else asdict(its.confirmed),
    }
