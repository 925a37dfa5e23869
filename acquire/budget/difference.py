"""The difference of two readings of the same bench: what they share cancels.

A component marked shared has the same error in both readings, so that in the
difference its two contributions are subtracted, with their signs, before they
are squared; everything else adds in quadrature.
Source: JCGM 100:2008, 5.2.2 and F.1.2.3, with correlation +1 or 0.
"""

import math
from collections.abc import Collection
from dataclasses import dataclass

from acquire.budget.propagation import UNLIMITED_DOF, coverage_factor
from acquire.values import Component, FlowResult

# contributions to stated flows that cancel to this share of themselves are rounding
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Part:
    """One component of a difference, m3/s, one standard uncertainty.

    ``common`` ones have the same error in both readings, and ``left_m3_s`` is
    what does not cancel of it.
    """

    name: str
    first_m3_s: float
    second_m3_s: float
    common: bool
    left_m3_s: float


@dataclass(frozen=True, slots=True)
class FlowDifference:
    """First minus second, stated flows.

    ``relative`` is (first - second) / second, with its own standard
    uncertainty: a common relative error of both cancels in it altogether.
    ``parts``: the largest first.
    """

    value_m3_s: float
    standard_uncertainty_m3_s: float
    dof: float
    coverage_factor: float
    relative: float
    standard_uncertainty_rel: float
    dof_rel: float
    coverage_factor_rel: float
    parts: tuple[Part, ...]

    @property
    def half_width_95_m3_s(self) -> float:
        """Of the difference."""
        return self.coverage_factor * self.standard_uncertainty_m3_s

    @property
    def half_width_95_rel(self) -> float:
        """Of the relative difference."""
        return self.coverage_factor_rel * self.standard_uncertainty_rel


def contributions_m3_s(result: FlowResult) -> list[float]:
    """What each component of the budget does to the stated flow, signed, one standard uncertainty."""
    rel_to_m3_s = stated_per_area_m_s(result) * max(abs(result.effective_area_m2), result.standard_uncertainty_m2)
    return [its.contribution_rel * rel_to_m3_s for its in result.budget]


def stated_per_area_m_s(result: FlowResult) -> float:
    """Stated flow per effective area; 0 for a result without any uncertainty or area."""
    u = result.coverage_factor * result.standard_uncertainty_m2
    if u > 0.0:
        return result.half_width_95_m3_s / u
    return result.flow_m3_s / result.effective_area_m2 if result.effective_area_m2 else 0.0


def difference(first: FlowResult, second: FlowResult, common: Collection[str]) -> FlowDifference:
    """First minus second; ``common`` names the components that have one and the same error in both.

    A name that is not marked shared, or is not in both budgets, is not common
    whatever ``common`` says. Budgets of the first archive version hold
    magnitudes: then the contributions of a common component are taken to have
    the same sign in both, which they have unless one curve falls with lift.

    Raises ``ValueError`` where ``second`` is zero: nothing is relative to it.
    """
    a, b = _by_name(first), _by_name(second)
    if not (_signed(first) and _signed(second)):
        a = {name: (its, abs(value)) for name, (its, value) in a.items()}
        b = {name: (its, abs(value)) for name, (its, value) in b.items()}
    q_a, q_b = first.flow_m3_s, second.flow_m3_s
    if q_b == 0.0:
        raise ValueError("the second reading is zero, and a difference relative to it says nothing")
    parts, spread, spread_rel = [], _Sum(), _Sum()
    for name in dict.fromkeys((*a, *b)):
        (its_a, c_a), (its_b, c_b) = a.get(name, (None, 0.0)), b.get(name, (None, 0.0))
        shared = its_a is not None and its_b is not None and its_a.shared and its_b.shared and name in common
        # d(q_a / q_b) = (dq_a - q_a / q_b dq_b) / q_b
        r_a, r_b = c_a / q_b, c_b * q_a / q_b**2
        if shared:
            assert its_a is not None
            assert its_b is not None
            dof = min(its_a.dof, its_b.dof)
            left = spread.add(_less(c_a, c_b), dof)
            spread_rel.add(_less(r_a, r_b), dof)
        else:
            left = math.hypot(c_a, c_b)
            for its, c, r in ((its_a, c_a, r_a), (its_b, c_b, r_b)):
                if its is not None:
                    spread.add(c, its.dof)
                    spread_rel.add(r, its.dof)
        parts.append(Part(name, c_a, c_b, shared, left))
    return FlowDifference(
        value_m3_s=q_a - q_b,
        standard_uncertainty_m3_s=spread.u,
        dof=spread.dof,
        coverage_factor=coverage_factor(spread.dof),
        relative=q_a / q_b - 1.0,
        standard_uncertainty_rel=spread_rel.u,
        dof_rel=spread_rel.dof,
        coverage_factor_rel=coverage_factor(spread_rel.dof),
        parts=tuple(sorted(parts, key=lambda part: -part.left_m3_s)),
    )


def _less(a: float, b: float) -> float:
    left = abs(a - b)
    return 0.0 if left <= _ROUNDING * max(abs(a), abs(b)) else left


def _signed(result: FlowResult) -> bool:
    # the area of a given flow falls with the test pressure, so that a signed budget has a negative part
    return any(its.contribution_rel < 0.0 for its in result.budget)


def _by_name(result: FlowResult) -> dict[str, tuple[Component, float]]:
    found = zip(result.budget, contributions_m3_s(result), strict=True)
    return {its.name: (its, value) for its, value in found}


class _Sum:
    """A root sum of squares with its effective degrees of freedom (Welch-Satterthwaite, JCGM 100, G.4.1)."""

    def __init__(self) -> None:
        self._squares: list[float] = []
        self._below: list[float] = []

    def add(self, u: float, dof: float) -> float:
        self._squares.append(u * u)
        self._below.append(u**4 / max(dof, 1.0))
        return abs(u)

    @property
    def u(self) -> float:
        return math.sqrt(math.fsum(self._squares))

    @property
    def dof(self) -> float:
        below = math.fsum(self._below)
        return min(math.fsum(self._squares) ** 2 / below, UNLIMITED_DOF) if below > 0.0 else UNLIMITED_DOF
