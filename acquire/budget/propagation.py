"""Propagation of uncertainty: JCGM 100, with JCGM 101 as confirmation.

A formula takes its inputs by name and returns one number; the same formula
serves floats, the sensitivities of a budget and the draws of a Monte Carlo run.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from acquire.budget.sensitivities import sensitivities
from acquire.values import Component

UNLIMITED_DOF = 1e6
"""Stands for infinitely many degrees of freedom, so that every number is finite."""

NORMAL_95 = 1.959963984540054

# more degrees of freedom than this are as good as unlimited ones
_MANY_DOF = 1e5

Formula = Callable[[Mapping[str, Any]], Any]


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a formula: best estimate and standard uncertainty, in ``unit``.

    ``shared`` marks what is common to all readings of the same bench.
    """

    name: str
    value: float
    unit: str
    standard_uncertainty: float
    distribution: Literal["normal", "rectangular", "t"] = "normal"
    dof: float = UNLIMITED_DOF
    shared: bool = True


@dataclass(frozen=True, slots=True)
class Propagated:
    """A result with its budget; ``components`` are in the order of the inputs."""

    value: float
    standard_uncertainty: float
    dof: float
    coverage_factor: float
    components: tuple[Component, ...]


def normal(name: str, value: float, unit: str, half_width_95: float, *, shared: bool) -> Input:
    """An input from a 95 % figure of a certificate or a data sheet."""
    return Input(name, value, unit, half_width_95 / NORMAL_95, "normal", shared=shared)


def rectangular(name: str, value: float, unit: str, half_width: float, *, shared: bool) -> Input:
    """An input that lies anywhere within +- ``half_width``."""
    return Input(name, value, unit, half_width / math.sqrt(3.0), "rectangular", shared=shared)


def prepare() -> None:
    """Load what the first budget needs (scipy's distributions, about 0.3 s) beforehand."""
    import scipy.special  # noqa: F401


def coverage_factor(dof: float) -> float:
    """Student's t at 95 %, two-sided, at the degrees of freedom rounded down.

    Source: JCGM 100:2008, G.3 and table G.2. Fewer than one counts as one.
    """
    return _student_t_95(max(1, math.floor(min(dof, UNLIMITED_DOF))))


@lru_cache(maxsize=1024)
def _student_t_95(dof: int) -> float:
    from scipy.special import stdtrit

    return NORMAL_95 if dof > _MANY_DOF else float(stdtrit(dof, 0.975))


def propagate(
    formula: Formula, inputs: Sequence[Input], correlations: Mapping[tuple[str, str], float] | None = None
) -> Propagated:
    """First-order propagation with Welch-Satterthwaite degrees of freedom.

    The inputs are independent but for ``correlations``, coefficients by pair
    of names; degrees of freedom hold for independent inputs only (JCGM 100,
    G.4.1), so that correlated ones must have unlimited ones. ``contribution_rel`` of each component has the
    sign of its sensitivity and is relative to the result, or to its standard
    uncertainty where the result is smaller than that, so that a result of
    zero has a budget too.
    Source: JCGM 100:2008, eq. (10), (16) and (G.2b).
    """
    correlations = correlations or {}
    correlated = {name for pair in correlations for name in pair}
    for its in inputs:
        if its.name in correlated and its.dof < UNLIMITED_DOF:
            raise ValueError(f"{its.name} is correlated with another input: give it unlimited degrees of freedom")
        if not 0.0 <= its.standard_uncertainty < math.inf:
            raise ValueError(f"the standard uncertainty of {its.name} cannot be {its.standard_uncertainty}")
    uncertain = [its.name for its in inputs if its.standard_uncertainty]
    value, slopes = sensitivities(formula, {its.name: its.value for its in inputs}, uncertain)
    parts = [slopes[its.name] * its.standard_uncertainty if its.name in slopes else 0.0 for its in inputs]
    squares = [part * part for part in parts]
    if correlations:
        by_name = {its.name: part for its, part in zip(inputs, parts, strict=True)}
        squares += [2.0 * r * by_name[first] * by_name[second] for (first, second), r in correlations.items()]
    # what cancels may leave less than nothing, by rounding
    uncertainty = math.sqrt(max(math.fsum(squares), 0.0))
    if not math.isfinite(value + uncertainty):
        raise ValueError("the result of the formula is not a number: look at the instruments and take it again")
    scale = max(abs(value), uncertainty) or 1.0
    components = tuple(
        [
            Component(
                its.name,
                its.value,
                its.unit,
                its.standard_uncertainty,
                its.distribution,
                its.dof if its.dof < UNLIMITED_DOF else UNLIMITED_DOF,
                part / scale,
                its.shared,
            )
            for its, part in zip(inputs, parts, strict=True)
        ]
    )
    independent = [(part, its.dof) for its, part in zip(inputs, parts, strict=True) if its.name not in correlated]
    dof = _effective_dof(uncertainty, independent) if uncertainty > 0.0 else UNLIMITED_DOF
    return Propagated(value, uncertainty, dof, coverage_factor(dof), components)


