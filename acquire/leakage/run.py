"""Leakage of the fixture as an effective area, from a blank-plate run.

A leak is a hole, whose effective area does not depend on the test pressure,
or a thin gap, whose flow goes with the pressure and whose effective area so
goes with its root; most are both. The law is their sum.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acquire.budget.influences import PORT, READING
from acquire.budget.propagation import UNLIMITED_DOF
from acquire.config import BenchConfig
from acquire.flow.air import ISENTROPIC_EXPONENT
from acquire.flow.meter_range import least_flow_kg_s
from acquire.flow.model import FlowModel
from acquire.records import LeakageLaw
from acquire.values import Component, Direction, FlowResult, Point

BELOW_RANGE = "leak below what the meter can read"
"""The one component of a reading that is only a bound."""

# shares of the gap, dense at none and at all of it, where real leaks mostly are: Beta(1/2, 1/2)
_SHARES = np.sin(np.linspace(0.0, 0.5 * np.pi, 41)) ** 2
# a real leak is not to the last per mille a hole or a thin gap
_LEAST_OWN = 5e-3
# chi-square that one in a hundred exceeds, by degrees of freedom
_UNLIKELY = (6.63, 9.21, 11.34, 13.28, 15.09, 16.81, 18.48, 20.09)

Floats = NDArray[np.float64]

_JUDGED_BESIDE = 1.0 / 3.0


def judged_beside_m2(config: BenchConfig) -> float:
    """The area that is added to a leak while it is judged whether its reading has settled.

    An interval as a share of a leak near zero is never reached. Beside a third
    of the allowance for a leak that was not measured, ``leakage.wanted`` of 3 %
    asks for no finer half-width than 1 % of the allowance.
    """
    return _JUDGED_BESIDE * config.leakage.allowance_area_m2


def reads_least(config: BenchConfig, meter_range: str) -> bool:
    """Whether no other range of the meter reads a smaller flow."""
    least = {name: least_flow_kg_s(config, name) for name in config.meter.ranges}
    return least[meter_range] <= min(least.values())


def bound_of(model: FlowModel, test_pressure_pa: float) -> FlowResult:
    """A reading below the meter's range: the leak is less than what the range reads at least.

    Nothing is stated but that bound: area 0, and as its uncertainty the root
    mean square of anything from 0 to the bound. The zero of the meter pressure
    may have moved by its limit, and the calibration be off by its 95 % figure.
    """
    lowest_pa = model.config.meter.ranges[model.meter_range].lowest_pressure_pa
    read_pa = lowest_pa + model.config.zero.pressure_shift_limit_pa
    upstream_pa = model.meter_upstream_pa(read_pa, test_pressure_pa)
    doubts = model.meter.doubts(read_pa, upstream_pa, model.meter_air, ISENTROPIC_EXPONENT)
    slack = 2.0 * math.hypot(*(its.standard_uncertainty_rel for its in doubts))
    bound = model.effective_area_m2(read_pa, test_pressure_pa) * (1.0 + slack)
    u = bound / math.sqrt(3.0)
    part = Component(BELOW_RANGE, 0.0, "m2", u, "rectangular", UNLIMITED_DOF, 1.0, True)
    # 95 % of what lies anywhere from 0 to the bound lies below 0.95 of it
    factor = 0.95 * math.sqrt(3.0)
    return FlowResult(
        mass_flow_kg_s=0.0,
        effective_area_m2=0.0,
        standard_uncertainty_m2=u,
        dof=UNLIMITED_DOF,
        coverage_factor=factor,
        flow_m3_s=0.0,
        half_width_95_m3_s=model.stated_flow_m3_s(factor * u),
        leakage_m3_s=0.0,
        lift_correction_m3_s=0.0,
        budget=(part,),
        convention=model.config.reference.convention,
    )


def fit_law(pull_id: int, direction: Direction, measured_utc: str, points: Sequence[Point]) -> LeakageLaw:
    """The law area = hole + gap (p/p_reference)^0.5 through the points of a blank-plate run.

    The reference is the run's highest test pressure. How much of the leak is
    a gap is taken as anything from none to all of it beforehand, and weighed
    by the readings: with one pressure nothing is learned about it, and that
    counts in the law's uncertainty at other pressures. What is common to the
    run's readings (meter, transducers, zeros) counts as common, each reading's
    own scatter as its own, and scatter about the law that they do not explain
    is added. Readings below the meter's range only bound the leak, and count
    only where there is no other; see ``LeakageLaw.below_m2``.

    Raises ``ValueError`` with one sentence for readings that give no law.
    """
    if not points:
        raise ValueError("there is no leakage reading to use: take at least one step of the blank-plate run")
    for number, its in enumerate(points, 1):
        numbers = (its.test_pressure_pa, its.flow.effective_area_m2, its.flow.standard_uncertainty_m2)
        if not all(map(math.isfinite, numbers)) or numbers[0] <= 0.0 or numbers[2] < 0.0:
            raise ValueError(f"leakage reading {number} has no test pressure or is not a number: take it again")
    read = [its for its in points if not is_bound(its)]
    if not read:
        return _bound(pull_id, direction, measured_utc, points)
    reference_pa = max(its.test_pressure_pa for its in read)
    fitted = _fit([_reading(its, reference_pa) for its in read])
    u = math.sqrt(fitted.variance)
    told_apart = fitted.area > 2.0 * u
    return LeakageLaw(
        pull_id=pull_id,
        direction=direction,
        measured_utc=measured_utc,
        reference_pressure_pa=reference_pa,
        area_m2=fitted.area,
        exponent=0.5 * min(max(fitted.gap / fitted.area, 0.0), 1.0) if told_apart else 0.0,
        standard_uncertainty_m2=u,
        dof=fitted.dof,
        gap_area_m2=fitted.gap,
        gap_uncertainty_m2=math.sqrt(fitted.gap_variance),
        covariance_m4=fitted.covariance,
        below_m2=None if told_apart else max(fitted.area, 0.0) + 2.0 * u,
    )


def is_bound(point: Point) -> bool:
    """Whether a reading only says that the leak is smaller than the meter can read."""
    return any(its.name == BELOW_RANGE for its in point.flow.budget)


def _bound(pull_id: int, direction: Direction, measured_utc: str, points: Sequence[Point]) -> LeakageLaw:
    tightest = min(points, key=lambda its: its.flow.standard_uncertainty_m2)
    return LeakageLaw(
        pull_id=pull_id,
        direction=direction,
        measured_utc=measured_utc,
        reference_pressure_pa=tightest.test_pressure_pa,
        area_m2=0.0,
        standard_uncertainty_m2=tightest.flow.standard_uncertainty_m2,
        dof=UNLIMITED_DOF,
        gap_uncertainty_m2=0.0,
        below_m2=tightest.flow.standard_uncertainty_m2 * math.sqrt(3.0),
    )


class _Reading(NamedTuple):
    area: float
    root: float
    own: float
    own_dof: float
    common: dict[str, float]


def _reading(point: Point, reference_pa: float) -> _Reading:
    flow = point.flow
    scale = max(abs(flow.effective_area_m2), flow.standard_uncertainty_m2)
    own = 0.0
    common: dict[str, float] = {}
    for part in flow.budget:
        size = part.contribution_rel * scale
        if part.name == READING or part.name.endswith(", digit"):
            own = math.hypot(own, size)
        elif part.name != PORT:  # a leak is stated at the pressure at which it was read
            common[part.name] = size
    # few degrees of freedom: the spread of Student's t, so that none weighs too much by chance
    dof = max(point.capture.dof, 1.0)
    own *= math.sqrt(dof / (dof - 2.0)) if dof > 4.0 else math.sqrt(2.0)
    least = _LEAST_OWN * max(abs(flow.effective_area_m2), flow.standard_uncertainty_m2, 1e-12)
    root = math.sqrt(point.test_pressure_pa / reference_pa)
    return _Reading(flow.effective_area_m2, root, max(own, least), dof, common)


class _Fitted(NamedTuple):
    area: float
    gap: float
    variance: float
    gap_variance: float
    covariance: float
    dof: float


class _Weighed(NamedTuple):
    """By share of the gap: the leak, its variance, how badly the readings fit, each reading's weight."""

    found: Floats
    spread: Floats
    misfit: Floats
    weights: Floats


