"""What a pull says of its port: named areas, coefficients, velocity; and exhaust over intake. Pure.

Every figure comes from the effective areas that the archive holds and from
the dimensions given with the head; dimensions count as exact.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from acquire.budget.influences import DENSITY_FORMULA, LEAKAGE, METER_AS_ROOM, METER_TEMPERATURE
from acquire.budget.propagation import coverage_factor
from acquire.flow.air import ISENTROPIC_EXPONENT
from acquire.flow.restriction import choked_mass_flux, ideal_mass_flux, pressure_drop_pa
from acquire.flow.statement import Statement
from acquire.port.geometry import (
    Coefficient,
    ReferenceArea,
    Stage,
    coefficient,
    curtain_area_m2,
    head_area_m2,
    lift_over_diameter,
    seat_area_m2,
)
from acquire.records import ArchivedPull
from acquire.values import Component, Direction, Point

# lifts nearer than this are one step, asked for in two units
SAME_LIFT_M = 1e-6

# whose error is the same in both directions and on every meter range
_OF_THE_BENCH = frozenset(
    {
        "test pressure",
        "meter pressure",
        METER_TEMPERATURE,
        DENSITY_FORMULA,
        "room pressure",
        "room temperature",
        "room humidity",
        "isentropic exponent",
        "lift indicator",
    }
)


@dataclass(frozen=True, slots=True)
class OnArea:
    """The coefficient on one named area, with the half-width that the reading gives it."""

    area_m2: float
    coefficient: Coefficient
    half_width_95: float


@dataclass(frozen=True, slots=True)
class Velocity:
    """Mean over the port's minimum section; see :func:`section_velocity`."""

    velocity_m_s: float
    mach: float


@dataclass(frozen=True, slots=True)
class PortPoint:
    """One point in force. What needs a dimension that is not known is None, or absent from ``on``."""

    step: int
    lift_m: float
    flow_m3_s: float
    lift_over_diameter: float | None
    on: dict[ReferenceArea, OnArea]
    narrowest: Stage | None
    velocity: Velocity | None

    @property
    def flags(self) -> tuple[str, ...]:
        """What the coefficients say must be checked."""
        return tuple(its.coefficient.flag for its in self.on.values() if its.coefficient.flag)


