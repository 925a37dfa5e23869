"""What the engine sees: each head's effective area weighted by the valve's own motion."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.comparison.cam import Cam
from acquire.comparison.engine_speed import inlet_mach_index, speed_at_knee_rpm
from acquire.comparison.regions import HIGH_ABOVE, LOW_BELOW
from acquire.comparison.student import t_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Engine:
    """The cylinder that the head would sit on.

    ``valves``: how many the flow passed at once. ``speed_rpm`` for the index, None to leave it out.
    """

    bore_m: float
    stroke_m: float
    valves: int = 1
    speed_rpm: float | None = None


@dataclass(frozen=True, slots=True)
class SeenByEngine:
    """One head under a cam. ``mach_index`` and ``knee_rpm`` are None without an engine or a valve diameter."""

    mean_area_m2: float
    mean_coefficient: float | None
    mach_index: float | None
    knee_rpm: float | None


@dataclass(frozen=True, slots=True)
class EventFinding:
    """Both heads under one cam, and their difference with its 95 % half-width, in m2.

    ``degrees`` of crank angle spent at low, middle and high lift; None
    without a valve diameter. ``remark``: what the cam is, and where it lifts
    the valve beyond what was flowed.
    """

    a: SeenByEngine
    b: SeenByEngine
    difference_m2: float
    half_width_95_m2: float
    degrees: tuple[float, float, float] | None
    remark: str


@dataclass(frozen=True, slots=True)
class AreaAt:
    """Effective areas of both heads at a lift, and the standard uncertainty of A minus B."""

    lift_m: float
    a_m2: float
    b_m2: float
    standard_uncertainty_m2: float
    dof: float


def seen_by_engine(
    cam: Cam, areas: Sequence[AreaAt], diameters_m: tuple[float | None, float | None], engine: Engine | None
) -> EventFinding:
    """Mean effective area over the valve's open period, by crank angle.

    Between lifts the area follows a shape-preserving curve (PCHIP, Fritsch &
    Carlson 1980) from the closed valve on; above the highest lift it stays.
    The uncertainties of the lifts are taken as fully correlated, which a
    mount makes them, so the half-width is their weighted sum.

    Raises ``ValueError`` for fewer than two lifts.
    """
    if len(areas) < 2:
        raise ValueError("a cam needs flows at two lifts at least: flow the head by a schedule")
    mean_a = _mean(cam, areas, [its.a_m2 for its in areas])
    mean_b = _mean(cam, areas, [its.b_m2 for its in areas])
    weights = _weights(cam, areas, [0.5 * (its.a_m2 + its.b_m2) for its in areas])
    u = math.fsum(abs(w) * its.standard_uncertainty_m2 for w, its in zip(weights, areas, strict=True))
    half = t_quantile(0.975, min(its.dof for its in areas)) * u
    known = [its for its in diameters_m if its is not None]
    bands = (LOW_BELOW * known[0], HIGH_ABOVE * known[0]) if known and len(set(known)) == 1 else None
    degrees = cam.degrees_between(bands) if bands else None
    remark = cam.remark
    if cam.highest_lift_m > areas[-1].lift_m * 1.001:
        remark += (
            f"; lifts above {areas[-1].lift_m * 1e3:.2f} mm, the highest that was flowed, count with the flow there"
        )
    return EventFinding(
        a=_seen(mean_a, diameters_m[0], engine),
        b=_seen(mean_b, diameters_m[1], engine),
        difference_m2=mean_a - mean_b,
        half_width_95_m2=half,
        degrees=(degrees[0], degrees[1], degrees[2]) if degrees else None,
        remark=remark,
    )


def _mean(cam: Cam, areas: Sequence[AreaAt], values: Sequence[float]) -> float:
    from scipy.interpolate import PchipInterpolator

    lifts = np.array([0.0, *(its.lift_m for its in areas)])
    curve = PchipInterpolator(lifts, np.array([0.0, *values]))

    def area(lift_m: Floats) -> Floats:
        return np.asarray(curve(np.minimum(lift_m, lifts[-1])), dtype=np.float64)

    return cam.mean_over_event(area)


def _weights(cam: Cam, areas: Sequence[AreaAt], values: Sequence[float]) -> list[float]:
    """How the mean moves with the area at each lift."""
    found = []
    for place, value in enumerate(values):
        step = 1e-4 * value
        up, down = ([*values[:place], value + sign * step, *values[place + 1 :]] for sign in (1.0, -1.0))
        found.append((_mean(cam, areas, up) - _mean(cam, areas, down)) / (2.0 * step))
    return found


def _seen(mean_area_m2: float, diameter_m: float | None, engine: Engine | None) -> SeenByEngine:
    valves = engine.valves if engine is not None else 1
    coefficient = mean_area_m2 / (valves * 0.25 * math.pi * diameter_m**2) if diameter_m else None
    index = knee = None
    if engine is not None and diameter_m and coefficient:
        cylinder = (engine.bore_m, engine.stroke_m, diameter_m, valves, coefficient)
        knee = speed_at_knee_rpm(*cylinder)
        index = inlet_mach_index(*cylinder, engine.speed_rpm) if engine.speed_rpm else None
    return SeenByEngine(mean_area_m2, coefficient, index, knee)
