"""Small hand-made records for the behaviour tests: one cause at a time."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from acquire.config import Settling
from acquire.stabiliser import Stabiliser
from acquire.values import Capture, Standing, Step

TARGET_PA = 7000.0
LIFT_M = 0.0127
AREA_M2 = 1e-3
Law = Callable[[float], float]


@dataclass
class Played:
    """What the stabiliser said while a record was played to it."""

    stabiliser: Stabiliser
    standings: list[tuple[float, Standing]] = field(default_factory=list)
    capture: Capture | None = None
    captured_s: float | None = None

    def states(self) -> set[str]:
        return {standing.state for _, standing in self.standings}

    def missing(self) -> set[str]:
        return {word for _, standing in self.standings for word in standing.missing}


def steady(_: float) -> float:
    return 1.0


def arrival(at_s: float = 1.0, from_share: float = 0.8) -> Law:
    """A lift (as a share of the target) that rises to it and stays."""
    return lambda t: 1.0 if t >= at_s else from_share + (1 - from_share) * max(t, 0.0) / at_s


def play(
    until_s: float,
    lift: Law = steady,
    pressure: Law = steady,
    flow: Law = steady,
    *,
    noise: float = 0.001,
    correlation_s: float = 0.05,
    rate_hz: float = 50.0,
    seed: int = 1,
    settings: Settling | None = None,
    stabiliser: Stabiliser | None = None,
    begin_s: float = 0.0,
    lift_m: float | None = LIFT_M,
    mass: Law | None = None,
    stop_at_capture: bool = True,
    digit: float = 0.0,
    true: float = 1.0,
) -> Played:
    """Play laws of time (shares of the target) with correlated noise on the flow."""
    rng = np.random.default_rng(seed)
    judge = stabiliser or Stabiliser(settings or Settling())
    played = Played(judge)
    judge.aim(round(begin_s * 1e6), Step(lift_m, TARGET_PA))
    f = float(np.exp(-1 / (rate_hz * correlation_s)))
    e = float(rng.standard_normal())
    next_lift = 0.0
    for i in range(round(until_s * rate_hz)):
        t = i / rate_hz
        t_us = round((begin_s + t) * 1e6)
        e = f * e + (1 - f * f) ** 0.5 * float(rng.standard_normal())
        if t >= next_lift:
            judge.push_lift(t_us, round(LIFT_M * lift(t) / 1.27e-5) * 1.27e-5)
            next_lift += 0.1
        judge.push_pressure(t_us, TARGET_PA * pressure(t) * (1 + 0.0005 * float(rng.standard_normal())))
        area = AREA_M2 * true * flow(t) * (1 + noise * e)
        if digit > 0:
            area = round(area / (digit * AREA_M2)) * digit * AREA_M2
        judge.push_flow(t_us, area, 100 * area if mass is None else mass(t))
        standing = judge.standing()
        if not played.standings or played.standings[-1][1] is not standing:
            played.standings.append((t, standing))
        if played.capture is None and judge.capture() is not None:
            played.capture, played.captured_s = judge.capture(), t
            if stop_at_capture:
                break
    return played
