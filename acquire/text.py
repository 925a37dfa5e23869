"""Pulls as text for a terminal and as JSON for a machine."""

import math
from collections.abc import Iterable, Sequence
from textwrap import fill
from typing import Any

from acquire.calibration.words import calibrations_said
from acquire.config import BenchConfig
from acquire.flow.convention import convention_said, flow_unit_said
from acquire.flow.range_comparison import ranges_compared
from acquire.flow.statement import Statement
from acquire.leakage.words import amount_said, measured_said, too_old_said
from acquire.lifts import lift_digits
from acquire.pull.typed_step import typed_said
from acquire.ready.said import ready_said
from acquire.records import ArchivedPull, PullRow
from acquire.room.words import pull_air_lines
from acquire.units import UnitError, from_si, kind_of, units_of
from acquire.values import Point

WIDTH = 80


# digits after the point that mean something in a flow of a head
_FLOW_DECIMALS = {"m3/s": 5, "kg/s": 5, "m3/h": 1, "l/min": 0, "kg/h": 1}


class Shown:
    """Values in one bench's display units; ``flow_unit`` in place of the bench's.

    A mass flow is the stated flow times the reference density. Raises
    ``ValueError`` for a unit of no flow, and for a mass where the flow is
    stated as is: it has no one density.
    """

    def __init__(self, config: BenchConfig, flow_unit: str | None = None) -> None:
        self._display = config.display
        self._water = config.water
        self.lift_unit, self.pressure_unit, self.flow_unit = (
            config.display.lift,
            config.display.pressure,
            flow_unit or config.display.flow,
        )
        self._per_flow = _mass_or_volume(config, self.flow_unit)

    def lift(self, value_m: float | None) -> str:
        if value_m is None:
            return "-"
        return f"{from_si(value_m, self.lift_unit):.{lift_digits(self.lift_unit, finer=1)}f}"

    def pressure(self, value_pa: float) -> str:
        return f"{from_si(value_pa, self.pressure_unit, self._water):.3f}"

    @property
    def inches(self) -> bool:
        """Whether lengths are read in inches, and so areas and speeds in square inches and feet."""
        return self.lift_unit in ("in", "thou", "ft")

    def area(self, value_m2: float) -> str:
        return f"{from_si(value_m2, 'in2'):.3f} in2" if self.inches else f"{from_si(value_m2, 'mm2'):.0f} mm2"

    @property
    def speed_unit(self) -> str:
        """That of the port's velocity."""
        return "ft/s" if self.inches else "m/s"

    def speed(self, value_m_s: float) -> str:
        return f"{from_si(value_m_s, self.speed_unit):.0f}"

    def flow(self, value_m3_s: float) -> str:
        value = from_si(value_m3_s * self._per_flow, self.flow_unit)
        return f"{value:.{_FLOW_DECIMALS.get(self.flow_unit, 2)}f}"


def _mass_or_volume(config: BenchConfig, unit: str) -> float:
    """What a stated flow is multiplied with for this unit: 1, or the reference density."""
    kind = kind_of(unit)
    if kind == "flow":
        return 1.0
    if kind != "mass_flow":
        raise UnitError(
            f"{unit!r} is no unit of flow: use one of {', '.join(units_of('flow') + units_of('mass_flow'))}"
        )
    if config.reference.convention == "as is":
        raise UnitError(f"a flow stated as is, at the day's own density, has no {unit}: use one of cfm, l/s, m3/s")
    return Statement(config.reference).density_kg_m3


def pull_table(rows: Sequence[PullRow]) -> str:
    """``steadydraw list``."""
    if not rows:
        return "No pulls yet."
    lines = [("pull", "uid", "started (UTC)", "head", "model", "kind", "direction", "taken", "outcome", "marks")]
    for row in rows:
        outcome = row.outcome or "open"
        lines.append(
            (
                str(row.id),
                row.uid,
                row.started_utc[:16].replace("T", " "),
                row.subject,
                row.model,
                row.kind,
                row.direction,
                f"{row.taken}/{row.steps}",
                outcome + (", simulated" if row.simulated else ""),
                str(row.marks) if row.marks else "",
            )
        )
    return columns(lines)


