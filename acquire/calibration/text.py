"""What a calibration says on the screen: points, curve, what changes; and the history of an instrument."""

import math
from collections.abc import Sequence
from typing import Any

from acquire.bench_records import Kept
from acquire.calibration.doubt import ZEROED, doubt_at
from acquire.calibration.making import Target, stated_half_width
from acquire.calibration.record import Calibration, CalibrationCheck, Referenced
from acquire.calibration.words import said
from acquire.scaling import calibrated, line_of, number_of
from acquire.text import columns


def made_text(target: Target, made: Referenced, warned: Sequence[str]) -> str:
    """Everything about a calibration (or a check) before it is kept."""
    unit, show = target.settings.unit, _figures(made)
    certificate = f", certificate {made.certificate}" if made.certificate else ""
    lines = [
        f"{said(made.channel).capitalize()} of {made.instrument}, in {unit}, bench {made.bench}",
        f"Against {made.standard or 'a reference'}{certificate}: {_standard(made, unit)}",
        f"In force until now: {_before(target)}.",
        "",
        _points_table(made, show),
        "",
    ]
    if isinstance(made, Calibration):
        lines += [*_curve(made, unit, show), "", changes_table(target, made, show)]
    else:
        worst = max(made.as_found, key=abs)
        top = max(made.points, key=lambda point: abs(point.reference)).reference
        lines.append(f"Largest error as found {_signed(show, worst)} {unit}; {_stated(target, top, show)}.")
    return "\n".join([*lines, *(f"Note: {its}." for its in warned)])


def typical_readings(made: Calibration) -> list[float]:
    """Five readings over the references covered."""
    low, high = made.low or 0.0, made.high or 0.0
    return [low + share * (high - low) for share in (0.0, 0.25, 0.5, 0.75, 1.0)]


def changes(target: Target, made: Calibration) -> list[dict[str, float]]:
    """What a number that read so with what was in force reads from now on, in the channel's unit."""
    new = calibrated(target.settings, made, target.water)
    after = Target(target.bench, target.water, target.channel, target.instrument, target.settings, Kept(0, "", made))
    rows = []
    for reading in typical_readings(made):
        now = new.quantity(number_of(target.in_force, reading))
        rows.append(
            {
                "before": reading,
                "now": now,
                "half_width_95_before": stated_half_width(target, reading),
                "half_width_95_now": stated_half_width(after, now),
            }
        )
    return rows


def changes_table(target: Target, made: Calibration, show: str) -> str:
    """The same as a table."""
    rows: list[tuple[str, ...]] = [("read", "reads now", "change", "±95 % before", "±95 % now")]
    for its in changes(target, made):
        cells = (f"{its[name]:{show}}" for name in ("half_width_95_before", "half_width_95_now"))
        moved = its["now"] - its["before"]
        rows.append((f"{its['before']:{show}}", f"{its['now']:{show}}", _signed(show, moved), *cells))
    return columns(rows, right=True)


def history_text(records: Sequence[Kept[Calibration] | Kept[CalibrationCheck]], now_utc: str) -> str:
    """Every calibration and check, the oldest first, with how far the instrument had drifted since the one before."""
    if not records:
        return "No calibration is kept: the configured scales and accuracies hold."
    rows = [("no.", "date", "what", "channel", "reference", "due", "±95 %", "drift")]
    several = len({(kept.record.bench, kept.record.instrument) for kept in records}) > len(
        {kept.record.channel for kept in records}
    )
    drifts = drift_of(records)
    for kept in records:
        its = kept.record
        show = _figures(its)
        drift = drifts[kept.id]
        accuracy = due = "-"
        if isinstance(its, Calibration):
            half_width = doubt_at(its, its.high or 0.0, its.channel in ZEROED).half_width_95
            accuracy = f"{half_width:{show}} {its.unit.split('@')[0]}"
            due = (its.due_utc[:10] + " EXPIRED" * its.expired(now_utc)) or "-"
        rows.append(
            (
                str(kept.id),
                its.made_utc[:10],
                "calibration" if isinstance(its, Calibration) else "check",
                said(its.channel) + (f", {its.instrument}" if several else ""),
                its.certificate or its.standard or "-",
                due,
                accuracy,
                "-" if drift is None else _signed(show, drift),
            )
        )
    return columns(rows)


