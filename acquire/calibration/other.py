"""A pull recomputed with other calibrations than its own: which, and what that changes."""

from collections.abc import Sequence

from acquire.basis import Basis
from acquire.calibration.record import Calibration
from acquire.calibration.words import overdue, said
from acquire.records import ArchivedPull, Refused, bench_channels
from acquire.sessions.replay import Replayed
from acquire.store.reader import ArchiveReader
from acquire.text import Shown, columns
from acquire.values import Point


def other_basis(reader: ArchiveReader, pull: ArchivedPull, chosen: Sequence[str]) -> Basis:
    """The pull's basis with calibrations exchanged: each of ``chosen`` is channel=number, or channel=none.

    Raises ``Refused`` with one sentence for one that does not exist or is of another instrument.
    """
    calibrations, ids = dict(pull.basis.calibrations), dict(pull.basis.calibration_ids)
    configured = bench_channels(pull.config)
    for one in chosen:
        name, _, number = (part.strip() for part in one.partition("="))
        channel = name.replace(" ", "_")
        if channel not in configured:
            raise Refused(f"{one!r} names no channel of pull {pull.id}: use one of {', '.join(configured)}.")
        calibrations.pop(channel, None)
        ids.pop(channel, None)
        if number == "none":
            continue
        known = {str(kept.id): kept for kept in reader.bench_records(Calibration, key=channel)}
        if number not in known:
            there = f"there are {', '.join(sorted(known, key=int))}" if known else "none is kept"
            raise Refused(
                f"{one!r}: {number or 'that'} is no calibration of the {said(channel)} ({there}): "
                f"see calibrate --list, or use {channel}=none for the configured scale."
            )
        its = known[number]
        if its.record.instrument != configured[channel].instrument:
            raise Refused(
                f"Calibration {number} is of the instrument {its.record.instrument}, but pull {pull.id} was taken "
                f"with {configured[channel].instrument}: choose one of that."
            )
        calibrations[channel], ids[channel] = its.record, its.id
    late = overdue(calibrations, pull.started_utc)
    return pull.basis.model_copy(update={"calibrations": calibrations, "calibration_ids": ids, "overdue": late})


def changes_text(pull: ArchivedPull, basis: Basis, result: Replayed) -> str:
    """Point by point what was recorded and what came now, in the bench's units."""
    shown = Shown(pull.config)
    lines = [
        f"  {said(channel)}: {_which(basis, channel)} instead of {_which(pull.basis, channel)}"
        for channel in sorted({*pull.basis.calibrations, *basis.calibrations})
        if pull.basis.calibration_ids.get(channel) != basis.calibration_ids.get(channel)
    ]
    now = {(point.step, point.take): point for point in result.points}
    then = {(point.step, point.take): point for point in result.recorded}
    rows: list[tuple[str, ...]] = [
        ("step", f"lift {shown.lift_unit}", f"flow {shown.flow_unit}", "now", "change", "±95 %", "now", "held", "now")
    ]
    rows += [_row(shown, then.get(key), now.get(key), key[0]) for key in sorted(then.keys() | now.keys())]
    return "\n".join([*lines, columns(rows)])


def _row(shown: Shown, then: Point | None, now: Point | None, step: int) -> tuple[str, ...]:
    either = then or now
    lift = shown.lift(either.step_lift_m) if either else "-"
    flows = [shown.flow(its.flow.flow_m3_s) if its else "not taken" for its in (then, now)]
    change = "-"
    if then is not None and now is not None:
        moved = now.flow.flow_m3_s - then.flow.flow_m3_s
        change = f"{'+' if moved >= 0 else ''}{shown.flow(moved)}"
    widths = [shown.flow(its.flow.half_width_95_m3_s) if its else "-" for its in (then, now)]
    held = [shown.pressure(its.test_pressure_pa) if its else "-" for its in (then, now)]
    return (str(step + 1), lift, *flows, change, *widths, *held)


def _which(basis: Basis, channel: str) -> str:
    if channel not in basis.calibrations:
        return "the configured scale"
    return f"calibration {basis.calibration_ids.get(channel, '-')} of {basis.calibrations[channel].made_utc[:10]}"
