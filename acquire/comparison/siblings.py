"""One head against the others of its model: where it lies, and whether it falls out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.comparison.differences import SAME_LIFT_M
from acquire.comparison.student import t_quantile
from acquire.comparison.verdict import smallest_shown
from acquire.lifts import distinct_lifts
from acquire.store.curves import Curve

FEWEST = 5
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class AtLift:
    """One lift: this head's flow beside the others' mean, and where one more of their kind would lie.

    ``low`` and ``high`` bound 95 % of further heads; a flag is only given
    outside ``flag_low`` and ``flag_high``, which allow for looking at many
    lifts. ``could_show_rel``: how far off a head must be to be noticed in 80 %.
    """

    lift_m: float
    flow_m3_s: float
    heads: int
    mean_m3_s: float
    sd_m3_s: float
    low_m3_s: float
    high_m3_s: float
    flag_low_m3_s: float
    flag_high_m3_s: float
    could_show_rel: float

    @property
    def falls_out(self) -> Literal["", "low", "high"]:
        """Whether the head lies outside what its siblings let expect."""
        if self.flow_m3_s < self.flag_low_m3_s:
            return "low"
        return "high" if self.flow_m3_s > self.flag_high_m3_s else ""


@dataclass(frozen=True, slots=True)
class Siblings:
    """The head ``identifier`` among the heads of its model; ``left_out`` says which pulls and why."""

    identifier: str
    model: str
    heads: tuple[str, ...]
    at: tuple[AtLift, ...]
    left_out: tuple[tuple[int, str], ...]


def among_siblings(identifier: str, curves: Sequence[Curve]) -> Siblings:
    """Compare a head with the others of ``curves``, which hold one model and direction.

    Every head counts once, by the mean of its pulls. Only pulls that were
    flowed like the newest of this head take part: set-up, convention, meter
    range, measured or simulated. Prediction interval for one further head:
    mean +- t s sqrt(1 + 1/n) (e.g. Hahn & Meeker, Statistical Intervals, ch. 4).

    Raises ``ValueError`` with one sentence: the head is not there, or fewer
    than five others are.
    """
    mine = [its for its in curves if its.subject.identifier.casefold() == identifier.casefold()]
    if not mine:
        raise ValueError(f"the archive holds no complete lift pull of {identifier!r}: check the identifier")
    pattern = mine[-1]
    sound: list[Curve] = []
    left_out: list[tuple[int, str]] = []
    for its in curves:
        reason = _why_not(its, pattern)
        if reason:
            left_out.append((its.pull_id, reason))
        else:
            sound.append(its)
    heads: dict[str, list[Curve]] = {}
    for its in sound:
        heads.setdefault(its.subject.identifier.casefold(), []).append(its)
    own = heads.pop(identifier.casefold(), [])
    if not own:
        raise ValueError(
            f"no pull of {identifier!r} can be used: {'; '.join(sorted({reason for _, reason in left_out}))}"
        )
    if len(heads) < FEWEST:
        raise ValueError(
            f"{len(heads)} other heads of model {pattern.subject.model!r} were flowed like this one: "
            f"at least {FEWEST} are needed before one can be called unusual"
        )
    lifts = distinct_lifts((point.lift_m for its in own for point in its.points), SAME_LIFT_M)
    columns = {lift: [flow for its in heads.values() if (flow := _mean_at(its, lift)) is not None] for lift in lifts}
    usable = [lift for lift in lifts if len(columns[lift]) >= FEWEST]
    at = [_at(lift, _mean_at(own, lift) or 0.0, columns[lift], LEVEL / len(usable)) for lift in usable]
    names = tuple(sorted(its[0].subject.identifier for its in heads.values()))
    return Siblings(own[-1].subject.identifier, pattern.subject.model, names, tuple(at), tuple(left_out))


def _why_not(its: Curve, pattern: Curve) -> str:
    if its.marks:
        return "the pull carries a mark"
    if not all(point.held for point in its.points):
        return "the test pressure did not hold"
    if its.simulated != pattern.simulated:
        return "simulated and measured pulls do not mix"
    if its.config.reference != pattern.config.reference:
        return "stated by another convention"
    if {point.meter_range for point in its.points} != {point.meter_range for point in pattern.points}:
        return "another meter range"
    different = [
        name
        for name in type(pattern.setup).model_fields
        if name not in ("remarks", "springs") and getattr(its.setup, name) != getattr(pattern.setup, name)
    ]
    return f"another set-up ({', '.join(_plain(name) for name in different)})" if different else ""


def _plain(name: str) -> str:
    for suffix in ("_m3", "_m", "_pa"):
        name = name.removesuffix(suffix)
    return name.replace("_", " ")


def _mean_at(pulls: Sequence[Curve], lift_m: float) -> float | None:
    flows = [p.flow_m3_s for its in pulls for p in its.points if abs(p.lift_m - lift_m) <= SAME_LIFT_M]
    return math.fsum(flows) / len(flows) if flows else None


def _at(lift_m: float, flow: float, others: Sequence[float], level: float) -> AtLift:
    n = len(others)
    mean = math.fsum(others) / n
    sd = math.sqrt(math.fsum((its - mean) ** 2 for its in others) / (n - 1))
    spread = sd * math.sqrt(1.0 + 1.0 / n)
    usual, flag = (t_quantile(1.0 - share / 2.0, n - 1) * spread for share in (LEVEL, level))
    return AtLift(
        lift_m=lift_m,
        flow_m3_s=flow,
        heads=n,
        mean_m3_s=mean,
        sd_m3_s=sd,
        low_m3_s=mean - usual,
        high_m3_s=mean + usual,
        flag_low_m3_s=mean - flag,
        flag_high_m3_s=mean + flag,
        could_show_rel=smallest_shown(spread, n - 1, level) / mean if mean > 0 else math.nan,
    )
