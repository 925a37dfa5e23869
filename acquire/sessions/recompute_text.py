"""What recomputing an archive changed, as text and as JSON."""

import json
from collections.abc import Sequence
from typing import Any

from acquire import __version__
from acquire.sessions.recompute import PointNow, PullNow, Settings
from acquire.text import Shown, columns
from acquire.values import Point


def recomputed_text(found: Sequence[PullNow], settings: Settings, *, by_point: bool = False) -> str:
    """A sentence of what was done, one of what came out, then every pull that changed."""
    how = "each with its own settings"
    if settings.whole:
        how = f"all with {settings.name}"
    elif settings.over:
        how = f"each with {settings.name} laid over its own settings"
    failed = [its for its in found if its.failure]
    changed = [its for its in found if not its.failure and its.changed]
    exact = sum(its.exact for its in found if not its.failure)
    close = len(found) - len(failed) - len(changed) - exact
    lines = [
        f"{_pulls(len(found))} computed again by version {__version__}, {how}.",
        f"The same bit for bit: {exact}. The same but for last digits: {close}. "
        f"Changed: {len(changed)}. Not possible: {len(failed)}.",
        "Nothing that was recorded is touched.",
    ]
    if changed:
        lines += ["", columns([_HEAD, *(_row(its) for its in changed)])]
    if any(its.leakage_again for its in changed):
        lines += ["", "* with the leakage that its blank-plate run gives now"]
    for its in changed:
        if by_point:
            lines += ["", _point_table(its)]
        lines += [f"pull {its.pull_id} NEW MARK: {mark.sentence}" for mark in its.marks_new]
        lines += [f"pull {its.pull_id} no longer marked: {mark.sentence}" for mark in its.marks_gone]
    lines += [f"pull {its.pull_id} not computed: {its.failure}" for its in failed]
    return "\n".join(lines)


def _pulls(number: int) -> str:
    return "1 pull" if number == 1 else f"{number} pulls"


_HEAD = ("pull", "head", "direction", "points", "largest change of flow", "±95 % there", "marks")


def _row(its: PullNow) -> tuple[str, ...]:
    shown = Shown(its.config)
    moved = sum(point.changed for point in its.points)
    change = width = "-"
    most = its.largest
    if most is not None and most.then is not None and most.now is not None:
        share = most.change_m3_s / abs(most.then.flow.flow_m3_s) if most.then.flow.flow_m3_s else 0.0
        where = f"step {most.step + 1}" if most.then.step_lift_m is None else shown.lift(most.then.step_lift_m)
        change = f"{_signed(shown.flow(most.change_m3_s))} {shown.flow_unit} ({100 * share:+.2f} %) at {where}"
        width = f"{shown.flow(most.then.flow.half_width_95_m3_s)} -> {shown.flow(most.now.flow.half_width_95_m3_s)}"
    marks = ", ".join(f"{sign}{len(which)}" for sign, which in (("+", its.marks_new), ("-", its.marks_gone)) if which)
    which = f"{its.pull_id}{'*' if its.leakage_again else ''}"
    return (which, its.subject, its.direction, f"{moved} of {len(its.points)}", change, width, marks)


def _signed(text: str) -> str:
    return text if text.startswith("-") else f"+{text}"


def _point_table(its: PullNow) -> str:
    shown = Shown(its.config)
    rows: list[tuple[str, ...]] = [
        ("step", f"lift {shown.lift_unit}", f"flow {shown.flow_unit}", "now", "change", "±95 %", "now")
    ]
    for point in its.points:
        either = point.then or point.now
        both = point.then is not None and point.now is not None
        rows.append(
            (
                f"{point.step + 1}" + (f" take {point.take}" if point.take > 1 else ""),
                shown.lift(either.step_lift_m) if either else "-",
                *(shown.flow(p.flow.flow_m3_s) if p else "not taken" for p in (point.then, point.now)),
                _signed(shown.flow(point.change_m3_s)) if both else "-",
                *(shown.flow(p.flow.half_width_95_m3_s) if p else "-" for p in (point.then, point.now)),
            )
        )
    return f"Pull {its.pull_id}, {its.subject}, {its.direction}:\n{columns(rows)}"


def recomputed_json(found: Sequence[PullNow], settings: Settings) -> str:
    """Every pull and every take, SI units."""
    return json.dumps(
        {
            "version": __version__,
            "settings": settings.name or None,
            "pulls": [_pull_json(its) for its in found],
        },
        indent=2,
    )


def _pull_json(its: PullNow) -> dict[str, Any]:
    return {
        "pull": its.pull_id,
        "uid": its.uid,
        "kind": its.kind,
        "direction": its.direction,
        "subject": its.subject,
        "started_utc": its.started_utc,
        "failure": its.failure or None,
        "bit_for_bit": its.exact,
        "changed": its.changed,
        "leakage_computed_again": its.leakage_again,
        "marks_new": [mark.sentence for mark in its.marks_new],
        "marks_gone": [mark.sentence for mark in its.marks_gone],
        "points": [_point_json(point) for point in its.points],
    }


def _point_json(point: PointNow) -> dict[str, Any]:
    return {
        "step": point.step + 1,
        "take": point.take,
        "changed": point.changed,
        "then": _figures(point.then),
        "now": _figures(point.now),
    }


def _figures(point: Point | None) -> dict[str, Any] | None:
    if point is None:
        return None
    return {
        "lift_m": point.step_lift_m,
        "flow_m3_s": point.flow.flow_m3_s,
        "half_width_95_m3_s": point.flow.half_width_95_m3_s,
        "test_pressure_pa": point.test_pressure_pa,
        "settled": point.settled,
        "held": point.hold.held,
        "remark": point.remark,
    }
