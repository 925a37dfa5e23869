"""A minus B at every common lift, with the uncertainty that does not cancel between heads.

Both heads met the same bench: what the meter, the gauges and the barometer
are wrong by is in both flows alike and drops out. What does not drop out,
mounting, setting the lift and the flow's own scatter, shows when a pull is
repeated: it comes from the pulls themselves, from this bench's stored
repeatability, or from both.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from acquire.comparison.verdict import Difference
from acquire.records import ArchivedPull

# two steps nearer than this are one: an indicator's last digit
SAME_LIFT_M = 5e-6
_LEAST_SPREAD_REL = 1e-5


class Spread(NamedTuple):
    """Standard deviation, relative to the flow, of one pull on a mount of its own, and its degrees of freedom."""

    rel: float
    dof: float


class Repeats(Protocol):
    """What is known of this bench's repeatability."""

    def at(self, lift_m: float) -> Spread | None:
        """The spread at a lift; None outside of what was studied."""
        ...


@dataclass(frozen=True, slots=True)
class AtLift:
    """One common lift: mean flows in m3/s, how many mounts each, and their difference.

    ``difference`` is None where nothing says how far pulls scatter. ``from_``
    says where the uncertainty comes from.
    """

    lift_m: float
    a_m3_s: float
    b_m3_s: float
    a_pulls: int
    b_pulls: int
    difference: Difference | None
    from_: str


@dataclass(frozen=True, slots=True)
class Differences:
    """All common lifts; ``only_a_m`` and ``only_b_m`` are the lifts that only one head was flowed at."""

    at: tuple[AtLift, ...]
    only_a_m: tuple[float, ...]
    only_b_m: tuple[float, ...]


def differences(
    a: Sequence[ArchivedPull],
    b: Sequence[ArchivedPull],
    margin_rel: float,
    repeats: Repeats | None,
    mounts: Mapping[int, int] | None = None,
) -> Differences:
    """The differences; every pull counts as a mount of its own, unless ``mounts`` says otherwise.

    ``mounts``: the mount of a pull by its number. Pulls of one mount count
    once, by their mean: repeats without taking the head off say nothing of
    how it is put back.

    ``margin_rel``: what counts as no difference that matters, as a share of
    the mean flow. Raises ``ValueError`` with one sentence when there is no
    common lift.
    """
    flows_a, flows_b = _by_lift(a, mounts or {}), _by_lift(b, mounts or {})
    common = [(x, y) for x in flows_a for y in flows_b if abs(x - y) <= SAME_LIFT_M]
    if not common:
        raise ValueError("the two were flowed at no common lift: compare pulls with the same schedule")
    at = [_at(x, flows_a[x], flows_b[y], margin_rel, repeats) for x, y in common]
    return Differences(
        at=tuple(at),
        only_a_m=tuple(x for x in flows_a if x not in {x for x, _ in common}),
        only_b_m=tuple(y for y in flows_b if y not in {y for _, y in common}),
    )


def _by_lift(pulls: Sequence[ArchivedPull], mounts: Mapping[int, int]) -> dict[float, list[float]]:
    """The flow of each mount, by lift."""
    points: list[tuple[float, int, float]] = [
        (p.step_lift_m, mounts.get(pull.id, -pull.id), p.flow.flow_m3_s)
        for pull in pulls
        for p in pull.in_force.values()
        if p.step_lift_m is not None
    ]
    flows: dict[float, dict[int, list[float]]] = {}
    for step_lift_m, mount, flow in sorted(points, key=lambda its: its[0]):
        lift = next((known for known in flows if abs(known - step_lift_m) <= SAME_LIFT_M), step_lift_m)
        flows.setdefault(lift, {}).setdefault(mount, []).append(flow)
    return {lift: [math.fsum(its) / len(its) for its in by_mount.values()] for lift, by_mount in flows.items()}


def _at(lift_m: float, a: Sequence[float], b: Sequence[float], margin_rel: float, repeats: Repeats | None) -> AtLift:
    mean_a, mean_b = math.fsum(a) / len(a), math.fsum(b) / len(b)
    flow = 0.5 * (mean_a + mean_b)
    known = repeats.at(lift_m) if repeats is not None else None
    uncertainty = _stored(a, b, flow, known) if known is not None else _pooled(a, b)
    found = None
    if uncertainty is not None:
        u, dof = uncertainty
        found = Difference(lift_m, mean_a - mean_b, max(u, _LEAST_SPREAD_REL * flow), dof, margin_rel * flow)
    more = len(a) + len(b) > 2
    if known is not None:
        source = "stored repeatability and these pulls" if more else "stored repeatability"
    else:
        source = "these pulls" if found is not None else "nothing says how far pulls scatter"
    return AtLift(lift_m, mean_a, mean_b, len(a), len(b), found, source)


def _sum_of_squares(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((value - mean) ** 2 for value in values)


def _pooled(a: Sequence[float], b: Sequence[float]) -> tuple[float, float] | None:
    """From these pulls' own scatter, both heads together: it is the bench's and the operator's, not the head's."""
    dof = len(a) + len(b) - 2
    if dof < 1:
        return None
    variance = (_sum_of_squares(a) + _sum_of_squares(b)) / dof
    return math.sqrt(variance * (1 / len(a) + 1 / len(b))), float(dof)


def one_pull_variance(
    mean_square_between: float, mean_square_within: float, mounts: int, pulls: float
) -> tuple[float, float]:
    """Variance of one pull on a mount of its own, from a study of mounts by pulls, and its degrees of freedom.

    Between plus within = MSB/k + (1 - 1/k) MSW. Satterthwaite's degrees of
    freedom (1946) are too many in the far tails where several lifts are
    judged together (6 % false claims instead of 5 in our own simulation), so
    the middle between his and those of the mounts is taken.
    """
    between = max(mean_square_between, mean_square_within) / pulls
    within = (1.0 - 1.0 / pulls) * mean_square_within
    total = between + within
    below = between**2 / (mounts - 1) + (within**2 / (mounts * (pulls - 1)) if pulls > 1 else 0.0)
    satterthwaite = total**2 / below if below > 0.0 else mounts - 1.0
    return total, 0.5 * (satterthwaite + mounts - 1.0)


def _stored(a: Sequence[float], b: Sequence[float], flow: float, known: Spread) -> tuple[float, float]:
    """From the stored repeatability, pooled with the scatter of these pulls by degrees of freedom."""
    own_dof = len(a) + len(b) - 2
    squares = known.dof * (known.rel * flow) ** 2 + _sum_of_squares(a) + _sum_of_squares(b)
    variance = squares / (known.dof + own_dof)
    return math.sqrt(variance * (1 / len(a) + 1 / len(b))), known.dof + own_dof