def drift_of(records: Sequence[Kept[Calibration] | Kept[CalibrationCheck]]) -> dict[int, float | None]:
    """The largest error as found, where a calibration of the same instrument came before; in the record's unit.

    That is what the instrument moved since, the two references' errors included.
    """
    found: dict[int, float | None] = {}
    for kept in records:
        its = kept.record
        found[kept.id] = max(its.as_found, key=abs) if its.before_id is not None and its.as_found else None
    return found


def made_json(target: Target, made: Referenced, number: int | None, warned: Sequence[str]) -> dict[str, Any]:
    """The record with what changes, for a machine."""
    found: dict[str, Any] = {"id": number, "record": made.model_dump(mode="json"), "notes": list(warned)}
    if isinstance(made, Calibration):
        found["changes"] = changes(target, made)
    return found


def _points_table(made: Referenced, show: str) -> str:
    left = made.as_left if isinstance(made, Calibration) else ()
    rows = [("point", "way", "reference", "received", "as found", *(("as left",) if left else ()))]
    for i, point in enumerate(made.points):
        cells = [str(i + 1), "down" if point.falling else "up", f"{point.reference:{show}}", f"{point.number:.7g}"]
        cells.append(_signed(show, made.as_found[i]))
        rows.append((*cells, *((_signed(show, left[i]),) if left else ())))
    return columns(rows, right=True)


def _curve(made: Calibration, unit: str, show: str) -> list[str]:
    offset, slope, *bend = made.coefficients
    more = "".join(f" {'+' if its >= 0 else '-'} {abs(its):.6g} × number²" for its in bend)
    curve = f"{offset:.6g} {'+' if slope >= 0 else '-'} {abs(slope):.8g} × number{more}"
    both = any(point.falling for point in made.points)
    turned = f"hysteresis {made.hysteresis:{show}} {unit}" if both else "hysteresis not known"
    due = f"Due {made.due_utc[:10]}." if made.due_utc else "No due date."
    return [
        f"{'Straight line' if made.fit == 'line' else 'Quadratic'}: {curve}",
        f"residual sd {made.residual_sd:{show}} {unit} ({made.dof:.0f} degrees of freedom), {turned}",
        f"Covers {made.low:g} to {made.high:g} {unit}; beyond, the ± grows. {due}",
    ]


def _before(target: Target) -> str:
    if target.before is not None:
        its = target.before.record
        certificate = f", certificate {its.certificate}" if its.certificate else ""
        return f"calibration {target.before.id} of {its.made_utc[:10]}{certificate}"
    its_line = line_of(target.settings)
    return f"the configuration (scale {its_line.scale:g}, offset {its_line.offset:g})"


def _stated(target: Target, quantity: float, show: str) -> str:
    stated = stated_half_width(target, quantity)
    return f"±{stated:{show}} {target.settings.unit} is stated at {quantity:g}"


def _standard(made: Referenced, unit: str) -> str:
    parts = [f"{made.standard_uncertainty:g} {unit}"] * (made.standard_uncertainty > 0)
    parts += [f"{made.standard_percent:g} % of reading"] * (made.standard_percent > 0)
    return f"±{' + '.join(parts)} (95 %)"


def _figures(made: Referenced) -> str:
    """How a quantity of this instrument is printed: to a hundred-thousandth of what was covered."""
    references = [point.reference for point in made.points] or [0.0, 1.0]
    span = max(references) - min(references) or abs(references[0]) or 1.0
    return f".{min(8, max(0, math.ceil(-math.log10(span * 2e-5))))}f"


def _signed(show: str, value: float) -> str:
    return f"{value:+{show}}"
