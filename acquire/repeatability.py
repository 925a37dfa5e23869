"""How well this bench repeats, as it is kept, and what it can show."""

import math
from functools import lru_cache
from typing import ClassVar, NamedTuple

from acquire.bench_records import BenchRecord
from acquire.nested import Nested
from acquire.quantity import Table

# two lifts nearer than this are one
SAME_LIFT_M = 0.01e-3
_QUANTILES = 1000


class Spread(NamedTuple):
    """How far pulls of one head scatter at a lift, relative to the flow."""

    within_rel: float
    within_dof: float
    between_rel: float
    between_dof: float


class LiftRepeat(Table):
    """One lift of a study: stated flows in m3/s, mean squares in (m3/s)^2.

    ``s_within_m3_s`` and ``s_between_m3_s`` follow from the mean squares and
    are kept so that the record can be read without this program.
    """

    lift_m: float
    mean_m3_s: float
    mounts: int
    pulls: int
    pulls_per_mount: float
    ms_within: float
    ms_between: float
    s_within_m3_s: float
    within_dof: float
    s_between_m3_s: float
    between_dof: float

    @classmethod
    def of(cls, lift_m: float, study: Nested) -> "LiftRepeat":
        """From the analysis of variance."""
        return cls(
            lift_m=lift_m,
            mean_m3_s=study.mean,
            mounts=study.groups,
            pulls=study.values,
            pulls_per_mount=study.per_group,
            ms_within=study.ms_within,
            ms_between=study.ms_between,
            s_within_m3_s=study.s_within,
            within_dof=study.dof_within,
            s_between_m3_s=study.s_between,
            between_dof=study.s_between_dof,
        )

    @property
    def study(self) -> Nested:
        """The analysis of variance again."""
        return Nested(self.mounts, self.pulls, self.pulls_per_mount, self.mean_m3_s, self.ms_between, self.ms_within)

    def smallest_difference_m3_s(self, pulls: int, *, remounted: bool = True) -> float:
        """The smallest true difference of two heads that is found with 95 % confidence in 80 % of cases.

        ``pulls`` for each head, each in a mount of its own or all in one.
        Pulls of their own mounts show the scatter too, and their degrees of
        freedom, 2 (pulls - 1), join the study's.
        """
        if remounted:
            variance, dof = self.study.of_mean(pulls, 1)
            dof += 2.0 * (pulls - 1)
        else:
            variance, dof = self.study.of_mean(1, pulls)
        return found_ratio(max(dof, 1.0)) * math.sqrt(2.0 * variance)


class Repeatability(BenchRecord):
    """Standard deviations within a mount and between mounts, by rising lift.

    ``setup`` is the set-up in words; ``mounts`` the pulls' numbers, one group
    a mount.
    """

    KIND: ClassVar[str] = "repeatability"

    direction: str = ""
    test_pressure_pa: float = 0.0
    setup: str = ""
    subject: str = ""
    bench: str = ""
    mounts: tuple[tuple[int, ...], ...] = ()
    lifts: tuple[LiftRepeat, ...] = ()

    @property
    def key(self) -> str:
        """The direction."""
        return self.direction

    def at(self, lift_m: float) -> Spread | None:
        """The spread at a lift; between studied lifts on a straight line, None outside of them."""
        known = [its for its in self.lifts if its.mean_m3_s > 0.0]
        for its in known:
            if abs(its.lift_m - lift_m) <= SAME_LIFT_M:
                return _spread(its)
        below = [its for its in known if its.lift_m < lift_m]
        above = [its for its in known if its.lift_m > lift_m]
        if not below or not above:
            return None
        a, b = _spread(below[-1]), _spread(above[0])
        share = (lift_m - below[-1].lift_m) / (above[0].lift_m - below[-1].lift_m)
        return Spread(
            a.within_rel + share * (b.within_rel - a.within_rel),
            min(a.within_dof, b.within_dof),
            a.between_rel + share * (b.between_rel - a.between_rel),
            min(a.between_dof, b.between_dof),
        )


@lru_cache(maxsize=1024)
def found_ratio(dof: float, level: float = 0.05, power: float = 0.80) -> float:
    """The true difference, in standard uncertainties, that a two-sided t test finds with ``power``.

    By the noncentral t distribution (e.g. Cohen, Statistical Power Analysis,
    1988), written as the mean of the normal power over the chi distribution
    of the estimated uncertainty; 2.80 with many degrees of freedom.
    """
    import numpy as np
    from scipy.optimize import brentq
    from scipy.stats import chi2, norm, t

    shares = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    limits = t.ppf(1.0 - level / 2.0, dof) * np.sqrt(chi2.ppf(shares, dof) / dof)

    def missing(ratio: float) -> float:
        return float((norm.sf(limits - ratio) + norm.sf(limits + ratio)).mean()) - power

    return float(brentq(missing, 0.0, float(limits[-1]) + 10.0, xtol=1e-6))


def _spread(its: LiftRepeat) -> Spread:
    q = its.mean_m3_s
    # where mounting does not show, few mounts cannot vouch for more than their number
    within_dof = its.within_dof if its.s_between_m3_s > 0.0 else min(its.within_dof, its.between_dof)
    return Spread(its.s_within_m3_s / q, within_dof, its.s_between_m3_s / q, its.between_dof)
