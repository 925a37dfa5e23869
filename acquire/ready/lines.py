"""The lines of a check: what was seen and kept, each with a verdict and a cure. Pure."""

from collections.abc import Collection, Mapping, Sequence

from acquire.age import age_s, age_said, duration_said
from acquire.calibration.record import Calibration
from acquire.ready.drift import Drift, drift_of
from acquire.ready.record import ReadyLine
from acquire.ready.watch import METER_TEMPERATURE, PRESSURES, Seen
from acquire.ready.words import Words
from acquire.records import BenchSummary, InstrumentState, LeakageLaw, Setup
from acquire.room.air import CHANNELS, ByHand
from acquire.values import Direction


def instruments_line(instruments: Sequence[InstrumentState]) -> ReadyLine:
    """Whether every instrument answers."""
    name, missing = "instruments", [its for its in instruments if its.state != "live"]
    if not missing:
        count = len(instruments)
        return ReadyLine(name=name, verdict="good", said=f"{'the one' if count == 1 else f'all {count}'} answering")
    said = f"{', '.join(its.name for its in missing)} not answering"
    return ReadyLine(name=name, verdict="bad", said=said, cure="; ".join(its.sentence for its in missing))


def watch_lines(seen: Seen, bench: BenchSummary, words: Words) -> list[ReadyLine]:
    """Bench off, zeros, their drift, the meter's temperature."""
    if seen.still_on:
        cure = (
            "do so, then check again; with blower off and valve closed it is the zero itself: set the instrument's zero"
        )
        return [
            ReadyLine(name="bench off", verdict="bad", said=seen.still_on[0].lower() + seen.still_on[1:], cure=cure)
        ]
    drifts = {its.channel: drift_of(its, seen.span_s) for its in seen.watched}
    lines = [_zeros(drifts, bench, words), _zero_drift(drifts, seen, bench, words)]
    lines.append(_meter_temperature(drifts, seen, bench))
    return lines


def _zeros(drifts: Mapping[str, Drift | None], bench: BenchSummary, words: Words) -> ReadyLine:
    found = {name: drift for name in PRESSURES if (drift := drifts.get(name)) is not None}
    missing = [name.replace("_", " ") for name in PRESSURES if name not in found]
    if missing:
        return _unread("zeros", missing)
    limit = bench.ready.zero_limit_pa
    shown = ", ".join(
        f"{name.removesuffix('_pressure')} {words.bare_pressure(its.mean, signed=True)}" for name, its in found.items()
    )
    said = f"{shown}, limit {words.pressure(limit)}"
    lift = drifts.get("lift")
    if lift is not None:
        said += f"; lift {words.lift(lift.mean)}"
    beyond = [name.replace("_", " ") for name, its in found.items() if abs(its.mean) > limit]
    if beyond:
        cure = f"see that no hose of {' and '.join(beyond)} is under pressure or wet, then set its zero"
        return ReadyLine(name="zeros", verdict="bad", said=said, cure=cure)
    return ReadyLine(name="zeros", verdict="good", said=said)


def _zero_drift(drifts: Mapping[str, Drift | None], seen: Seen, bench: BenchSummary, words: Words) -> ReadyLine:
    name = "zero drift"
    found = {channel: drift for channel in PRESSURES if (drift := drifts.get(channel)) is not None}
    missing = [channel.replace("_", " ") for channel in PRESSURES if channel not in found]
    if missing:
        return _unread(name, missing)
    limit = bench.ready.zero_drift_pa
    shown = ", ".join(
        f"{channel.removesuffix('_pressure')} {words.bare_pressure(its.change, signed=True)}"
        for channel, its in found.items()
    )
    said = f"{shown} in {seen.span_s:.0f} s, limit {words.pressure(limit)}"
    cure = "the transducers are still warming up: leave them on and check again in ten minutes"
    return _judged(name, list(found.values()), limit, said, cure)


def _meter_temperature(drifts: Mapping[str, Drift | None], seen: Seen, bench: BenchSummary) -> ReadyLine:
    name, drift = "meter temperature", drifts.get(METER_TEMPERATURE)
    if METER_TEMPERATURE not in {its.channel for its in seen.watched} and METER_TEMPERATURE not in seen.live:
        return ReadyLine(name=name, verdict="left out", said="not measured on this bench")
    if drift is None:
        return _unread(name, ["meter temperature"])
    limit = bench.ready.temperature_drift_k
    said = f"{drift.change:+.2f} K in {seen.span_s:.0f} s, limit {limit:g} K"
    cure = "blower and plenum still warm up or cool down: run the blower for ten minutes, stop it, and check again"
    return _judged(name, [drift], limit, said, cure)


