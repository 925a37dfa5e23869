"""How steadily a bench holds its test pressure over many pulls, and whether that changes. Pure.

From the hold that was kept with every point in force. The trend is Theil and
Sen's: the median of the slopes between all pairs, with its interval from
Kendall's tau (Sen, J. Am. Stat. Assoc. 63 (1968) 1379), so that a few bad
days say little. One value a day, the median of its pulls: the pulls of one
day share the day's air, mains and warmth and are not independent; days that
resemble their neighbours widen the interval.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import NormalDist, median
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acquire.values import Direction

Floats = NDArray[np.float64]
Measure = Literal["sd", "drift", "farthest"]
Verdict = Literal["getting worse", "getting better", "no trend shown", "too few days"]

MEASURES: tuple[Measure, ...] = ("sd", "drift", "farthest")
LEVEL = 0.95
LEAST_DAYS = 8
"""Fewer days cannot exclude chance at the level of six trends together: 8 in one order happen once in 20,000."""

# beyond this the days are taken together in runs of equal length: all pairs of 400 are 80,000 slopes
_MOST_VALUES = 400
# the last days of testing that stand for how it is now
_NOW_DAYS = 10


@dataclass(frozen=True, slots=True)
class HeldPull:
    """One pull's points in force. All pressures as shares of the target.

    ``sd`` is pooled over the points (root mean square), ``drift`` the mean
    change over a reading, either way, ``farthest`` the sample of all that lay
    farthest from its target, ``band`` that within which it had to stay. Where
    the test pressure was ``typed``, they say nothing about it.
    """

    id: int
    started_utc: str
    direction: Direction
    bench: str
    simulated: bool
    points: int
    held: int
    sd: float
    drift: float
    farthest: float
    band: float
    typed: bool = False

    def of(self, measure: Measure) -> float:
        """One of its measures."""
        return {"sd": self.sd, "drift": self.drift, "farthest": self.farthest}[measure]

    @property
    def day(self) -> str:
        """Its date, UTC."""
        return self.started_utc[:10]


@dataclass(frozen=True, slots=True)
class Month:
    """What was held in one month: shares as in :class:`HeldPull`, medians over its pulls; ``farthest`` the largest."""

    month: str
    pulls: int
    points: int
    held: int
    sd: float
    drift: float
    farthest: float


@dataclass(frozen=True, slots=True)
class Trend:
    """One measure in one direction over the pulls, as shares of the target.

    ``now`` is the median of the last ten days. ``slope`` is for one pull,
    ``low`` to ``high`` its interval, ``middle`` the trend's line at pull 0;
    ``at`` and ``values`` are the days that it is drawn through. ``needed``: roughly how many pulls of
    this kind would show a slope as large as this one; None where it does not
    rise, or is shown already.
    """

    direction: Direction
    measure: Measure
    pulls: int
    days: int
    now: float
    slope: float | None
    low: float | None
    high: float | None
    verdict: Verdict
    needed: int | None
    at: tuple[float, ...]
    values: tuple[float, ...]
    middle: float | None

    def over_all(self, per_pull: float) -> float:
        """A slope as the change that it makes over these pulls."""
        return per_pull * self.pulls


@dataclass(frozen=True, slots=True)
class BenchSteadiness:
    """One bench over its pulls, in order of time. ``left_out`` says what was not looked at."""

    bench: str
    simulated: bool
    pulls: tuple[HeldPull, ...]
    months: tuple[Month, ...]
    trends: tuple[Trend, ...]
    level_each: float
    left_out: tuple[str, ...]

    @property
    def worse(self) -> tuple[Trend, ...]:
        """What is getting worse beyond doubt."""
        return tuple(its for its in self.trends if its.verdict == "getting worse")

    @property
    def points(self) -> int:
        """All points in force."""
        return sum(its.points for its in self.pulls)

    @property
    def held(self) -> int:
        """Those of them that held."""
        return sum(its.held for its in self.pulls)


def bench_steadiness(pulls: Iterable[HeldPull], bench: str | None = None, last: int | None = None) -> BenchSteadiness:
    """Look over pulls in order of time.

    Only those of one bench, by default of the newest pull's; simulated ones
    only where there are no others. ``last`` keeps the newest so many. Raises
    ``ValueError`` with one sentence where nothing is left.
    """
    every = sorted(pulls, key=lambda its: (its.started_utc, its.id))
    found = [its for its in every if not its.typed]
    if not found:
        typed = "whose test pressure was measured " if every else ""
        raise ValueError(
            f"there is no lift pull {typed}with a point taken in this time: nothing says how steady the bench is"
        )
    real = [its for its in found if not its.simulated]
    kept = real or found
    left_out = [_left_out(len(found) - len(kept), "simulated")] if len(kept) < len(found) else []
    if len(found) < len(every):
        left_out.append(_left_out(len(every) - len(found), "with a typed test pressure"))
    name = bench if bench is not None else kept[-1].bench
    own = [its for its in kept if its.bench == name]
    if not own:
        known = ", ".join(sorted({its.bench for its in kept}))
        raise ValueError(f"no pull was made on a bench called {name!r}: known are {known}")
    if len(own) < len(kept):
        left_out.append(_left_out(len(kept) - len(own), "of other benches"))
    if last is not None:
        own = own[-last:]
    directions = [its for its in ("intake", "exhaust") if any(pull.direction == its for pull in own)]
    level_each = 1.0 - (1.0 - LEVEL) / (len(MEASURES) * len(directions))
    trends = [
        _trend([pull for pull in own if pull.direction == direction], measure, level_each)
        for direction in directions
        for measure in MEASURES
    ]
    return BenchSteadiness(
        bench=name,
        simulated=own[-1].simulated,
        pulls=tuple(own),
        months=_months(own),
        trends=tuple(trends),
        level_each=level_each,
        left_out=tuple(left_out),
    )


def _left_out(count: int, what: str) -> str:
    return f"{count} {'pull' if count == 1 else 'pulls'} {what}"


def _months(pulls: Sequence[HeldPull]) -> tuple[Month, ...]:
    months = []
    for month, grouped in groupby(pulls, key=lambda its: its.started_utc[:7]):
        inside = list(grouped)
        months.append(
            Month(
                month=month,
                pulls=len(inside),
                points=sum(its.points for its in inside),
                held=sum(its.held for its in inside),
                sd=median(its.sd for its in inside),
                drift=median(its.drift for its in inside),
                farthest=max(its.farthest for its in inside),
            )
        )
    return tuple(months)


def by_day(pulls: Sequence[HeldPull], measure: Measure) -> tuple[list[float], list[float]]:
    """For each day the mean number of its pulls, counted from 1, and the median of the measure."""
    at, values, number = [], [], 0
    for _, grouped in groupby(pulls, key=lambda its: its.day):
        inside = [its.of(measure) for its in grouped]
        at.append(number + 0.5 * (len(inside) + 1))
        values.append(median(inside))
        number += len(inside)
    return at, values


def _trend(pulls: Sequence[HeldPull], measure: Measure, level: float) -> Trend:
    at, values = by_day(pulls, measure)
    slope = low = high = middle = None
    needed: int | None = None
    verdict: Verdict = "too few days"
    days = len(values)
    if days >= LEAST_DAYS:
        slope, low, high, middle = slope_of(at, values, level)
        verdict = "getting worse" if low > 0.0 else "getting better" if high < 0.0 else "no trend shown"
        if low <= 0.0 < slope:
            # the interval of a slope narrows with the number of pulls to the power of 1.5
            needed = math.ceil(len(pulls) * ((slope - low) / slope) ** (2.0 / 3.0))
    return Trend(
        direction=pulls[0].direction,
        measure=measure,
        pulls=len(pulls),
        days=days,
        now=median(values[-_NOW_DAYS:]),
        slope=slope,
        low=low,
        high=high,
        verdict=verdict,
        needed=needed,
        at=tuple(at),
        values=tuple(values),
        middle=middle,
    )


def slope_of(at: Sequence[float], values: Sequence[float], level: float) -> tuple[float, float, float, float]:
    """The slope of days that resemble their neighbours, its interval, and the line's value at zero.

    Many values are first taken together in runs. Weather and mains outlast a
    day, so that the interval is widened by what such a likeness adds to the
    variance of Kendall's S (Hamed & Rao, J. Hydrol. 204 (1998) 182), for a
    likeness that dies away from day to day.
    """
    x, y = np.asarray(at, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if x.size > _MOST_VALUES:
        x, y = (np.array([median(part.tolist()) for part in np.array_split(its, _MOST_VALUES)]) for its in (x, y))
    slopes = _slopes(x, y)
    return _with_interval(x, y, slopes, level, _widening(y - float(np.median(slopes)) * x))


def theil_sen(at: Sequence[float], values: Sequence[float], level: float) -> tuple[float, float, float, float]:
    """The same for independent values.

    Every pair counts as different, which makes the interval a little wide
    where values are equal. Written out, since loading scipy.stats takes
    longer than all the rest; the tests hold it against it.
    """
    x, y = np.asarray(at, dtype=np.float64), np.asarray(values, dtype=np.float64)
    return _with_interval(x, y, _slopes(x, y), level, 1.0)


def _slopes(x: Floats, y: Floats) -> Floats:
    first, second = np.triu_indices(x.size, 1)
    rising: Floats = np.sort((y[second] - y[first]) / (x[second] - x[first]))
    return rising


def _with_interval(
    x: Floats, y: Floats, slopes: Floats, level: float, widening: float
) -> tuple[float, float, float, float]:
    n, slope = x.size, float(np.median(slopes))
    # standard deviation of Kendall's S under no trend, as a number of slopes from the middle
    reach = widening * NormalDist().inv_cdf(0.5 + 0.5 * level) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    low = max(round((slopes.size - reach) / 2.0) - 1, 0)
    high = min(round((slopes.size + reach) / 2.0), slopes.size - 1)
    return slope, float(slopes[low]), float(slopes[high]), float(np.median(y) - slope * np.median(x))


def _widening(left: Floats) -> float:
    """How much wider the likeness of neighbours makes the interval; ``left`` is what the trend leaves."""
    n = left.size
    ranks = np.argsort(np.argsort(left)) - 0.5 * (n - 1)
    found = float(ranks[1:] @ ranks[:-1] / (ranks @ ranks))
    # a trend that was taken out makes neighbours look less alike, by about 2/n (Kendall, Biometrika 41 (1954) 403)
    alike = min(max((n * found + 2.0) / (n - 4.0), 0.0), 0.95)
    lag = np.arange(1, n)
    added = float(np.sum((n - lag) * (n - lag - 1.0) * (n - lag - 2.0) * alike**lag))
    return math.sqrt(1.0 + 2.0 * added / (n * (n - 1.0) * (n - 2.0)))
