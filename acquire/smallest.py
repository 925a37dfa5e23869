"""The smallest difference of two heads that a bench can show, from its repeatability."""

import math
from functools import lru_cache

from acquire.repeatability import LiftRepeat

_QUANTILES = 1000


def smallest_difference_m3_s(its: LiftRepeat, pulls: int, *, remounted: bool = True) -> float:
    """The smallest true difference that is found with 95 % confidence in 80 % of cases.

    ``pulls`` for each head, each in a mount of its own or all in one. Both
    heads' means have the study's variance, known with the study's degrees of
    freedom. Pulls of their own mounts show the scatter too, and their degrees
    of freedom, 2 (pulls - 1), join the study's.
    """
    if remounted:
        variance, dof = its.study.of_mean(pulls, 1)
        dof += 2.0 * (pulls - 1)
    else:
        variance, dof = its.study.of_mean(1, pulls)
    return found_ratio(max(dof, 1.0)) * math.sqrt(2.0 * variance)


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
