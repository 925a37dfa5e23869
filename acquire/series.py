"""Statistics of a record whose samples depend on each other. Arrays in time order."""

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# scaled median absolute deviation of a normal distribution: 1 / PhiInv(0.75)
MAD_TO_SIGMA = 1.482602218505602


def lag_one(x: Floats) -> float:
    """Lag-1 autocorrelation about the mean; 0 for fewer than three or equal values."""
    if x.size < 3:
        return 0.0
    d = x - x.mean()
    total = float(d @ d)
    return float(d[1:] @ d[:-1]) / total if total > 0 else 0.0


def n_effective(n: float, f: float) -> float:
    """How many independent samples the mean of ``n`` AR(1) samples is worth.

    ``f`` is the lag-1 correlation, -1 < f < 1. Exact variance of the mean:
    n_eff = n / ((1+f)/(1-f) - 2 f (1-f^n) / (n (1-f)^2)).
    Check: n 600, f 0.95 -> 15.901.
    """
    if not -1 < f < 1:
        raise ValueError(f"a lag-1 correlation lies between -1 and 1, not {f}")
    return float(n / ((1 + f) / (1 - f) - 2 * f * (1 - f**n) / (n * (1 - f) ** 2)))


def t_factor(dof: float) -> float:
    """Two-sided 95 % Student factor for real ``dof`` >= 1.

    Source: G. W. Hill, Algorithm 396, Comm. ACM 13 (1970) 619, with one Newton
    step less: good to 1e-4 from 2 degrees of freedom on. Check: 16 -> 2.120.
    """
    if dof >= 1e6:
        return 1.959964
    if dof < 2:
        # exact at 1 and 2; geometric between, where no rounding convention needs more
        return float(12.7062 * (4.302653 / 12.7062) ** (max(dof, 1.0) - 1.0))
    half_pi = math.pi / 2
    p = 0.05
    a = 1 / (dof - 0.5)
    b = 48 / a**2
    c = ((20700 * a / b - 98) * a - 16) * a + 96.36
    d = ((94.5 / (b + c) - 3) / b + 1) * math.sqrt(a * half_pi) * dof
    y = (d * p) ** (2 / dof)
    if y > 0.05 + a:
        x = -1.959964
        y = x * x
        if dof < 5:
            c += 0.3 * (dof - 4.5) * (x + 0.6)
        c = (((0.05 * d * x - 5) * x - 7) * x - 2) * x + b + c
        y = (((((0.4 * y + 6.3) * y + 36) * y + 94.5) / c - y - 3) / b + 1) * x
        y = math.expm1(a * y * y)
    else:
        y = ((1 / (((dof + 6) / (dof * y) - 0.089 * d - 0.822) * (dof + 2) * 3) + 0.5 / (dof + 4)) * y - 1) * (
            dof + 1
        ) / (dof + 2) + 1 / y
    return float(math.sqrt(dof * y))


def line(t: Floats, x: Floats) -> tuple[float, float]:
    """Least-squares mean and slope of ``x`` over ``t`` (same shape, at least one sample)."""
    # the means are written out: numpy's own take as long as all the rest on the few hundred values of a window
    tc = t - np.add.reduce(t) / t.size
    spread = float(tc @ tc)
    return float(np.add.reduce(x)) / x.size, float(tc @ x) / spread if spread > 0 else 0.0
