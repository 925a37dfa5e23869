"""Control chart for single values: individuals and moving range, with run rules.

Limits and constants: NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.2 (d2 = 1.128 and D4 = 3.267 for ranges of two). Run rules: the Western
Electric rules and the trend rules as the e-Handbook's 6.3.2 lists them. It
warns there that the four Western Electric rules alone cry wolf once in 92
points on average, where the 3-sigma limits alone do so once in 371.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

D2 = 1.128
D4 = 3.267

LEAST_BEFORE = 8
"""So many values must lie before one that is judged: with 8, one in 33 good ones lies outside; with 20, one in 90."""
BASE = 20
"""The limits come from that many values at most, the first ones: a slow drift must not carry its limits along."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Centre, estimated standard deviation, and 3-sigma limits, in the values' unit."""

    centre: float
    sigma: float
    low: float
    high: float
    range_centre: float
    range_high: float
    n: int


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that a value breaks, by its place in the sequence."""

    index: int
    rule: str


def limits_of(values: Sequence[float]) -> Limits:
    """Limits from all ``values``. Raises ``ValueError`` for fewer than two, or one that is not a number."""
    if len(values) < 2:
        raise ValueError("a control chart needs at least two values")
    if not all(map(math.isfinite, values)):
        raise ValueError("a value of the control chart is not a number")
    centre = math.fsum(values) / len(values)
    mean_range = math.fsum(moving_ranges(values)) / (len(values) - 1)
    sigma = mean_range / D2
    return Limits(centre, sigma, centre - 3 * sigma, centre + 3 * sigma, mean_range, D4 * mean_range, len(values))


def moving_ranges(values: Sequence[float]) -> list[float]:
    """The size of each step from one value to the next; one fewer than the values."""
    return [abs(b - a) for a, b in pairwise(values)]


def signals_of(values: Sequence[float], limits: Limits) -> list[Signal]:
    """Every rule that is broken, at the value that completes it."""
    found = []
    for i in range(len(values)):
        upto = values[: i + 1]
        found += [Signal(i, rule) for rule in _broken(upto, limits)]
    return found


def judge_last(values: Sequence[float]) -> tuple[Limits, list[Signal]] | None:
    """The last value against limits from those before it; None while these are fewer than ``LEAST_BEFORE``.

    The moving range counts as a further rule: a step larger than its upper limit.
    """
    before = values[:-1]
    if len(before) < LEAST_BEFORE:
        return None
    limits = limits_of(before[:BASE])
    last = len(values) - 1
    found = [signal for signal in signals_of(values, limits) if signal.index == last]
    if abs(values[-1] - values[-2]) > limits.range_high:
        found.append(Signal(last, "a step beyond the limit of the moving range"))
    return limits, found


def _broken(values: Sequence[float], limits: Limits) -> list[str]:
    """The rules that the last of ``values`` completes."""
    rules = []
    last8 = [_in_sigmas(value, limits) for value in values[-8:]]
    for side in (1.0, -1.0):
        beyond = [side * its for its in last8]
        if beyond[-1] > 3:
            rules.append("beyond 3 sigma")
        if beyond[-1] > 2 and sum(its > 2 for its in beyond[-3:]) >= 2:
            rules.append("2 of 3 beyond 2 sigma on one side")
        if beyond[-1] > 1 and sum(its > 1 for its in beyond[-5:]) >= 4:
            rules.append("4 of 5 beyond 1 sigma on one side")
        if len(beyond) == 8 and min(beyond) > 0:
            rules.append("8 in a row on one side")
    steps = [b - a for a, b in pairwise(values[-14:])]
    if len(steps) >= 5 and (min(steps[-5:]) > 0 or max(steps[-5:]) < 0):
        rules.append("6 in a row rising or falling")
    if len(steps) == 13 and all(a * b < 0 for a, b in pairwise(steps)):
        rules.append("14 in a row up and down by turns")
    return rules


def _in_sigmas(value: float, limits: Limits) -> float:
    away = value - limits.centre
    if limits.sigma > 0:
        return away / limits.sigma
    return math.copysign(math.inf, away) if away else 0.0
