"""Geometry of a valve and its seat, and coefficients on a named area."""

import math
from dataclasses import dataclass
from typing import Literal

ReferenceArea = Literal["curtain", "valve head", "minimum"]


@dataclass(frozen=True, slots=True)
class Valve:
    """A poppet valve and its port, all in metres and radians.

    ``seat_angle_rad`` is the angle of the seat from the head's plane (45
    degrees for most), ``seat_width_m`` its projection along the radius, as
    Heywood has it. Raises ``ValueError`` where the parts cannot fit together.
    """

    head_diameter_m: float
    seat_width_m: float
    seat_angle_rad: float
    port_diameter_m: float
    stem_diameter_m: float

    def __post_init__(self) -> None:
        positive = (self.head_diameter_m, self.port_diameter_m)
        if not all(math.isfinite(value) and value > 0.0 for value in positive):
            raise ValueError("a valve needs a head and a port diameter above zero")
        if not 0.0 < self.seat_angle_rad < 0.5 * math.pi:
            raise ValueError("the seat angle must lie between 0 and 90 degrees, and is given in radians here")
        if not 0.0 <= self.seat_width_m < 0.5 * self.head_diameter_m:
            raise ValueError("the seat must be narrower than half the valve's head")
        if not 0.0 <= self.stem_diameter_m < self.port_diameter_m:
            raise ValueError("the stem must be thinner than the port")

    def minimum_area_m2(self, lift_m: float) -> float:
        """The smallest passage at a lift: the three stages of Heywood.

        Source: Heywood, Internal Combustion Engine Fundamentals, eq. 6.7 to
        6.9: first across the seat, then a ring beyond it, at last the port
        less the stem. Check: head 50, seat 2, 45 degrees, port 44, stem 8 mm,
        lift 4 mm -> 426.5 mm2.
        """
        if not lift_m > 0.0:
            return 0.0
        head, seat, angle = self.head_diameter_m, self.seat_width_m, self.seat_angle_rad
        if lift_m <= seat / (math.sin(angle) * math.cos(angle)):
            passage = head - 2.0 * seat + 0.5 * lift_m * math.sin(2.0 * angle)
            return math.pi * lift_m * math.cos(angle) * passage
        ring = math.pi * (head - seat) * math.hypot(lift_m - seat * math.tan(angle), seat)
        return min(ring, 0.25 * math.pi * (self.port_diameter_m**2 - self.stem_diameter_m**2))


def lift_over_diameter(lift_m: float, valve_diameter_m: float) -> float:
    """Valve lift over the diameter of the valve's head."""
    return lift_m / _diameter(valve_diameter_m)


def curtain_area_m2(lift_m: float, valve_diameter_m: float) -> float:
    """Area of the curtain around the head: pi D L."""
    return math.pi * _diameter(valve_diameter_m) * lift_m


def head_area_m2(valve_diameter_m: float) -> float:
    """Area of the valve's head: pi D^2 / 4, equal to the curtain at L/D = 0.25."""
    return 0.25 * math.pi * _diameter(valve_diameter_m) ** 2


@dataclass(frozen=True, slots=True)
class Coefficient:
    """An effective area over a named area. ``flag`` is empty, or says what to check."""

    value: float
    on: ReferenceArea
    flag: str


def coefficient(effective_area_m2: float, area_m2: float, on: ReferenceArea) -> Coefficient:
    """Discharge coefficient (on the curtain or the minimum area) or flow coefficient (on the head).

    Raises ``ValueError`` for an area that is not above zero.
    """
    if not (math.isfinite(area_m2) and area_m2 > 0.0):
        raise ValueError(f"the {on} area must be above zero: check the valve diameter and the lift")
    value = effective_area_m2 / area_m2
    return Coefficient(value, on, _flag(value, on))


def _flag(value: float, on: ReferenceArea) -> str:
    if not math.isfinite(value):
        return "no coefficient: the effective area is not a number"
    if value < 0.0:
        return "coefficient below 0: more leakage was subtracted than flowed; measure the leakage again"
    if value <= 1.0:
        return ""
    cause = {
        "curtain": "the valve diameter, the lift (its zero on the seat) or the leakage",
        "valve head": "the valve diameter (its unit, or the other valve's) or the leakage",
        "minimum": "the seat and port dimensions or the leakage",
    }[on]
    return f"coefficient above 1 on the {on} area: check {cause}, then the meter range and the room's air"


def _diameter(valve_diameter_m: float) -> float:
    if not (math.isfinite(valve_diameter_m) and valve_diameter_m > 0.0):
        raise ValueError(f"a valve diameter of {valve_diameter_m:g} m is not possible: give it above zero")
    return valve_diameter_m
