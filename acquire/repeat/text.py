"""A repeatability study as text for a terminal and as JSON."""

import json
from collections.abc import Sequence
from textwrap import wrap
from typing import Any

from acquire.config import BenchConfig
from acquire.repeat.record import LiftRepeat, Repeatability
from acquire.repeat.smallest import smallest_difference_m3_s
from acquire.units import from_si

PULLS = (1, 2, 3, 4, 6, 10)


def repeat_text(record: Repeatability, config: BenchConfig, notes: Sequence[str] = ()) -> str:
    """The scatter by lift, and the smallest difference that it lets one show."""
    lift, flow, pressure = config.display.lift, config.display.flow, config.display.pressure
    pulls = sum(map(len, record.mounts))
    held = from_si(record.test_pressure_pa, pressure, config.water)
    head = [
        *wrap(f"Repeatability of {record.bench}, {record.direction}, {held:.4g} {pressure}", 80),
        *wrap(f"Head: {record.subject}, {len(record.mounts)} mounts, {pulls} pulls", 80),
        *wrap(f"Mounts: {'  '.join(','.join(map(str, mount)) for mount in record.mounts)}", 80),
        *wrap(f"Set-up: {record.setup}", 80),
        *(line for note in notes for line in wrap(note, 80)),
        "",
        f"Standard deviations, {flow}:",
        f"{'lift ' + lift:>8}  {'mean':>8}   {'within a mount':<21}  between mounts",
    ]
    rows = [_scatter(its, lift, flow) for its in record.lifts]
    if any(its.study.negative for its in record.lifts):
        rows.append("between 0: mounting does not show beside the pulls' own scatter.")
    many = [f"{n:>8}" for n in PULLS]
    shown = [
        "",
        f"Smallest difference of two heads that is found in 8 of 10 cases (95 %), {flow}:",
        f"{'pulls each, head mounted anew for each pull':>58}   in one mount",
        f"{'lift ' + lift:>8}{''.join(many)}{3:>10}",
    ]
    for its in record.lifts:
        cells = [_both(its, n, flow) for n in PULLS]
        once = smallest_difference_m3_s(its, 3, remounted=False)
        shown.append(f"{_lift(its, lift)}{''.join(f'{own:8.2f}' for own, _ in cells)}{from_si(once, flow):10.2f}")
        once_rel = f"{100.0 * once / its.mean_m3_s:.2f}%" if its.mean_m3_s > 0.0 else "-"
        shown.append(f"{'':>8}{''.join(f'{rel:>8}' for _, rel in cells)}{once_rel:>10}")
    shown += ["", "At one lift by itself; a verdict on many lifts together needs somewhat more."]
    weak = min(its.mounts for its in record.lifts)
    if weak < 5:
        shown.append(
            f"{weak} mounts tell the scatter between mounts but roughly, and that is in these\n"
            "figures: a study of more mounts makes them smaller."
        )
    return "\n".join([*head, *rows, *shown])


def _lift(its: LiftRepeat, unit: str) -> str:
    return f"{from_si(its.lift_m, unit):>8.4g}"


def _scatter(its: LiftRepeat, lift: str, flow: str) -> str:
    cells = [
        f"{from_si(s, flow):6.3f} {_percent(s, its):>6} ({_dof(dof)})"
        for s, dof in ((its.s_within_m3_s, its.within_dof), (its.s_between_m3_s, its.between_dof))
    ]
    return f"{_lift(its, lift)}  {from_si(its.mean_m3_s, flow):8.2f}   {cells[0]:<21}  {cells[1]:<21}".rstrip()


def _dof(dof: float) -> str:
    return f"dof {dof:.0f}" if dof == round(dof) else f"dof {dof:.1f}"


def _percent(value: float, its: LiftRepeat) -> str:
    return f"{100.0 * value / its.mean_m3_s:.2f}%" if its.mean_m3_s > 0.0 else "-"


def _both(its: LiftRepeat, pulls: int, flow: str) -> tuple[float, str]:
    smallest = smallest_difference_m3_s(its, pulls)
    return from_si(smallest, flow), _percent(smallest, its)


def repeat_json(record: Repeatability, notes: Sequence[str] = (), kept: int | None = None) -> str:
    """The record and the smallest differences, SI units; ``kept``: its number in the archive."""
    smallest: list[dict[str, Any]] = [
        {
            "lift_m": its.lift_m,
            "remounted_m3_s": {str(n): smallest_difference_m3_s(its, n) for n in PULLS},
            "one_mount_m3_s": {str(n): smallest_difference_m3_s(its, n, remounted=False) for n in PULLS},
        }
        for its in record.lifts
    ]
    found = {"kept": kept, "record": record.model_dump(), "smallest_difference": smallest, "notes": list(notes)}
    return json.dumps(found, indent=2)
