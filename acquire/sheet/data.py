"""From archived pulls to the printed figures: pure, no file, no clock, no type.

Everything that a sheet says is decided here, as text in the operator's units;
the template only places it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from acquire.config import Display
from acquire.lifts import distinct_lifts
from acquire.port.figures import SAME_LIFT_M, PortPoint, port_figures
from acquire.records import ArchivedPull
from acquire.sheet.figures import (
    PRESSURE_STEP_PA,
    decimals_for,
    lift_decimals,
    number,
    printed_unit,
    quantity,
    significant,
    with_interval,
)
from acquire.units import Water, from_si
from acquire.values import Direction, Point

MARK_MEANINGS = {
    "h": "taken by hand",
    "u": "not settled",
    "p": "test pressure did not hold",
    "r": "taken again, the last take is printed",
    "t": "typed, not measured",
    "c": "Cd in doubt, see below",
}


class SheetError(Exception):
    """One sentence: why this sheet cannot be printed, and what to do."""


@dataclass(frozen=True, slots=True)
class Units:
    """The operator's units with the decimals that suit these pulls."""

    display: Display
    water: Water
    lift_decimals: int

    def lift(self, lift_m: float | None) -> str:
        value = None if lift_m is None else from_si(lift_m, self.display.lift, self.water)
        return number(value, self.lift_decimals)

    def lift_unit(self, lift_m: float | None) -> str:
        """A length with its unit, or "not given"."""
        return quantity(self.lift(lift_m), printed_unit(self.display.lift))

    def pressure(self, pressure_pa: float) -> str:
        decimals = decimals_for(PRESSURE_STEP_PA, self.display.pressure, self.water)
        return number(from_si(pressure_pa, self.display.pressure, self.water), decimals)

    def pressure_unit(self, pressure_pa: float) -> str:
        """A target pressure with its unit, without needless zeros."""
        value = significant(from_si(pressure_pa, self.display.pressure, self.water), 5)
        return quantity(value, printed_unit(self.display.pressure))

    def flow_value(self, flow_m3_s: float) -> float:
        return from_si(flow_m3_s, self.display.flow, self.water)

    def flow(self, flow_m3_s: float, half_width_m3_s: float) -> tuple[str, str]:
        return with_interval(self.flow_value(flow_m3_s), self.flow_value(half_width_m3_s))


@dataclass(frozen=True, slots=True)
class Cell:
    """One direction at one lift, as printed. ``state`` says why there is no flow."""

    state: str
    over_diameter: str = ""
    flow: str = ""
    half_width: str = ""
    held: str = ""
    sd: str = ""
    coefficient: str = ""
    marks: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One lift of the table; a cell is None where that pull has no such step."""

    lift: str
    cells: tuple[Cell | None, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """One direction's curve, in the operator's units; ``sound`` is False for a marked point."""

    direction: Direction
    lift: tuple[float, ...]
    flow: tuple[float, ...]
    half_width: tuple[float, ...]
    deviation: tuple[float, ...]
    sd: tuple[float, ...]
    band: float
    sound: tuple[bool, ...]


def arrange(pulls: Sequence[ArchivedPull]) -> tuple[ArchivedPull, ...]:
    """The pulls of one sheet, intake first. Raises :class:`SheetError`."""
    if not pulls:
        raise SheetError("no pull was given: choose an intake pull, an exhaust pull, or one of each")
    if len(pulls) > 2:
        raise SheetError(f"a sheet holds one intake and one exhaust pull, but {len(pulls)} were given: leave some out")
    for pull in pulls:
        if pull.request.kind != "lift":
            raise SheetError(
                f"pull {pull.id} is a {pull.request.kind} run, not a lift pull: choose pulls through a lift schedule"
            )
        if not pull.points:
            raise SheetError(f"pull {pull.id} has no point taken: there is nothing to print")
    ordered = tuple(sorted(pulls, key=lambda pull: pull.request.direction != "intake"))
    if len(ordered) == 2:
        _check_pair(*ordered)
    return ordered


def _check_pair(first: ArchivedPull, second: ArchivedPull) -> None:
    if first.request.direction == second.request.direction:
        raise SheetError(
            f"pulls {first.id} and {second.id} are both {first.request.direction} pulls: "
            "choose one intake and one exhaust pull, or print each on its own sheet"
        )
    heads = [pull.request.subject.identifier.strip() for pull in (first, second)]
    if heads[0] != heads[1]:
        raise SheetError(
            f"pull {first.id} is of head {heads[0]!r} and pull {second.id} of head {heads[1]!r}: "
            "choose two pulls of the same head"
        )
    if first.config.reference != second.config.reference:
        raise SheetError(
            f"pulls {first.id} and {second.id} state their flow for different reference conditions, "
            "so one table cannot hold both: print each on its own sheet"
        )


def units_of_sheet(pulls: Sequence[ArchivedPull]) -> Units:
    """The first pull's display units."""
    config = pulls[0].config
    lifts = [lift for pull in pulls for lift in pull.request.lifts_m]
    return Units(config.display, config.water, lift_decimals(lifts, config.display.lift, config.water))