def _effective_dof(uncertainty: float, parts: Sequence[tuple[float, float]]) -> float:
    below = math.fsum([(part / uncertainty) ** 4 / min(max(dof, 1.0), UNLIMITED_DOF) for part, dof in parts if part])
    return min(1.0 / below, UNLIMITED_DOF) if below > 0.0 else UNLIMITED_DOF


@dataclass(frozen=True, slots=True)
class Drawn:
    """A Monte Carlo result: mean, standard deviation and the probabilistically symmetric 95 % interval."""

    mean: float
    standard_deviation: float
    low_95: float
    high_95: float
    draws: int


def monte_carlo(formula: Formula, inputs: Sequence[Input], draws: int = 50_000, seed: int = 1) -> Drawn:
    """Propagation of distributions, JCGM 101:2008, to confirm a budget.

    Same seed, same result: only the generator's raw numbers are used, which
    stay the same from one release of numpy to the next. A reading costs about
    20 us a draw. Raises ``ValueError`` for fewer than 1000 draws: its
    quantiles say nothing.
    """
    if draws < 1000:
        raise ValueError(f"{draws} draws are too few for a 95 % interval: take at least 1000")
    random = np.random.Generator(np.random.PCG64(seed))
    columns = {its.name: _draw(its, random, draws).tolist() for its in inputs}
    names = list(columns)
    rows = zip(*columns.values(), strict=True)
    results = np.fromiter((formula(dict(zip(names, row, strict=True))) for row in rows), np.float64, draws)
    low, high = np.quantile(results, (0.025, 0.975))
    return Drawn(float(results.mean()), float(results.std(ddof=1)), float(low), float(high), draws)


def _draw(its: Input, random: np.random.Generator, draws: int) -> NDArray[np.float64]:
    """Draws by the inverse of the distribution function."""
    from scipy.special import ndtri, stdtrit

    u, shares = its.standard_uncertainty, np.maximum(random.random(draws), 2.0**-54)
    if its.distribution == "rectangular":
        deviates = math.sqrt(3.0) * (2.0 * shares - 1.0)
    elif its.distribution == "t" and its.dof < UNLIMITED_DOF:
        # scaled and shifted t, JCGM 101, 6.4.9
        deviates = stdtrit(max(its.dof, 1.0), shares)
    else:
        deviates = ndtri(shares)
    found: NDArray[np.float64] = its.value + u * deviates
    return found


def numerical_tolerance(standard_uncertainty: float, digits: int = 1) -> float:
    """Half of the last of ``digits`` significant digits of a standard uncertainty.

    Source: JCGM 101:2008, 7.9.2: u = c * 10^l with c of that many digits,
    tolerance = 10^l / 2.
    """
    if not standard_uncertainty > 0.0:
        return 0.0
    exponent = int(f"{standard_uncertainty:.{digits - 1}e}".split("e")[1]) - digits + 1
    return 0.5 * 10.0**exponent


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A first-order interval beside the drawn one; ``holds`` when both ends agree within ``tolerance``."""

    low_95: float
    high_95: float
    drawn: Drawn
    tolerance: float
    holds: bool


def confirm(value: float, standard_uncertainty: float, factor: float, drawn: Drawn, digits: int = 1) -> Confirmation:
    """Whether the first-order interval holds.

    Source: JCGM 101:2008, 8.1: |y - U - y_low| and |y + U - y_high| are both
    at most the numerical tolerance of u. Any unit, the same for all.
    """
    low, high = value - factor * standard_uncertainty, value + factor * standard_uncertainty
    tolerance = numerical_tolerance(standard_uncertainty, digits)
    off = max(abs(low - drawn.low_95), abs(high - drawn.high_95))
    return Confirmation(low, high, drawn, tolerance, off <= tolerance)
