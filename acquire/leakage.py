"""Leakage of the fixture as an effective area, from a blank-plate run."""

import math
from collections.abc import Sequence
from typing import NamedTuple

from acquire.budget import UNLIMITED_DOF
from acquire.records import LeakageLaw
from acquire.values import Direction, Point

_LOWEST_EXPONENT, _HIGHEST_EXPONENT = 0.0, 0.5
_SAME_PRESSURE = 1.05


def leakage_area_m2(law: LeakageLaw, test_pressure_pa: float) -> float:
    """Leakage area at a test pressure; 0 where there is no test pressure."""
    if not test_pressure_pa > 0.0:
        return 0.0
    return law.area_m2 * _scale(law, test_pressure_pa)


def leakage_uncertainty_m2(law: LeakageLaw, test_pressure_pa: float) -> float:
    """Its standard uncertainty at that test pressure.

    Away from the law's own pressure its exponent counts too: with 0.1 where
    it was fitted, and with 0.29 (anywhere from 0 to 0.5) where it was not.
    """
    if not test_pressure_pa > 0.0:
        return 0.0
    exponent_doubt = 0.1 if law.exponent else _HIGHEST_EXPONENT / math.sqrt(3.0)
    away = law.area_m2 * exponent_doubt * math.log(test_pressure_pa / law.reference_pressure_pa)
    return math.hypot(law.standard_uncertainty_m2, away) * _scale(law, test_pressure_pa)


def _scale(law: LeakageLaw, test_pressure_pa: float) -> float:
    return float((test_pressure_pa / law.reference_pressure_pa) ** law.exponent)


def fit_law(pull_id: int, direction: Direction, measured_utc: str, points: Sequence[Point]) -> LeakageLaw:
    """The law area = a (p/p_reference)^n through the points of a blank-plate run.

    The reference is the highest test pressure of the run. Readings at one
    pressure, or a leak too small to tell from nothing, give n = 0. Otherwise n
    is fitted by least squares in logarithms and kept between 0 (a hole: the
    area does not depend on pressure) and 0.5 (a thin gap: flow goes with
    pressure). The scatter about the law counts as random; the readings' own
    uncertainty is mostly the bench's, common to all of them, and so is not
    reduced by their number.
    """
    if not points:
        raise ValueError("there is no leakage reading to use: take at least one step of the blank-plate run")
    readings = [
        _Reading(its.test_pressure_pa, its.flow.effective_area_m2, its.flow.standard_uncertainty_m2, its.flow.dof)
        for its in points
    ]
    for number, its in enumerate(readings, 1):
        finite = all(map(math.isfinite, (its.test_pressure_pa, its.area_m2, its.standard_uncertainty_m2)))
        if not finite or its.test_pressure_pa <= 0.0 or its.standard_uncertainty_m2 < 0.0:
            raise ValueError(f"leakage reading {number} has no test pressure or is not a number: take it again")
    reference_pa = max(its.test_pressure_pa for its in readings)
    told_apart = all(its.area_m2 > 2.0 * its.standard_uncertainty_m2 for its in readings)
    fitted = told_apart and reference_pa > _SAME_PRESSURE * min(its.test_pressure_pa for its in readings)
    exponent = _exponent(readings) if fitted else 0.0
    scales = [(its.test_pressure_pa / reference_pa) ** exponent for its in readings]
    areas = [its.area_m2 / scale for its, scale in zip(readings, scales, strict=True)]
    area = math.fsum(areas) / len(areas)
    common = max(its.standard_uncertainty_m2 / scale for its, scale in zip(readings, scales, strict=True))
    common_dof = max(1.0, min(its.dof for its in readings))
    scatter_dof = len(readings) - (2 if fitted else 1)
    scatter = 0.0
    if scatter_dof > 0:
        scatter = math.sqrt(math.fsum((a - area) ** 2 for a in areas) / scatter_dof / len(readings))
    total = math.hypot(common, scatter)
    # Welch-Satterthwaite, JCGM 100 G.4
    spread = common**4 / common_dof + (scatter**4 / scatter_dof if scatter_dof > 0 else 0.0)
    return LeakageLaw(
        pull_id=pull_id,
        direction=direction,
        measured_utc=measured_utc,
        reference_pressure_pa=reference_pa,
        area_m2=area,
        exponent=exponent,
        standard_uncertainty_m2=total,
        dof=min(total**4 / spread, UNLIMITED_DOF) if spread > 0.0 else UNLIMITED_DOF,
    )


class _Reading(NamedTuple):
    test_pressure_pa: float
    area_m2: float
    standard_uncertainty_m2: float
    dof: float


def _exponent(readings: Sequence[_Reading]) -> float:
    logs = [(math.log(its.test_pressure_pa), math.log(its.area_m2)) for its in readings]
    mean_x = math.fsum(x for x, _ in logs) / len(logs)
    mean_y = math.fsum(y for _, y in logs) / len(logs)
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in logs) / math.fsum((x - mean_x) ** 2 for x, _ in logs)
    return min(max(slope, _LOWEST_EXPONENT), _HIGHEST_EXPONENT)
