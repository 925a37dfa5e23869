"""A stay as it is played and judged, and how instruments record a course of events."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acquire.values import Step
from tests.benchmarks.settling.effects import INCH_M, Floats, gaps, spike, times

Ints = npt.NDArray[np.int64]
TARGET_PA = 28 * 249.08891
BAND = 0.02
LIFT_TOLERANCE_M = 0.002 * INCH_M
SETTLED_REL = 0.001


@dataclass(frozen=True, slots=True)
class Cell:
    """What a study fixes; None draws it at random within the usual limits."""

    wanted: float = 0.003
    theta_s: float | None = None
    rate_hz: float | None = None
    creep_share: float = 0.12
    frozen_share: float = 0.03
    early_share: float = 0.12
    hunting_share: float = 0.3

    @property
    def tolerance(self) -> float:
        """The allowed error beside the stated half-width."""
        return self.wanted / 1.2


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay: three records in microseconds of the pull's time, and the truth."""

    step: Step
    begin_us: int
    lift_us: Ints
    lift_m: Floats
    flow_us: Ints
    pressure_pa: Floats
    area_m2: Floats
    mass_kg_s: Floats
    settled_s: float
    oracle_s: float
    true_area_m2: float
    drift_us: Ints
    drift_rel: Floats
    creeping: bool
    frozen: bool
    early: bool
    hunting: bool
    slowest_s: float
    pauses_s: tuple[tuple[float, float], ...] = ()

    def true_mean_m2(self, start_us: int, end_us: int) -> float:
        """The true value over a window, slow drift included."""
        inside = np.linspace(start_us, end_us, 9)
        return self.true_area_m2 * (1 + float(np.mean(np.interp(inside, self.drift_us, self.drift_rel))))


@dataclass(frozen=True, slots=True)
class Course:
    """What truly happened, on a fine grid: all arrays of the shape of ``t_s``.

    Pressures are shares of the target: ``pressure`` without and ``swinging``
    with hunting, ``seen`` as late as the meter sees it. ``moved_s``: begin and
    end of the valve's move; a meter that freezes does so before ``frozen_until_s``;
    ``slowest_s``: the longest time constant of the approach.
    """

    t_s: Floats
    lift_m: Floats
    pressure: Floats
    swinging: Floats
    seen: Floats
    referred_m2: Floats
    final_m2: float
    drift_rel: Floats
    moved_s: tuple[float, float]
    frozen_until_s: float
    oracle_s: float
    pauses_s: tuple[tuple[float, float], ...]
    creeping: bool
    hunting: bool
    slowest_s: float

    def settled_s(self, lift_m: float) -> float:
        """From when on the noise-free error stays small, and lift and pressure in their bands."""
        outside = np.abs(self.referred_m2 / self.final_m2 - 1) > SETTLED_REL
        outside |= (np.abs(self.pressure - 1) > BAND) | (np.abs(self.lift_m - lift_m) > LIFT_TOLERANCE_M)
        if not outside.any() or outside[-1]:
            return self.moved_s[1]
        return float(self.t_s[np.flatnonzero(outside)[-1] + 1])


def record(
    rng: np.random.Generator,
    cell: Cell,
    course: Course,
    *,
    begin_us: int,
    step: Step,
    rate_hz: float,
    flow_noise: Callable[[Floats], Floats],
    pressure_noise: Callable[[Floats], Floats],
    flow_digit_rel: float,
    lift_digit_m: float,
) -> Stay:
    """The course as the instruments tell it, until the valve is moved again."""
    assert step.lift_m is not None
    oracle, arrived = course.oracle_s, course.moved_s[1]
    settled = course.settled_s(step.lift_m)
    early = bool(rng.uniform() < cell.early_share)
    length = float(rng.uniform(0.3, 3.0)) * oracle if early else max(15.0, float(rng.uniform(6, 10)) * oracle)
    end = min(settled + length, arrived + 250.0)
    fine = course.t_s
    flow_t = times(rng, rate_hz, end)
    clean = course.referred_m2 * (1 + course.drift_rel) * np.sqrt(np.maximum(course.seen, 1e-3))
    q = np.interp(flow_t, fine, clean) * (1 + flow_noise(flow_t))
    p = np.interp(flow_t, fine, course.swinging) * (1 + pressure_noise(flow_t))
    digit = flow_digit_rel * course.final_m2
    q = np.round(q / digit) * digit
    frozen = bool(rng.uniform() < cell.frozen_share)
    if frozen:
        began = course.moved_s[0]
        since = float(rng.uniform(began + 0.3 * (arrived - began), course.frozen_until_s))
        first = int(np.searchsorted(flow_t, since))
        q[first:] = q[max(first - 1, 0)]
    else:
        q = spike(rng, flow_t, q)
    keep = gaps(rng, flow_t)
    flow_t, q, p = flow_t[keep], q[keep], p[keep]
    lift_t = times(rng, 10.0, end)
    seen_lift = np.round(np.interp(lift_t, fine, course.lift_m) / lift_digit_m) * lift_digit_m
    return Stay(
        step=step,
        begin_us=begin_us,
        lift_us=begin_us + (lift_t * 1e6).astype(np.int64),
        lift_m=seen_lift,
        flow_us=begin_us + (flow_t * 1e6).astype(np.int64),
        pressure_pa=p * TARGET_PA,
        area_m2=q / np.sqrt(p),
        mass_kg_s=q * 100,
        settled_s=settled,
        oracle_s=oracle,
        true_area_m2=course.final_m2,
        drift_us=begin_us + (fine[::50] * 1e6).astype(np.int64),
        drift_rel=course.drift_rel[::50],
        creeping=course.creeping,
        frozen=frozen,
        early=early or end < settled + 4 * oracle,
        hunting=course.hunting,
        slowest_s=course.slowest_s,
        pauses_s=course.pauses_s,
    )