def pull_text(pull: ArchivedPull, flow_unit: str | None = None) -> str:
    """``steadydraw show``; ``flow_unit`` in place of the bench's. Raises ``UnitError``."""
    shown = Shown(pull.config, flow_unit)
    request = pull.request
    head = [
        f"Pull {pull.id} ({pull.uid}), {request.kind}, {request.direction}, {pull.outcome or 'still open'}",
        f"Bench {pull.config.name}, {pull.started_utc[:16].replace('T', ' ')} UTC, steadydraw {pull.version}",
    ]
    if pull.imported is not None:
        when = pull.imported.imported_utc[:16].replace("T", " ")
        head.append(fill(f"Imported {when} UTC from {pull.imported.origin}.", WIDTH, subsequent_indent="  "))
    if pull.simulated:
        head.append("SIMULATED BENCH: not a measurement.")
    for name, its in (
        ("Head", request.subject.model_dump(exclude_defaults=True)),
        ("Set-up", request.setup.model_dump()),
    ):
        head.append(fill(f"{name}: {', '.join(_given(its))}", WIDTH, subsequent_indent="  "))
    if request.kind == "lift":
        head += [_leakage(pull, shown), _ready(pull)]
    head.append(fill(f"Flow: {convention_said(pull.config, shown.flow_unit)}.", WIDTH, subsequent_indent="  "))
    head += pull_air_lines(pull)
    head += [f"Calibrated: {its}." for its in calibrations_said(pull)]
    typed = {channel for point in pull.points for channel in point.typed}
    if typed:
        head.append(f"Typed, not measured: {typed_said(typed)}.")
    head += [f"MARK: {mark.sentence}" for mark in pull.marks]
    head += _ranges(pull, shown)
    in_force = set(map(id, pull.in_force.values()))
    rows: list[tuple[str, ...]] = [
        (
            "step",
            f"lift {shown.lift_unit}",
            f"flow {flow_unit_said(shown.flow_unit, pull.config.reference.convention)}",
            "±95 %",
            f"{'test' if any('test_pressure' in p.typed for p in pull.points) else 'held'} {shown.pressure_unit}",
            "n indep.",
            "how",
        )
    ]
    rows += [_point_row(p, shown, id(p) in in_force) for p in sorted(pull.points, key=lambda p: (p.step, p.take))]
    return "\n".join(head) + "\n\n" + (columns(rows) if pull.points else "No points taken.")


def _leakage(pull: ArchivedPull, shown: Shown) -> str:
    if pull.leakage is None:
        old = too_old_said(pull)
        because = f" ({old})" if old else ""
        return f"Leakage: not measured{because}; the budget carries the configured allowance."
    amount = amount_said(pull, lambda flow_m3_s: f"{shown.flow(flow_m3_s)} {shown.flow_unit}")
    return f"Leakage: {amount}, blank-plate pull {pull.leakage.pull_id}, {measured_said(pull)}."


def _ranges(pull: ArchivedPull, shown: Shown) -> list[str]:
    said = []
    for its in ranges_compared(pull.points):
        off, half = its.difference.value_m3_s, its.difference.half_width_95_m3_s
        verdict = "they agree" if its.agree else "THEY DISAGREE"
        said.append(
            f"Ranges at step {its.step + 1}: {its.first.meter_range} {shown.flow(its.first.flow.flow_m3_s)}, "
            f"{its.second.meter_range} {shown.flow(its.second.flow.flow_m3_s)} {shown.flow_unit}, "
            f"{'+' if off > 0 else ''}{shown.flow(off)} ± {shown.flow(half)}: {verdict}."
        )
    return said


def _ready(pull: ArchivedPull) -> str:
    return f"Bench: {ready_said(pull)}."


def _point_row(point: Point, shown: Shown, in_force: bool) -> tuple[str, ...]:
    how = "typed" if point.read_by_eye else "settled" if point.settled else "NOT SETTLED"
    if point.typed and not point.read_by_eye:
        how += f", {typed_said(point.typed)} typed"
    if point.taken_by == "hand" and not point.read_by_eye:
        how += ", by hand"
    if point.hold.broken:
        how += ", pressure did not hold"
    if not in_force:
        how += f", take {point.take}, replaced"
    elif point.take > 1:
        how += f", take {point.take}"
    return (
        str(point.step + 1),
        shown.lift(point.step_lift_m),
        shown.flow(point.flow.flow_m3_s),
        shown.flow(point.flow.half_width_95_m3_s),
        shown.pressure(point.test_pressure_pa),
        f"{point.capture.n_independent:.0f}",
        how,
    )


def pull_json(pull: ArchivedPull) -> str:
    """A pull with every take, SI units."""
    from pydantic import TypeAdapter

    return TypeAdapter(ArchivedPull).dump_json(pull, indent=2, by_alias=False).decode()


# how a key's SI unit is said in a line, and how many of it are in one
_SHORT = (
    (" m3", "cc", 1e6),
    (" m2", "mm2", 1e6),
    (" m", "mm", 1e3),
    (" pa", "Pa", 1.0),
    (" rad", "deg", 180 / math.pi),
)


def _given(record: dict[str, Any]) -> Iterable[str]:
    for key, value in record.items():
        if value in ("", None):
            continue
        if isinstance(value, dict):
            about = "" if key == "details" else f"{key.replace('_', ' ')} "
            yield from (about + said for said in _given(value))
            continue
        name = key.replace("_", " ")
        for suffix, unit, factor in _SHORT:
            if name.endswith(suffix):
                name = name.removesuffix(suffix)
                value = f"{value * factor:.4g} {unit}"
                break
        yield f"{name} {({True: 'yes', False: 'no'}.get(value, value)) if isinstance(value, bool) else value}"


def columns(rows: Sequence[tuple[str, ...]], *, right: bool = False) -> str:
    """Rows of equal length as a table, each column as wide as its widest cell; ``right``: cells to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    put = str.rjust if right else str.ljust
    return "\n".join("  ".join(map(put, row, widths)).rstrip() for row in rows)
