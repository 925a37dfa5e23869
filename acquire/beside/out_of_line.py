"""Points that fall out of line: with their neighbours, with an earlier pull, with the other direction. Pure.

An effective area goes with the lift at low lifts (the valve's curtain) and
hardly at all at high ones (the port). Over the logarithm of the lift its
logarithm bends smoothly from the one slope to the other, whatever the size of
the valve. So does the ratio of two pulls, only less. What a point should be
follows from the others by Gaussian process regression, and a point is in
doubt where it lies too many standard deviations off: Rasmussen & Williams,
Gaussian Processes for Machine Learning (2006), section 5.4.2 (leave-one-out).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.beside.shadow import Beside, Doubt
from acquire.values import Point

LIMIT = 3.8
"""Standard deviations from which on a point is in doubt; see tests/benchmarks/out_of_line.py for what that gives."""
SAME_LIFT_M = 0.05e-3
# what one head's own unevenness, not smooth over lift, may be (common practice, no source)
_UNEVEN_REL = 0.006
_UNEVEN_RATIO_REL = 0.006
# a second take within this of the first, besides both scatters, says that the point is what the head does
_SAME_AGAIN_REL = 0.005
# but so far off at one lift alone lies no head: a meter range, a plug or a hose is wrong (common practice, no source)
_NO_HEAD = 0.15
_BEND_LENGTH = 1.0
# wide enough to leave the height free, small enough to keep the matrix well conditioned
_ANY_HEIGHT = 3.0
# how far the curve's logarithm, or that of a ratio, bends away from a straight line, and how steep that may be
_BENDS: dict[Beside, float] = {"its neighbours": 0.2, "the earlier pull": 0.02, "the other direction": 0.1}
_SLOPES: dict[Beside, float] = {"its neighbours": 3.0, "the earlier pull": 0.02, "the other direction": 0.3}
_FEWEST: dict[Beside, int] = {"its neighbours": 4, "the earlier pull": 3, "the other direction": 4}
# shared by all points of a pull, and smooth over lift: no reason for one of them to stand out
_SMOOTH = ("leakage", "slope")
_LEAST_SCATTER_REL = 0.001


@dataclass(frozen=True, slots=True)
class Seen:
    """A point in force: ``scatter_rel`` is what may move it alone, ``confirmed`` that a second take agreed."""

    step: int
    lift_m: float
    area_m2: float
    scatter_rel: float
    confirmed: bool = False


def seen(points: Iterable[Point]) -> list[Seen]:
    """The points in force of a lift pull, by rising lift."""
    takes: dict[int, list[Point]] = {}
    for point in sorted(points, key=lambda p: (p.step, p.take)):
        if point.step_lift_m is not None and point.flow.effective_area_m2 > 0.0:
            takes.setdefault(point.step, []).append(point)
    found = []
    for step, its in takes.items():
        last = its[-1]
        assert last.step_lift_m is not None
        found.append(
            Seen(step, last.step_lift_m, last.flow.effective_area_m2, scatter_rel(last), _same_again(its[-2:]))
        )
    return sorted(found, key=lambda its: its.lift_m)


def scatter_rel(point: Point) -> float:
    """One standard uncertainty of what the other points of its pull do not share."""
    own = [
        its.contribution_rel
        for its in point.flow.budget
        if not its.shared and not its.name.startswith(_SMOOTH) and not its.name.endswith("zero")
    ]
    return max(_LEAST_SCATTER_REL, math.hypot(*own))


def _same_again(takes: Sequence[Point]) -> bool:
    if len(takes) < 2:
        return False
    one, other = takes
    off = abs(math.log(other.flow.effective_area_m2 / one.flow.effective_area_m2))
    return off <= _SAME_AGAIN_REL + 2.0 * math.hypot(scatter_rel(one), scatter_rel(other))


def doubt(points: Sequence[Seen], other: Sequence[Seen] = (), other_way: bool = False) -> Doubt | None:
    """The point that is most in doubt, if one is; a confirmed one only where no head can be so far off.

    ``other``: an earlier pull; ``other_way``: it is of the other direction.
    What it says counts first: it names the wrong one of two neighbours more surely.
    """
    ratio: Beside = "the other direction" if other_way else "the earlier pull"
    return _odd(_ratios(points, other), ratio) or _odd(points, "its neighbours") or _fallen(points)


def _fallen(points: Sequence[Seen]) -> Doubt | None:
    """The highest lift, where it passes less than the one below: a port that stalls does so, and then again."""
    if len(points) < 2:
        return None
    below, last = points[-2:]
    off = math.log(last.area_m2 / below.area_m2)
    sd = math.hypot(below.scatter_rel, last.scatter_rel, _UNEVEN_REL)
    if off >= -LIMIT * sd or _believed(last, off):
        return None
    return Doubt(step=last.step, off_rel=math.expm1(off), deviations=off / sd, beside="the lift below")


def _believed(its: Seen, off: float) -> bool:
    return its.confirmed and abs(off) < _NO_HEAD


def _ratios(points: Sequence[Seen], other: Sequence[Seen]) -> list[Seen]:
    found = []
    for its in points:
        same = next((o for o in other if abs(o.lift_m - its.lift_m) <= SAME_LIFT_M), None)
        if same is not None:
            scatter = math.hypot(its.scatter_rel, same.scatter_rel)
            found.append(Seen(its.step, its.lift_m, its.area_m2 / same.area_m2, scatter, its.confirmed))
    return found


def _odd(points: Sequence[Seen], beside: Beside) -> Doubt | None:
    if len(points) < _FEWEST[beside]:
        return None
    uneven = _UNEVEN_REL if beside == "its neighbours" else _UNEVEN_RATIO_REL
    off, sd = leave_one_out(
        np.log([its.lift_m for its in points]),
        np.log([its.area_m2 for its in points]),
        np.hypot([its.scatter_rel for its in points], uneven),
        _BENDS[beside],
        _SLOPES[beside],
    )
    worst = int(np.argmax(np.abs(off / sd)))
    its, deviations = points[worst], float(off[worst] / sd[worst])
    # the largest only: it pulls its neighbours out of line with it
    if abs(deviations) <= LIMIT or _believed(its, float(off[worst])):
        return None
    return Doubt(step=its.step, off_rel=math.expm1(float(off[worst])), deviations=deviations, beside=beside)


def leave_one_out(
    x: NDArray[np.float64], y: NDArray[np.float64], scatter: NDArray[np.float64], bend: float, slope: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far each ``y`` lies from what the others say there, and the standard deviation of that.

    A straight line of any height, its slope with standard deviation ``slope``,
    a smooth deviation from it with standard deviation ``bend`` and unit
    correlation length in ``x``, and independent ``scatter``.
    """
    between = x[:, None] - x[None, :]
    line = np.stack([np.full_like(x, _ANY_HEIGHT), slope * (x - x.mean())])
    covariance = bend**2 * np.exp(-0.5 * (between / _BEND_LENGTH) ** 2) + line.T @ line + np.diag(scatter**2)
    inverse = np.linalg.inv(covariance)
    variance = 1.0 / np.diag(inverse)
    return variance * (inverse @ (y - y.mean())), np.sqrt(variance)
