"""The port's figures as text for a terminal and as JSON for a machine."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import Any

from acquire.flow.convention import flow_unit_said, stated_at_said
from acquire.port.figures import PortFigures, PortPoint, Ratio, exhaust_over_intake, port_figures
from acquire.port.geometry import ReferenceArea
from acquire.records import ArchivedPull
from acquire.text import Shown, columns

WIDTH = 80
_AREAS: dict[ReferenceArea, str] = {
    "curtain": "curtain",
    "valve head": "head",
    "seat": "seat",
    "minimum": "min.",
    "port section": "port",
}
MEANINGS: dict[ReferenceArea, str] = {
    "curtain": "curtain  pi x valve diameter x lift",
    "valve head": "head     pi/4 x valve diameter squared",
    "seat": "seat     pi/4 x seat inside diameter squared (valve - 2 x seat width)",
    "minimum": "min.     smallest passage past the valve: across the seat, a ring beyond it,\n"
    "           or the throat less the stem; at: which (Heywood, eq. 6.7 to 6.9)",
    "port section": "port     the port's minimum section as given",
}
_COEFFICIENTS = "Discharge coefficients: effective area / the area named, of all open valves:"
_NARROWEST = {"seat": "seat", "ring": "ring", "port": "throat"}


def port_text(pulls: Sequence[ArchivedPull]) -> str:
    """``steadydraw port``: each pull's figures, and with both directions exhaust over intake."""
    ordered = sorted(pulls, key=lambda pull: pull.request.direction != "intake")
    figures = [port_figures(pull) for pull in ordered]
    parts = [_pull_text(pull, its) for pull, its in zip(ordered, figures, strict=True)]
    named = {name for its in figures for point in its.points for name in point.on}
    if named:
        meanings = [f"  {said}" for name, said in MEANINGS.items() if name in named]
        parts.append("\n".join([_COEFFICIENTS, *meanings]))
    if len(pulls) > 1:
        parts.append(_ratio_text(exhaust_over_intake(pulls), Shown(ordered[0].config)))
    return "\n\n".join(parts)


def _pull_text(pull: ArchivedPull, figures: PortFigures) -> str:
    shown = Shown(pull.config)
    head = f"Pull {pull.id}, {pull.request.subject.identifier}, {figures.direction}"
    if figures.valve_diameter_m is not None:
        many = f"{figures.valves} valves of " if figures.valves > 1 else "valve "
        head += f", {many}{shown.lift(figures.valve_diameter_m)} {shown.lift_unit}"
    lines = [head + (", SIMULATED" if pull.simulated else ""), ""]
    if not figures.points:
        return "\n".join([*lines, "No points taken."])
    areas = [name for name in _AREAS if name in figures.points[0].on]
    with_velocity = figures.minimum_section_m2 is not None
    titles: tuple[str, ...] = (
        f"lift {shown.lift_unit}",
        f"flow {flow_unit_said(shown.flow_unit, pull.config.reference.convention)}",
    )
    titles += ("L/D",) if figures.valve_diameter_m is not None else ()
    titles += tuple(_AREAS[name] for name in areas)
    titles += ("at",) if "minimum" in areas else ()
    titles += (shown.speed_unit,) if with_velocity else ()
    lines.append(columns([titles, *(_row(point, areas, with_velocity, shown) for point in figures.points)]))
    flagged = [
        (point, its.coefficient.flag) for point in figures.points for its in point.on.values() if its.coefficient.flag
    ]
    for flag in dict.fromkeys(flag for _, flag in flagged):
        lifts = ", ".join(shown.lift(point.lift_m) for point, its in flagged if its == flag)
        lines += ["", fill(f"! {flag[0].upper()}{flag[1:]}. At {lifts} {shown.lift_unit}.", WIDTH)]
    if figures.minimum_section_m2 is not None or figures.missing:
        lines.append("")
    if figures.minimum_section_m2 is not None:
        lines.append(
            f"{shown.speed_unit}: mean velocity over the minimum section, "
            f"{shown.area(figures.minimum_section_m2)}, at\n"
            f"{stated_at_said(pull.config.reference, shown.pressure_unit, pull.config.water)} in reference air, "
            "with the air's own density there (isentropic)."
        )
    if figures.missing:
        absent = ", ".join(figures.missing)
        lines.append(fill(f"Not given with the head: {absent}. What needs them is left out.", WIDTH))
    return "\n".join(lines)


def _row(point: PortPoint, areas: Sequence[ReferenceArea], with_velocity: bool, shown: Shown) -> tuple[str, ...]:
    cells = [shown.lift(point.lift_m), shown.flow(point.flow_m3_s)]
    if point.lift_over_diameter is not None:
        cells.append(f"{point.lift_over_diameter:.3f}")
    for name in areas:
        its = point.on[name].coefficient
        cells.append(f"{its.value:.3f}{' !' if its.flag else ''}")
    if point.narrowest is not None:
        cells.append(_NARROWEST[point.narrowest])
    if with_velocity:
        cells.append("-" if point.velocity is None else shown.speed(point.velocity.velocity_m_s))
    return tuple(cells)


def _ratio_text(ratios: Sequence[Ratio], shown: Shown) -> str:
    unit = shown.flow_unit
    rows: list[tuple[str, ...]] = [
        (f"lift {shown.lift_unit}", f"intake {unit}", f"exhaust {unit}", "exhaust/intake %", "±95 %")
    ]
    rows += [
        (
            shown.lift(its.lift_m),
            shown.flow(its.intake_m3_s),
            shown.flow(its.exhaust_m3_s),
            f"{100 * its.value:.1f}",
            f"{100 * its.half_width_95:.2f}",
        )
        for its in ratios
    ]
    dropped = list(dict.fromkeys(name for its in ratios for name in its.cancelled))
    said = f"Drops out of ±, being wrong alike in both: {', '.join(dropped)}." if dropped else "Nothing drops out of ±."
    what = "Intake to exhaust: ratio of the effective areas, so of flows in the same air"
    return "\n".join([what, "", columns(rows), "", fill(said, WIDTH)])


def port_json(pulls: Sequence[ArchivedPull]) -> str:
    """The same in SI units, nothing rounded; what is not known is null or absent."""
    made: dict[str, Any] = {"pulls": [asdict(port_figures(pull)) for pull in pulls]}
    if len(pulls) > 1:
        made["exhaust_over_intake"] = [asdict(its) for its in exhaust_over_intake(pulls)]
    return json.dumps(made, indent=2)
