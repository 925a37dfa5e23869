"""A check as text: one line each with its verdict and the cure, and the plate's chart in letters."""

import textwrap
from collections.abc import Sequence

from acquire.age import age_said
from acquire.bench_records import Kept
from acquire.ready.control_chart import BASE, LEAST_BEFORE, limits_of, signals_of
from acquire.ready.plate import PlateSeries
from acquire.ready.record import Readiness, Verdict
from acquire.ready.words import Words

WIDTH = 80
_SAID: dict[Verdict, str] = {"good": "good", "bad": "BAD", "not known": "NOT KNOWN", "left out": "-"}
_RUNS_SHOWN = 60


def check_text(record: Readiness, bench: str) -> str:
    """Every line, its cure beneath it, the verdict last."""
    name = max((len(line.name) for line in record.lines), default=0)
    verdict = max(map(len, _SAID.values()))
    out = []
    if record.simulated:
        out.append("SIMULATED BENCH: not a real check.")
    for line in record.lines:
        start = f"{_SAID[line.verdict]:<{verdict}}  {line.name:<{name}}  "
        out += _wrapped(start, line.said)
        if line.cure and not line.passes:
            out += _wrapped(" " * (len(start) - 3) + "-> ", line.cure)
    when = record.made_utc[:16].replace("T", " ")
    against = [line.name for line in record.lines if not line.passes]
    last = "is ready" if record.ready else f"is NOT READY: {', '.join(against)}"
    return "\n".join([*out, "", *textwrap.wrap(f"{bench} {last}. {when} UTC.", WIDTH)])


def _wrapped(start: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start)) or [start.rstrip()]


def history_text(checks: Sequence[Kept[Readiness]], now_utc: str) -> str:
    """``steadydraw ready --list``: the checks, the newest first."""
    if not checks:
        return "The bench was never checked: steadydraw ready."
    out = []
    for kept in checks:
        record = kept.record
        when = f"{record.made_utc[:16].replace('T', ' ')} UTC, {age_said(record.made_utc, now_utc)}"
        against = ", ".join(line.name for line in record.lines if not line.passes)
        simulated = "  simulated" if record.simulated else ""
        out += _wrapped(
            f"{when:<34}  ", f"{'ready' if record.ready else 'NOT READY'}{simulated}{': ' if against else ''}{against}"
        )
    return "\n".join(out)


def chart_text(its: PlateSeries, words: Words) -> str:
    """A plate's history in letters: one column a run, the oldest left; rows are the chart's sigma zones."""
    title = (
        f"Reference plate, {its.direction}, {words.test_pressure(its.test_pressure_pa)}, "
        f"range {its.meter_range}, {_count(len(its.areas_m2), 'run')}"
    )
    latest = f"last {words.flow(its.areas_m2[-1])}, {its.made_utc[-1][:16].replace('T', ' ')} UTC"
    if len(its.areas_m2) <= LEAST_BEFORE:
        return f"{title}\n{latest}; limits are drawn from {LEAST_BEFORE + 1} runs on"
    limits = limits_of(its.areas_m2[:-1][:BASE])
    broken = {signal.index for signal in signals_of(its.areas_m2, limits)}
    shown = range(max(0, len(its.areas_m2) - _RUNS_SHOWN), len(its.areas_m2))
    rows = {zone: [" "] * len(shown) for zone in range(-4, 5)}
    for column, run in enumerate(shown):
        away = its.areas_m2[run] - limits.centre
        sigmas = away / limits.sigma if limits.sigma > 0 else 5.0 * ((away > 0) - (away < 0))
        zone = max(-4, min(4, round(sigmas)))
        rows[zone][column] = "X" if run in broken else "o"
    rel = limits.sigma / limits.centre
    labels = {3: f"+{300 * rel:.2f} %", 0: words.flow(limits.centre), -3: f"-{300 * rel:.2f} %"}
    wide = max(map(len, labels.values()))
    out = [title]
    for zone in range(4, -5, -1):
        edge = "-" if zone in (3, -3) else "." if zone == 0 else " "
        cells = "".join(edge if cell == " " else cell for cell in rows[zone])
        out.append(f"{labels.get(zone, ''):>{wide}} |{cells}".rstrip())
    out.append(f"o a run, X a run that breaks a rule; {latest}")
    return "\n".join(out)


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