def _weigh(readings: Sequence[_Reading], own: Floats) -> _Weighed:
    """Generalised least squares for each share; common parts are correlated, own ones are not."""
    areas = np.array([its.area for its in readings])
    names = sorted({name for its in readings for name in its.common})
    common = np.array([[its.common.get(name, 0.0) for its in readings] for name in names]).reshape(len(names), -1)
    inverse = np.linalg.inv(np.diag(own**2) + common.T @ common)
    shapes = 1.0 - np.outer(_SHARES, 1.0 - np.array([its.root for its in readings]))
    spread = 1.0 / np.sum(shapes @ inverse * shapes, axis=1)
    weights = spread[:, None] * (shapes @ inverse)
    found = weights @ areas
    return _Weighed(found, spread, areas @ inverse @ areas - found**2 / spread, weights)


def _fit(readings: Sequence[_Reading]) -> _Fitted:
    own = np.array([its.own for its in readings])
    weighed = _weigh(readings, own)
    several = len({round(its.root, 2) for its in readings}) > 1
    left = len(readings) - (2 if several else 1)
    misfit = float(weighed.misfit.min())
    if left > 0 and misfit > _UNLIKELY[min(left, len(_UNLIKELY)) - 1]:
        own = own * math.sqrt(misfit / left)
        weighed = _weigh(readings, own)
    chances = np.exp(-0.5 * (weighed.misfit - weighed.misfit.min()))
    chances /= chances.sum()
    area, gap = float(chances @ weighed.found), float(chances @ (weighed.found * _SHARES))
    second = chances * (weighed.spread + weighed.found**2)
    variance = max(float(second.sum()) - area**2, 0.0)
    # Welch-Satterthwaite, JCGM 100 G.4, over the readings' own scatter
    from_own = (weighed.weights[int(np.argmax(chances))] * own) ** 2
    lost = float(np.sum(from_own**2 / np.array([its.own_dof for its in readings])))
    return _Fitted(
        area=area,
        gap=gap,
        variance=variance,
        gap_variance=max(float(second @ _SHARES**2) - gap**2, 0.0),
        covariance=float(second @ _SHARES) - area * gap,
        dof=min(max(variance**2 / lost, 1.0), UNLIMITED_DOF) if lost > 0.0 else UNLIMITED_DOF,
    )
