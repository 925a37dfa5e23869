"""Geometry of a valve, its seat and its port, and coefficients on a named area."""

import math
from dataclasses import dataclass
from typing import Literal

ReferenceArea = Literal["curtain", "valve head", "seat", "minimum", "port section"]
Stage = Literal["seat", "ring", "port"]


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
        if not self.port_diameter_m < self.head_diameter_m:
            raise ValueError("the port under the seat must be narrower than the valve's head, or it would not close")

    @property
    def port_area_m2(self) -> float:
        """The port under the seat, less the stem."""
        return 0.25 * math.pi * (self.port_diameter_m**2 - self.stem_diameter_m**2)

    def minimum_area_m2(self, lift_m: float) -> float:
        """The smallest passage at a lift; 0 for a valve that is not open. See :meth:`minimum`."""
        return self.minimum(lift_m)[0]

    def minimum(self, lift_m: float) -> tuple[float, Stage]:
        """The smallest passage at a lift and where it lies: the three stages of Heywood.

        Source: Heywood, Internal Combustion Engine Fundamentals, eq. 6.7 to
        6.9: first across the seat, then a ring beyond it, at last the port
        less the stem, which is never exceeded. Check: head 50, seat 2, 45
        degrees, port 44, stem 8 mm, lift 4 mm -> 426.5 mm2.
        """
        passage, stage = self._passage(max(lift_m, 0.0))
        return (passage, stage) if passage < self.port_area_m2 else (self.port_area_m2, "port")

    def _passage(self, lift_m: float) -> tuple[float, Stage]:
        head, seat, angle = self.head_diameter_m, self.seat_width_m, self.seat_angle_rad
        if lift_m <= seat / (math.sin(angle) * math.cos(angle)):
            passage = head - 2.0 * seat + 0.5 * lift_m * math.sin(2.0 * angle)
            return math.pi * lift_m * math.cos(angle) * passage, "seat"
        return math.pi * (head - seat) * math.hypot(lift_m - seat * math.tan(angle), seat), "ring"


def lift_over_diameter(lift_m: float, valve_diameter_m: float) -> float:
    """Valve lift over the diameter of the valve's head."""
    return lift_m / _diameter(valve_diameter_m)


def curtain_area_m2(lift_m: float, valve_diameter_m: float) -> float:
    """Area of the curtain around the head: pi D L."""
    return math.pi * _diameter(valve_diameter_m) * lift_m


def head_area_m2(valve_diameter_m: float) -> float:
    """Area of the valve's head: pi D^2 / 4, equal to the curtain at L/D = 0.25."""
    return 0.25 * math.pi * _diameter(valve_diameter_m) ** 2


def seat_area_m2(valve_diameter_m: float, seat_width_m: float) -> float:
    """The opening that the seat leaves: pi/4 of its inside diameter squared, D - 2 w.

    ``seat_width_m`` is w of :class:`Valve`. Heywood, 6.3.2, calls it the port
    area at the valve seat. Raises ``ValueError`` for a seat that leaves none.
    """
    inside = _diameter(valve_diameter_m) - 2.0 * seat_width_m
    if not (seat_width_m >= 0.0 and inside > 0.0):
        raise ValueError("the seat must be narrower than half the valve's head")
    return 0.25 * math.pi * inside**2


@dataclass(frozen=True, slots=True)
class Coefficient:
    """An effective area over a named area. ``flag`` is empty, or says what to check."""

    value: float
    on: ReferenceArea
    flag: str


def coefficient(effective_area_m2: float, area_m2: float, on: ReferenceArea) -> Coefficient:
    """Discharge coefficient: how much of a named area an ideal nozzle would need for this flow.

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
        "curtain": "the valve diameter, the lift (its zero on the seat), how many valves were open or the leakage",
        "valve head": "the valve diameter (its unit, or the other valve's), how many valves were open or the leakage",
        "seat": "the valve diameter, the seat width, how many valves were open or the leakage",
        "minimum": "the seat and port dimensions, the lift (its zero on the seat) or the leakage",
        "port section": "the minimum section (its unit) or the leakage",
    }[on]
    where = on if on == "port section" else f"{on} area"
    return f"coefficient above 1 on the {where}: check {cause}, then the meter range and the room's air"


def _diameter(valve_diameter_m: float) -> float:
    if not (math.isfinite(valve_diameter_m) and valve_diameter_m > 0.0):
        raise ValueError(f"a valve diameter of {valve_diameter_m:g} m is not possible: give it above zero")
    return valve_diameter_m
