"""The shop's reference plate: its effective area over time, and whether the last run belongs to the others."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from acquire.age import age_s, age_said, duration_said
from acquire.ready.control_chart import LEAST_BEFORE, judge_last
from acquire.ready.record import ReadyLine
from acquire.ready.words import Words
from acquire.records import ArchivedPull
from acquire.values import Direction, Point

_K = 2.0


@dataclass(frozen=True, slots=True)
class PlateSeries:
    """The plate's effective areas in one direction, on one meter range, at one test pressure, the oldest first.

    ``own_u_m2``: what is new with each run (scatter, digits, zeros), one
    standard uncertainty; what the bench has in common with itself is left out.
    """

    direction: Direction
    meter_range: str
    test_pressure_pa: float
    made_utc: tuple[str, ...]
    pull_ids: tuple[int, ...]
    areas_m2: tuple[float, ...]
    own_u_m2: tuple[float, ...]


def plate_series(pulls: Iterable[ArchivedPull], plate: str, since: date | None, simulated: bool) -> list[PlateSeries]:
    """The histories of a plate, from complete runs; a simulated bench and a real one never share one."""
    found: dict[tuple[Direction, str, int], list[tuple[ArchivedPull, Point]]] = {}
    for pull in sorted(pulls, key=lambda its: its.started_utc):
        request = pull.request
        if request.kind != "plate" or request.subject.identifier.casefold() != plate.casefold():
            continue
        if pull.outcome != "complete" or pull.simulated != simulated:
            continue
        if since is not None and pull.started_utc[:10] < since.isoformat():
            continue
        steps = request.steps()
        for point in pull.in_force.values():
            if not point.unsettled:
                key = (request.direction, point.meter_range, round(steps[point.step].test_pressure_pa))
                found.setdefault(key, []).append((pull, point))
    return [
        PlateSeries(
            direction=direction,
            meter_range=meter_range,
            test_pressure_pa=runs[0][0].request.steps()[runs[0][1].step].test_pressure_pa,
            made_utc=tuple(pull.started_utc for pull, _ in runs),
            pull_ids=tuple(pull.id for pull, _ in runs),
            areas_m2=tuple(point.flow.effective_area_m2 for _, point in runs),
            own_u_m2=tuple(_own_u_m2(point) for _, point in runs),
        )
        for (direction, meter_range, _), runs in sorted(found.items())
    ]


def _own_u_m2(point: Point) -> float:
    scale = max(abs(point.flow.effective_area_m2), point.flow.standard_uncertainty_m2)
    return scale * math.hypot(*(part.contribution_rel for part in point.flow.budget if not part.shared), 0.0)


def plate_lines(
    series: list[PlateSeries], plate: str, age_limit_s: float, now_utc: str, words: Words
) -> list[ReadyLine]:
    """One line for each direction in which the plate was run."""
    if not plate:
        return [ReadyLine(name="reference plate", verdict="left out", said="no plate is named in [ready]")]
    run = f"make a reference plate run with {plate}: steadydraw ready --plate runs it as it was run last"
    if not series:
        cure = f"make a reference plate run with {plate} at two or three test pressures, once for each direction"
        return [ReadyLine(name="reference plate", verdict="bad", said=f"{plate} was never run", cure=cure)]
    lines = []
    for direction in sorted({its.direction for its in series}, reverse=True):
        newest = max(its.made_utc[-1] for its in series if its.direction == direction)
        last = [its for its in series if its.direction == direction and its.made_utc[-1] == newest]
        lines.append(_line(last, newest, age_limit_s, now_utc, words, run))
    return lines


def _line(last: list[PlateSeries], newest: str, age_limit_s: float, now_utc: str, words: Words, run: str) -> ReadyLine:
    name = f"reference plate, {last[0].direction}"
    age = age_said(newest, now_utc)
    if age_s(newest, now_utc) > age_limit_s:
        said = f"last run is {age}, the limit is {duration_said(age_limit_s)}"
        return ReadyLine(name=name, verdict="bad", said=said, cure=run)
    broken: list[str] = []
    shown: list[str] = []
    for its in last:
        at = words.test_pressure(its.test_pressure_pa)
        judged = judge_last(its.areas_m2)
        if judged is None:
            off, within, text = _before_history(its)
            shown.append(f"at {at} {text}")
            if off is not None and abs(off) > within:
                broken.append(
                    f"at {at} {100 * off:+.2f} % from the mean of the runs before, beyond ± {100 * within:.2f} %"
                )
            continue
        limits, signals = judged
        off = its.areas_m2[-1] / limits.centre - 1.0
        shown.append(f"at {at} {100 * off:+.2f} % (limits ± {300 * limits.sigma / limits.centre:.2f} %)")
        if signals:
            broken.append(f"at {at} {100 * off:+.2f} %: {', '.join(signal.rule for signal in signals)}")
    if broken:
        cure = (
            "run it again; if it stays: clean the plate and the meter, check gaskets and hoses, "
            "then the transducers' calibration"
        )
        return ReadyLine(name=name, verdict="bad", said="; ".join(broken), cure=cure)
    return ReadyLine(name=name, verdict="good", said=f"{age}: {'; '.join(shown)}")


def _before_history(its: PlateSeries) -> tuple[float | None, float, str]:
    """With too few runs for limits: only whether the last one agrees with the others within its own interval."""
    before = its.areas_m2[:-1]
    missing = f"{len(its.areas_m2)} of {LEAST_BEFORE + 1} runs, no limits yet"
    if not before:
        return None, 0.0, missing
    mean = math.fsum(before) / len(before)
    off = its.areas_m2[-1] / mean - 1.0
    u = max(its.own_u_m2)
    within = _K * u * math.sqrt(1.0 + 1.0 / len(before)) / mean
    return off, within, f"{100 * off:+.2f} % ({missing})"