def started(pull: ArchivedPull) -> datetime:
    """When the pull began, in UTC."""
    moment = datetime.fromisoformat(pull.started_utc)
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def valve_diameter_m(pull: ArchivedPull) -> float | None:
    """The diameter of the valve that this pull opened."""
    return pull.request.subject.valve_diameter_m(pull.request.direction)


def marks_of(point: Point) -> str:
    """The letters that qualify a point, see ``MARK_MEANINGS``."""
    return "".join(
        letter
        for letter, applies in (
            ("h", point.taken_by == "hand" and not point.read_by_eye),
            ("u", point.unsettled),
            ("p", point.hold.broken),
            ("r", point.take > 1),
            ("t", bool(point.typed)),
        )
        if applies
    )


def flags_of(pulls: Sequence[ArchivedPull], units: Units) -> list[str]:
    """One sentence for each doubt that a coefficient on the curtain raises, with its lifts."""
    found = []
    for pull in pulls:
        lifts: dict[str, list[str]] = {}
        for its in port_figures(pull).points:
            if "curtain" in its.on and its.on["curtain"].coefficient.flag:
                lifts.setdefault(its.on["curtain"].coefficient.flag, []).append(units.lift(its.lift_m))
        who, unit = pull.request.direction.capitalize(), printed_unit(units.display.lift)
        found += [f"{who}, Cd at {', '.join(where)} {unit}: {flag}." for flag, where in lifts.items()]
    return found


def _cell(pull: ArchivedPull, step: int, units: Units, its: PortPoint | None) -> Cell:
    point = pull.in_force.get(step)
    if point is None or its is None:
        return Cell("skipped" if step in pull.skipped else "not taken")
    flow, half_width = units.flow(point.flow.flow_m3_s, point.flow.half_width_95_m3_s)
    curtain = its.on.get("curtain")
    return Cell(
        state="taken",
        over_diameter=number(its.lift_over_diameter, 3),
        flow=flow,
        half_width=half_width,
        held=units.pressure(point.hold.mean_pa),
        sd="–" if "test_pressure" in point.typed else units.pressure(point.hold.sd_pa),
        coefficient=number(None if curtain is None else curtain.coefficient.value, 3),
        marks=marks_of(point) + ("c" if curtain is not None and curtain.coefficient.flag else ""),
    )


def rows_of(pulls: Sequence[ArchivedPull], units: Units) -> tuple[Row, ...]:
    """The table: every lift of every schedule once, rising."""
    lifts = distinct_lifts((lift for pull in pulls for lift in pull.request.lifts_m), SAME_LIFT_M)
    figures = [{its.step: its for its in port_figures(pull).points} for pull in pulls]
    rows = []
    for lift in lifts:
        cells = []
        for pull, of_step in zip(pulls, figures, strict=True):
            step = next((n for n, its in enumerate(pull.request.lifts_m) if abs(its - lift) <= SAME_LIFT_M), None)
            cells.append(None if step is None else _cell(pull, step, units, of_step.get(step)))
        rows.append(Row(units.lift(lift), tuple(cells)))
    return tuple(rows)


def series_of(pull: ArchivedPull, units: Units) -> Series:
    """The curve of the points in force; it breaks (NaN) at a step without a flow."""
    points = [pull.in_force.get(step) for step in range(len(pull.request.lifts_m))]

    def each(value: Callable[[Point], float]) -> tuple[float, ...]:
        return tuple(math.nan if point is None else value(point) for point in points)

    def percent(value_pa: float, point: Point) -> float:
        return 100 * value_pa / point.hold.target_pa

    return Series(
        direction=pull.request.direction,
        lift=tuple(from_si(lift, units.display.lift) for lift in pull.request.lifts_m),
        flow=each(lambda point: units.flow_value(point.flow.flow_m3_s)),
        half_width=each(lambda point: units.flow_value(point.flow.half_width_95_m3_s)),
        deviation=each(lambda point: percent(point.hold.deviation_pa, point)),
        sd=each(lambda point: percent(point.hold.sd_pa, point)),
        band=max(percent(point.hold.band_pa, point) for point in pull.in_force.values()),
        sound=tuple(point is not None and not marks_of(point).strip("r") for point in points),
    )
