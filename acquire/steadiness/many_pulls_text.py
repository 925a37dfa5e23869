"""How steady a bench is over many pulls, as text for a terminal and as JSON for a machine."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import Any

from acquire.steadiness.many_pulls import LEAST_DAYS, BenchSteadiness, Measure, Month, Trend
from acquire.text import columns

WIDTH = 80
MOST_MONTHS = 24
SAID: dict[Measure, str] = {"sd": "sd", "drift": "drift", "farthest": "farthest sample"}
MEANING = (
    "Per cent of the target: sd of the test pressure while a reading was taken, its drift over the reading (either "
    "way), and the sample that lay farthest off. A reading begins when lift and pressure are in place, so that the "
    "last of the approach counts. A month's sd and drift are the medians of its pulls."
)
_BAR = 14
_EIGHTHS = " ▏▎▍▌▋▊▉█"


def steadiness_text(its: BenchSteadiness) -> str:
    """``steadydraw steady --all``."""
    first, last = its.pulls[0].day, its.pulls[-1].day
    when = f"of {first}" if first == last else f"from {first} to {last}"
    lines = [fill(f"How steady the test pressure is: {its.bench}, {count_said(its)}, {when}.", WIDTH)]
    if its.simulated:
        lines.append("SIMULATED BENCH: not a measurement.")
    if its.left_out:
        lines.append(f"Left out: {', '.join(its.left_out)}.")
    lines += ["", *_months(its.months), "", fill(MEANING, WIDTH), "", *_trends(its), "", fill(answer(its), WIDTH)]
    return "\n".join(lines)


def count_said(its: BenchSteadiness) -> str:
    """How many pulls and points, and how many of these held."""
    share = f"{100 * its.held / its.points:.1f} %"
    pulls = "1 lift pull" if len(its.pulls) == 1 else f"{len(its.pulls)} lift pulls"
    return f"{pulls}, {its.held} of {its.points} points held ({share})"


def percent(share: float, digits: int = 2) -> str:
    """A share of the target as per cent, without the sign for it."""
    return f"{100 * share:.{digits}f}"


def _months(months: Sequence[Month]) -> list[str]:
    shown = months[-MOST_MONTHS:]
    most = max(its.sd for its in shown) or 1.0
    rows: list[tuple[str, ...]] = [("month", "pulls", "points", "held %", "sd %", "drift %", "farthest %", "sd")]
    rows += [
        (
            its.month,
            str(its.pulls),
            str(its.points),
            f"{100 * its.held / its.points:.1f}",
            percent(its.sd),
            percent(its.drift),
            percent(its.farthest, 1),
            bar(its.sd / most),
        )
        for its in shown
    ]
    earlier = len(months) - len(shown)
    return [columns(rows)] + ([f"({earlier} earlier months are in --json)"] if earlier else [])


def bar(share: float) -> str:
    """A bar of blocks, in eighths of a character."""
    eighths = round(min(max(share, 0.0), 1.0) * _BAR * 8)
    return "█" * (eighths // 8) + _EIGHTHS[eighths % 8].strip()


def _trends(its: BenchSteadiness) -> list[str]:
    rows: list[tuple[str, ...]] = [("", "", "now %", "change %", "interval", "")]
    for one in its.trends:
        slope = interval = "-"
        if one.slope is not None and one.low is not None and one.high is not None:
            slope, low, high = (change(one, its) for its in (one.slope, one.low, one.high))
            interval = f"{low} to {high}"
        rows.append((one.direction, SAID[one.measure], percent(one.now), slope, interval, one.verdict))
    return [columns(rows), "(change over all these pulls)"]


def answer(its: BenchSteadiness) -> str:
    """Is it getting worse, in words, and what the answer rests on."""
    rests = (
        f"From one value a day (its median): the median of the slopes between all pairs (Theil-Sen), days that "
        f"resemble their neighbours counted for less; "
        f"the {len(its.trends)} intervals together hold at 95 %. The band is ±{percent(its.pulls[-1].band, 1)} %."
    )
    worse = [
        f"the {one.direction} {SAID[one.measure]} by {change(one, one.slope or 0.0)} % of the target over "
        f"{one.pulls} pulls to {percent(one.now)}\N{NO-BREAK SPACE}%"
        for one in its.worse
    ]
    if worse:
        return f"GETTING WORSE: {'; '.join(worse)}. {rests}"
    short = [one for one in its.trends if one.verdict == "too few days"]
    if len(short) == len(its.trends):
        days = max(one.days for one in short)
        return (
            f"No trend yet: these pulls are of {days} {'day' if days == 1 else 'days'} of testing in one direction, "
            f"and a trend takes pulls on at least {LEAST_DAYS} days."
        )
    return f"Not shown to get worse. {_needed(its.trends)}{rests}"


def change(one: Trend, per_pull: float) -> str:
    """What a slope makes over the pulls of its trend, as per cent of the target."""
    return f"{100 * one.over_all(per_pull):+.3f}"


def _needed(trends: Sequence[Trend]) -> str:
    rising = [one for one in trends if one.needed is not None]
    if not rising:
        return ""
    soonest = min(rising, key=lambda one: (one.needed or 0) / one.pulls)
    needed = soonest.needed or 0
    if needed > 10 * soonest.pulls:
        return "Any rise there may be is so small that it would take more than ten times these pulls to show. "
    what = f"{soonest.direction} {SAID[soonest.measure]}"
    return (
        f"Should the {what} go on as it seems ({change(soonest, soonest.slope or 0.0)} % over these pulls), "
        f"about {needed} {soonest.direction} pulls in all would show it; there are {soonest.pulls}. "
    )


def steadiness_json(its: BenchSteadiness) -> str:
    """Everything as shares of the target, by pull, by month, and the trends."""
    made: dict[str, Any] = asdict(its) | {"getting_worse": bool(its.worse), "answer": answer(its)}
    return json.dumps(made, indent=2)
