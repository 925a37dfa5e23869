"""Is a difference real: tests at every lift and for the curve, and what could have been shown.

A difference is claimed by two-sided t tests, equality by two one-sided tests
against a margin that was fixed beforehand (Schuirmann 1987). Many lifts are
looked at together: Holm's step-down (1979) keeps a false claim at any of them
below the level, whatever the correlation between lifts.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.comparison.student import t_below, t_quantile
from acquire.repeat.smallest import found_ratio

LEVEL = 0.05
POWER = 0.80

AtLift = Literal["A higher", "B higher", "equal", "not shown"]
OfCurve = Literal["A higher", "B higher", "crossing", "equal", "not shown"]


@dataclass(frozen=True, slots=True)
class Difference:
    """A minus B at one lift: in m3/s, with the standard uncertainty of what does not cancel.

    ``margin`` is what counts as no difference that matters, in m3/s.
    """

    lift_m: float
    value: float
    standard_uncertainty: float
    dof: float
    margin: float


@dataclass(frozen=True, slots=True)
class LiftVerdict:
    """What can be said at one lift.

    ``half_width_95`` is that of this lift alone. ``p_difference`` and
    ``p_equal`` are after Holm's correction for all lifts. ``could_show``: the
    smallest true difference that would have been claimed in 80 % of
    comparisons like this one.
    """

    difference: Difference
    half_width_95: float
    p_difference: float
    p_equal: float
    could_show: float
    verdict: AtLift


@dataclass(frozen=True, slots=True)
class CurveVerdict:
    """What can be said of the whole curve. ``p_equal``: of all lifts together."""

    verdict: OfCurve
    at: tuple[LiftVerdict, ...]
    p_equal: float
    crossings: tuple[tuple[float, float], ...]


def judge(differences: Sequence[Difference], comparisons: int = 1) -> CurveVerdict:
    """The verdict by lift and for the curve; ``differences`` by rising lift.

    ``comparisons``: how many heads are compared with the same one; each
    comparison gets its share of the level (Bonferroni).

    The curve is equal only if every lift is, each at the level by itself (an
    intersection-union test needs no correction, Berger 1982). Raises
    ``ValueError`` for no lifts, or a difference without uncertainty.
    """
    if not differences:
        raise ValueError("there is no lift that both were flowed at: choose pulls with common lifts")
    for its in differences:
        numbers = (its.value, its.standard_uncertainty, its.dof, its.margin)
        if not all(map(math.isfinite, numbers)) or its.standard_uncertainty <= 0.0 or its.margin < 0.0:
            raise ValueError("a difference needs an uncertainty above zero and a margin that is not below zero")
    many = len(differences)
    one_by_one = [tost_p(its) for its in differences]
    p_difference = [min(1.0, comparisons * p) for p in holm([difference_p(its) for its in differences])]
    p_equal = [min(1.0, comparisons * p) for p in holm(one_by_one)]
    found = []
    for its, p_differ, p_same in zip(differences, p_difference, p_equal, strict=True):
        verdict: AtLift = "not shown"
        if p_differ <= LEVEL:
            verdict = "A higher" if its.value > 0.0 else "B higher"
        elif p_same <= LEVEL:
            verdict = "equal"
        half = t_quantile(1.0 - LEVEL / 2.0, its.dof) * its.standard_uncertainty
        could = smallest_shown(its.standard_uncertainty, its.dof, LEVEL / many / comparisons)
        found.append(LiftVerdict(its, half, p_differ, p_same, could, verdict))
    p_all = min(1.0, comparisons * max(one_by_one))
    return CurveVerdict(_of_curve(found, p_all), tuple(found), p_all, _crossings(found))


def _of_curve(found: Sequence[LiftVerdict], p_all: float) -> OfCurve:
    said = {its.verdict for its in found}
    if {"A higher", "B higher"} <= said:
        return "crossing"
    if "A higher" in said:
        return "A higher"
    if "B higher" in said:
        return "B higher"
    return "equal" if p_all <= LEVEL else "not shown"


def difference_p(its: Difference) -> float:
    """Two-sided p of no difference."""
    return 2.0 * t_below(-abs(its.value) / its.standard_uncertainty, its.dof)


def tost_p(its: Difference) -> float:
    """p of a difference as large as the margin: the larger of the two one-sided ones."""
    u = its.standard_uncertainty
    above, below = (its.value + its.margin) / u, (its.value - its.margin) / u
    return max(t_below(-above, its.dof), t_below(below, its.dof))


def holm(p: Sequence[float]) -> list[float]:
    """p values corrected for their number, in the order given (Holm, Scand. J. Statist. 6 (1979) 65)."""
    corrected, highest = [0.0] * len(p), 0.0
    for rank, place in enumerate(sorted(range(len(p)), key=lambda i: p[i])):
        highest = max(highest, min(1.0, (len(p) - rank) * p[place]))
        corrected[place] = highest
    return corrected


def smallest_shown(standard_uncertainty: float, dof: float, level: float = LEVEL, power: float = POWER) -> float:
    """The true difference that a comparison like this one finds with ``power``, see :func:`found_ratio`."""
    # two digits of the degrees of freedom are enough, and rounding down is the safe side
    digits = 10.0 ** max(0.0, math.floor(math.log10(dof)) - 1.0)
    rounded = max(1.0, math.floor(dof / digits) * digits)
    return found_ratio(rounded, level, power, stated_again=True) * standard_uncertainty


def _crossings(found: Sequence[LiftVerdict]) -> tuple[tuple[float, float], ...]:
    """Between claims of opposite sign: the span of lifts within which the curves cross.

    From where the 95 % interval of the difference, drawn straight between
    lifts, first holds zero to where it last does.
    """
    crossings = []
    claimed = [its for its in found if its.verdict in ("A higher", "B higher")]
    for first, second in itertools.pairwise(claimed):
        if first.verdict == second.verdict:
            continue
        between = [i for i in found if first.difference.lift_m <= i.difference.lift_m <= second.difference.lift_m]
        sign = 1.0 if first.verdict == "A higher" else -1.0
        low = [(its.difference.lift_m, sign * its.difference.value - its.half_width_95) for its in between]
        high = [(its.difference.lift_m, sign * its.difference.value + its.half_width_95) for its in between]
        crossings.append((_zero_of(low), _zero_of(high)))
    return tuple(crossings)


def _zero_of(edge: Sequence[tuple[float, float]]) -> float:
    """Where an edge of the interval, falling from above zero, first reaches zero."""
    for (lift, here), (next_lift, there) in itertools.pairwise(edge):
        if here > 0.0 >= there:
            return lift + here / (here - there) * (next_lift - lift)
    return edge[-1][0]
