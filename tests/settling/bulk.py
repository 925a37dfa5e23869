"""A stay as columns in the order of arrival, and how it is played in pieces."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acquire.series import Floats
from acquire.stabiliser import FLOW, LIFT, PRESSURE, Stabiliser
from tests.benchmarks.settling.stay import Stay


class Arrivals(NamedTuple):
    """What ``Stabiliser.push_many`` takes; shapes (n,)."""

    kind: npt.NDArray[np.int8]
    t_us: npt.NDArray[np.int64]
    first: Floats
    second: Floats

    @property
    def n(self) -> int:
        return self.kind.size


def arrivals(stay: Stay) -> Arrivals:
    """In order of time; lift first, then pressure, then flow where they have the same."""
    t_us = np.concatenate((stay.lift_us, stay.flow_us, stay.flow_us)).astype(np.int64)
    kind = np.repeat(np.array((LIFT, PRESSURE, FLOW), np.int8), (stay.lift_us.size, *[stay.flow_us.size] * 2))
    order = np.lexsort((kind, t_us))
    first = np.concatenate((stay.lift_m, stay.pressure_pa, stay.area_m2))
    second = np.concatenate((np.zeros(stay.lift_us.size + stay.flow_us.size), stay.mass_kg_s))
    return Arrivals(kind[order], t_us[order], first[order], second[order])


def push_one(stabiliser: Stabiliser, its: Arrivals, i: int) -> None:
    """One sample by its own method."""
    t_us, first = its.t_us.item(i), its.first.item(i)
    if its.kind[i] == LIFT:
        stabiliser.push_lift(t_us, first)
    elif its.kind[i] == PRESSURE:
        stabiliser.push_pressure(t_us, first)
    else:
        stabiliser.push_flow(t_us, first, its.second.item(i))


def push_until(stabiliser: Stabiliser, its: Arrivals, at: int, end: int) -> int:
    """Those from ``at`` up to, but without, ``end``; how many are used then."""
    return stabiliser.push_many(its.kind[:end], its.t_us[:end], its.first[:end], its.second[:end], at)
