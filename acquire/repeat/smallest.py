"""The smallest difference of two heads that a bench can show, from its repeatability."""

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from acquire.repeat.record import LiftRepeat

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_ALONE = 1000
_QUANTILES = (60, 300)


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
def found_ratio(dof: float, level: float = 0.05, power: float = 0.80, *, stated_again: bool = False) -> float:
    """The true difference, in standard uncertainties, that a two-sided t test finds with ``power``.

    By the noncentral t distribution (e.g. Cohen, Statistical Power Analysis,
    1988), written as the mean of the normal power over the chi distribution
    of the estimated uncertainty; 2.80 with many degrees of freedom.
    ``stated_again``: in units of the uncertainty that one comparison
    estimates, for the next one to find; that estimate may be too small by
    luck as well, and is allowed for.
    """
    import numpy as np
    from scipy.optimize import brentq
    from scipy.stats import chi2, norm, t

    def scales(count: int) -> "NDArray[np.float64]":
        return np.asarray(np.sqrt(chi2.ppf((np.arange(count) + 0.5) / count, dof) / dof))

    estimated, looked_at = _QUANTILES
    stated = scales(estimated)[:, None] if stated_again else np.ones((1, 1))
    limits = t.ppf(1.0 - level / 2.0, dof) * scales(looked_at if stated_again else _ALONE)

    def missing(ratio: float) -> float:
        return float((norm.sf(limits - ratio * stated) + norm.sf(limits + ratio * stated)).mean()) - power

    highest = float(limits[-1]) + 10.0
    while missing(highest) < 0.0:
        highest *= 2.0
    return float(brentq(missing, 0.0, highest, xtol=1e-6))
