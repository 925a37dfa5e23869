"""Calibration table of a plate or any other throttle: flow against pressure.

Each row becomes a calibrated area as in ``orifice``; between rows the area
follows a shape-preserving cubic in the root of the pressure, so that a table
of smooth data gives a smooth meter without overshoot.
"""

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from acquire.flow.air import AirColumn
from acquire.flow.elementwise import N, one_by_one, root
from acquire.flow.restriction import plate_expansibility
from acquire.meters.base import Doubt, RangeSettings
from acquire.meters.orifice import plate_area_m2, plate_doubts
from acquire.quantity import Flow, Pressure, Ratio
from acquire.values import AirState


@dataclass(frozen=True, slots=True)
class ShapePreserving:
    """Piecewise cubic through (x, y), x rising, monotone where the data are.

    Source: Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300. Beyond
    the ends the first and last value hold.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    slopes: tuple[float, ...]

    @classmethod
    def through(cls, x: tuple[float, ...], y: tuple[float, ...]) -> "ShapePreserving":
        """Needs at least two points."""
        steps = [b - a for a, b in pairwise(x)]
        chords = [(b - a) / step for (a, b), step in zip(pairwise(y), steps, strict=True)]
        if len(chords) == 1:
            return cls(x, y, (chords[0], chords[0]))
        inner = [_between(*two, *ends) for two, ends in zip(pairwise(steps), pairwise(chords), strict=True)]
        first = _at_end(steps[0], steps[1], chords[0], chords[1])
        last = _at_end(steps[-1], steps[-2], chords[-1], chords[-2])
        return cls(x, y, (first, *inner, last))

    def __call__(self, at: float) -> float:
        if at <= self.x[0]:
            return self.y[0]
        if at >= self.x[-1]:
            return self.y[-1]
        # keys are compared by value, so that a traced number finds its interval too
        k = bisect_right(self.x, at) - 1
        step = self.x[k + 1] - self.x[k]
        t = (at - self.x[k]) / step
        here, there = self.y[k], self.y[k + 1]
        rise, fall = self.slopes[k] * step, self.slopes[k + 1] * step
        chord = there - here
        return here + t * (rise + t * ((3.0 * chord - 2.0 * rise - fall) + t * (rise + fall - 2.0 * chord)))


def _between(step: float, next_step: float, chord: float, next_chord: float) -> float:
    if chord * next_chord <= 0.0:
        return 0.0
    first, second = 2.0 * next_step + step, next_step + 2.0 * step
    return (first + second) / (first / chord + second / next_chord)


def _at_end(step: float, next_step: float, chord: float, next_chord: float) -> float:
    slope = ((2.0 * step + next_step) * chord - step * next_chord) / (step + next_step)
    if slope * chord <= 0.0:
        return 0.0
    return 3.0 * chord if chord * next_chord <= 0.0 and abs(slope) > 3.0 * abs(chord) else slope


@dataclass(frozen=True, slots=True)
class TableMeter:
    """Mass flow = area(dp) * expansibility * sqrt(2 dp rho1)."""

    area_m2: ShapePreserving
    accuracy: float

    def mass_flow_kg_s(self, meter_pressure_pa: N, upstream_pa: N, air: AirColumn, kappa: float) -> N:
        expansibility = plate_expansibility(1.0 - meter_pressure_pa / upstream_pa, kappa)
        density = air.density_kg_m3(upstream_pa)
        area_m2 = one_by_one(self.area_m2, root(meter_pressure_pa))
        return area_m2 * expansibility * root(2.0 * meter_pressure_pa * density)

    def doubts(self, meter_pressure_pa: float, upstream_pa: float, air: AirColumn, kappa: float) -> tuple[Doubt, ...]:  # noqa: ARG002
        return plate_doubts(self.accuracy, 1.0 - meter_pressure_pa / upstream_pa, kappa)


class TableRange(RangeSettings):
    """Pairs of pressure and flow of reference air, rising; read only between the first and the last."""

    kind: Literal["table"]
    points: Annotated[tuple[tuple[Pressure, Flow], ...], Field(min_length=2)]
    accuracy: Annotated[Ratio, Field(gt=0, le=0.2)]

    @model_validator(mode="after")
    def _rows_rise(self) -> Self:
        for (pressure, flow), (next_pressure, next_flow) in pairwise(self.points):
            if next_pressure <= pressure or next_flow <= flow:
                raise ValueError("points must rise in pressure and in flow from row to row")
        first, last = self.points[0], self.points[-1]
        if first[0] <= 0.0 or first[1] <= 0.0:
            raise ValueError("points must be above zero: leave out the row of no flow")
        if self.lowest_pressure_pa < first[0] or self.highest_pressure_pa > last[0]:
            raise ValueError("lowest_pressure and highest_pressure must lie within the pressures of points")
        return self

    @property
    def area_m2(self) -> None:
        """None: a table has no one area."""

    def meter(self, reference_air: AirState) -> TableMeter:
        roots = tuple(pressure**0.5 for pressure, _ in self.points)
        areas = tuple(plate_area_m2(flow, pressure, reference_air) for pressure, flow in self.points)
        return TableMeter(ShapePreserving.through(roots, areas), self.accuracy)