@dataclass(frozen=True, slots=True)
class PortFigures:
    """Of one lift pull, by rising lift. ``missing`` names the dimensions that were not given with the head."""

    pull_id: int
    direction: Direction
    valve_diameter_m: float | None
    valves: int
    minimum_section_m2: float | None
    points: tuple[PortPoint, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ratio:
    """Exhaust over intake at one lift, of the effective areas; ``cancelled`` names what drops out of its interval."""

    lift_m: float
    intake_m3_s: float
    exhaust_m3_s: float
    value: float
    standard_uncertainty: float
    dof: float
    half_width_95: float
    cancelled: tuple[str, ...]


def port_figures(pull: ArchivedPull) -> PortFigures:
    """The figures of a lift pull. Raises ``ValueError`` with one sentence for another kind of run."""
    if pull.request.kind != "lift":
        raise ValueError(f"pull {pull.id} is a {pull.request.kind} run, not a lift pull: no valve was open in it")
    direction, subject = pull.request.direction, pull.request.subject
    its, head_m = subject.valve_and_port(direction), subject.valve_diameter_m(direction)
    known = {
        f"{direction} valve diameter": head_m,
        "seat width": its.seat_width_m,
        "seat angle": its.seat_angle_rad,
        "throat diameter": its.throat_diameter_m,
        "stem diameter": its.stem_diameter_m,
        "minimum section": its.minimum_section_m2,
    }
    points = sorted(pull.in_force.values(), key=lambda point: pull.request.lifts_m[point.step])
    return PortFigures(
        pull_id=pull.id,
        direction=direction,
        valve_diameter_m=head_m,
        valves=its.count,
        minimum_section_m2=its.minimum_section_m2,
        points=tuple(port_point(pull, point) for point in points),
        missing=tuple(name for name, value in known.items() if value is None),
    )


def port_point(pull: ArchivedPull, point: Point) -> PortPoint:
    """The figures of one point of a lift pull, in force or not."""
    direction, subject = pull.request.direction, pull.request.subject
    its, head_m, lift_m = (
        subject.valve_and_port(direction),
        subject.valve_diameter_m(direction),
        pull.request.lifts_m[point.step],
    )
    valve = subject.valve(direction)
    areas: dict[ReferenceArea, float] = {}
    if head_m is not None:
        areas["curtain"] = its.count * curtain_area_m2(lift_m, head_m)
        areas["valve head"] = its.count * head_area_m2(head_m)
        if its.seat_width_m is not None:
            areas["seat"] = its.count * seat_area_m2(head_m, its.seat_width_m)
    if valve is not None:
        areas["minimum"] = its.count * valve.minimum_area_m2(lift_m)
    if its.minimum_section_m2 is not None:
        areas["port section"] = its.minimum_section_m2
    flow, velocity = point.flow, None
    if its.minimum_section_m2 is not None:
        velocity = section_velocity(Statement(pull.config.reference), flow.effective_area_m2, its.minimum_section_m2)
    half_m2 = flow.coverage_factor * flow.standard_uncertainty_m2
    return PortPoint(
        step=point.step,
        lift_m=lift_m,
        flow_m3_s=flow.flow_m3_s,
        lift_over_diameter=None if head_m is None else lift_over_diameter(lift_m, head_m),
        on={
            name: OnArea(area, coefficient(flow.effective_area_m2, area, name), half_m2 / area)
            for name, area in areas.items()
        },
        narrowest=None if valve is None else valve.minimum(lift_m)[1],
        velocity=velocity,
    )


def section_velocity(statement: Statement, effective_area_m2: float, section_m2: float) -> Velocity | None:
    """Mean velocity and Mach number where the port is narrowest, at the reference test pressure in reference air.

    Mass flow over section and density: the mass flow that the effective area
    passes from that air, and the density at the section itself, along the
    isentrope from that air. None where no
    section of this size could pass it. Check: a section as large as the
    effective area, 28 inH2O, 101.325 kPa, 20 C dry -> 108.9997 m/s, Mach
    0.320820 (Heywood, appendix C, worked by hand).
    """
    air, kappa = statement.air, ISENTROPIC_EXPONENT
    p0_pa, rho0 = air.pressure_pa, statement.density_kg_m3
    flux = effective_area_m2 / section_m2 * ideal_mass_flux(p0_pa, rho0, statement.reference.test_pressure_pa, kappa)
    if not 0.0 <= flux < choked_mass_flux(p0_pa, rho0, kappa):
        return None
    ratio = 1.0 - pressure_drop_pa(p0_pa, rho0, flux, kappa) / p0_pa
    density = rho0 * ratio ** (1.0 / kappa)
    velocity = flux / density
    return Velocity(velocity, velocity / math.sqrt(kappa * p0_pa * ratio / density))


# ---------------------------------------------------------------- exhaust over intake


def exhaust_over_intake(pulls: Sequence[ArchivedPull]) -> tuple[Ratio, ...]:
    """The ratio at every common lift, by rising lift; the pulls in any order.

    What the bench is wrong by alike in both flows drops out of the interval:
    a shared component of the same name, its two relative contributions with
    their signs (which agree in both directions wherever they matter, so that
    budgets of the first version, which hold magnitudes, serve too). Leakage,
    measured anew for each direction, and the warmth of an unmeasured meter do
    not; a meter's own calibration does on the same range only. Raises
    ``ValueError`` with one sentence for a pair without a ratio.
    """
    if sorted(pull.request.direction for pull in pulls) != ["exhaust", "intake"]:
        raise ValueError("a ratio needs one intake and one exhaust pull: name the other direction's pull")
    exhaust, intake = sorted(pulls, key=lambda pull: pull.request.direction)
    heads = [pull.request.subject.identifier.strip() for pull in (intake, exhaust)]
    if heads[0] != heads[1]:
        raise ValueError(
            f"pull {intake.id} is of head {heads[0]!r} and pull {exhaust.id} of head {heads[1]!r}: "
            "the ratio needs both directions of one head"
        )
    if intake.config.reference != exhaust.config.reference:
        raise ValueError("the two pulls state their flow for different reference conditions: no ratio of the two")
    pairs = [
        (first, second)
        for first in intake.in_force.values()
        for second in exhaust.in_force.values()
        if abs(intake.request.lifts_m[first.step] - exhaust.request.lifts_m[second.step]) <= SAME_LIFT_M
    ]
    if not pairs:
        raise ValueError(f"pulls {intake.id} and {exhaust.id} have no lift in common: no ratio of the two")
    alike = _same_bench(intake, exhaust)
    same_leakage = (
        intake.leakage is not None and exhaust.leakage is not None and intake.leakage.pull_id == exhaust.leakage.pull_id
    )
    found = [
        _ratio(intake.request.lifts_m[first.step], first, second, alike, same_leakage)
        for first, second in pairs
        if min(first.flow.effective_area_m2, second.flow.effective_area_m2) > 0.0
    ]
    return tuple(sorted(found, key=lambda its: its.lift_m))


def _same_bench(intake: ArchivedPull, exhaust: ArchivedPull) -> bool:
    a, b = intake.config, exhaust.config
    return (a.name, a.instruments, a.meter, intake.basis.calibrations) == (
        b.name, b.instruments, b.meter, exhaust.basis.calibrations,
    )  # fmt: skip


def _ratio(lift_m: float, intake: Point, exhaust: Point, alike: bool, same_leakage: bool) -> Ratio:
    same_range = intake.meter_range == exhaust.meter_range
    below, above = _relative(intake), _relative(exhaust)
    parts: list[tuple[float, float]] = []
    cancelled = []
    for name in dict.fromkeys((*below, *above)):
        first, second = below.get(name), above.get(name)
        if (
            first is not None
            and second is not None
            and alike
            and _common(first[0], second[0], same_range, same_leakage)
        ):
            parts.append((second[1] - first[1], min(first[0].dof, second[0].dof)))
            cancelled.append(name)
        else:
            parts += [(its[1], its[0].dof) for its in (first, second) if its is not None]
    value = exhaust.flow.effective_area_m2 / intake.flow.effective_area_m2
    relative = math.sqrt(math.fsum(part**2 for part, _ in parts))
    spread = math.fsum(part**4 / max(dof, 1.0) for part, dof in parts)
    dof = min(relative**4 / spread, 1e6) if spread > 0.0 else 1e6
    uncertainty = abs(value) * relative
    return Ratio(
        lift_m=lift_m,
        intake_m3_s=intake.flow.flow_m3_s,
        exhaust_m3_s=exhaust.flow.flow_m3_s,
        value=value,
        standard_uncertainty=uncertainty,
        dof=dof,
        half_width_95=coverage_factor(dof) * uncertainty,
        cancelled=tuple(cancelled),
    )


def _relative(point: Point) -> Mapping[str, tuple[Component, float]]:
    """Each component with its signed contribution relative to the area itself."""
    flow = point.flow
    scale = max(abs(flow.effective_area_m2), flow.standard_uncertainty_m2) / abs(flow.effective_area_m2)
    return {part.name: (part, part.contribution_rel * scale) for part in flow.budget}


def _common(first: Component, second: Component, same_range: bool, same_leakage: bool) -> bool:
    if not (first.shared and second.shared) or first.name == METER_AS_ROOM:
        return False
    if first.name == LEAKAGE:
        return same_leakage
    return same_range or first.name in _OF_THE_BENCH