def _judged(name: str, drifts: Sequence[Drift], limit: float, said: str, cure: str) -> ReadyLine:
    if any(abs(its.change) > limit for its in drifts):
        return ReadyLine(name=name, verdict="bad", said=said, cure=cure)
    if any(abs(its.change) + its.half_width_95 > limit for its in drifts):
        cure = (
            "the readings are too unsteady to tell: shield the hoses from draught, or watch for longer ([ready] watch)"
        )
        return ReadyLine(name=name, verdict="not known", said=said, cure=cure)
    return ReadyLine(name=name, verdict="good", said=said)


def _unread(name: str, missing: Sequence[str]) -> ReadyLine:
    return ReadyLine(
        name=name,
        verdict="not known",
        said=f"no readings of {' and '.join(missing)}",
        cure="see the instrument that measures it, then check again",
    )


def leakage_line(
    direction: Direction, newest: tuple[LeakageLaw, Setup] | None, bench: BenchSummary, now_utc: str, words: Words
) -> ReadyLine:
    """Whether the leakage of a direction is known and young enough."""
    name = f"leakage, {direction}"
    cure = f"fit the blank plate and make a leakage run, {direction}"
    if newest is None:
        return ReadyLine(name=name, verdict="bad", said="not measured", cure=cure)
    law, setup = newest
    age, limit_s = age_said(law.measured_utc, now_utc), bench.leakage.age_limit_s
    if age_s(law.measured_utc, now_utc) > limit_s:
        said = f"pull {law.pull_id} is {age}, the limit is {duration_said(limit_s)}"
        return ReadyLine(name=name, verdict="bad", said=said, cure=cure)
    bore = f" on {words.length(setup.bore_fixture_diameter_m)}" if setup.bore_fixture_diameter_m is not None else ""
    amount = words.flow(law.area_m2) if law.below_m2 is None else f"below {words.flow(law.below_m2)}"
    return ReadyLine(name=name, verdict="good", said=f"{amount}{bore}, pull {law.pull_id}, {age}")


def room_line(measured: Collection[str], live: Collection[str], entered: Mapping[str, ByHand]) -> ReadyLine:
    """Whether the room's air is measured, or was entered a short time ago. ``entered``: what no instrument measures."""
    name = "room air"
    silent = [channel.replace("_", " ") for channel in CHANNELS if channel in measured and channel not in live]
    if silent:
        return _unread(name, silent)
    if not entered:
        return ReadyLine(name=name, verdict="good", said="measured")
    cure = "read barometer, thermometer and hygrometer and enter them: steadydraw air"
    missing = [its.name for its in entered.values() if its.value is None]
    if missing:
        return ReadyLine(name=name, verdict="bad", said=f"{', '.join(missing)} not given", cure=cure)
    said = ", ".join(f"{its.name.removeprefix('room ')} {_entered(its)}" for its in entered.values())
    if any(its.too_old for its in entered.values()):
        return ReadyLine(name=name, verdict="bad", said=said, cure=cure)
    return ReadyLine(name=name, verdict="good", said=said)


def _entered(its: ByHand) -> str:
    age = "without a date" if its.age_s is None else f"{duration_said(its.age_s)} old"
    return f"{age} (limit {duration_said(its.limit_s)})"


def calibrations_line(newest: Sequence[Calibration], now_utc: str) -> ReadyLine:
    """Whether a calibration in force is overdue. ``newest``: the latest of each channel."""
    name = "calibrations"
    if not newest:
        said = "none kept: the instruments' stated accuracies are used"
        return ReadyLine(name=name, verdict="left out", said=said)
    due = [its for its in newest if its.expired(now_utc)]
    if due:
        said = ", ".join(f"{its.channel.replace('_', ' ')} was due {its.due_utc[:10]}" for its in due)
        cure = f"calibrate again: steadydraw calibrate {due[0].channel}"
        return ReadyLine(name=name, verdict="bad", said=said, cure=cure)
    dates = sorted(its.due_utc[:10] for its in newest if its.due_utc)
    count = f"{len(newest)} channel{'s' if len(newest) > 1 else ''}"
    return ReadyLine(
        name=name, verdict="good", said=f"{count}, next due {dates[0]}" if dates else f"{count}, no due date"
    )
