"""The sentences of a sheet about the shop, the head and its set-up, and what must be said first."""

from collections.abc import Sequence
from typing import Any

from acquire.config import BenchConfig
from acquire.hold import in_other_unit
from acquire.pull.typed_step import typed_said
from acquire.records import ArchivedPull, Subject
from acquire.sheet.data import Units
from acquire.sheet.figures import NBSP, NOT_GIVEN, number, printed_unit, quantity
from acquire.units import from_si
from acquire.values import Direction, Point

SIMULATED = "SIMULATED BENCH: not a measurement"


def or_not_given(text: str) -> str:
    """User text on one line, or "not given"."""
    return " ".join(text.split()) or NOT_GIVEN


def pascals_in_units(sentence: str, units: Units) -> str:
    """A sentence with every pressure in Pa said in the operator's unit instead."""
    unit = printed_unit(units.display.pressure)
    return in_other_unit(sentence, lambda pressure_pa: quantity(units.pressure(pressure_pa), unit))


def one_or_many(values: Sequence[str]) -> str:
    """The one value that all have, or the first and last of several."""
    return values[0] if len(set(values)) == 1 else f"{values[0]} to {values[-1]}"


def at_lifts(points: Sequence[Point], units: Units) -> str:
    """Where: up to four lifts by name, more as a count."""
    if len(points) > 4:
        return f"at {len(points)} lifts"
    return f"at {', '.join(units.lift(point.step_lift_m) for point in points)}{NBSP}{printed_unit(units.display.lift)}"


def shop_of(config: BenchConfig) -> dict[str, Any]:
    """Who tests, for the top of a page."""
    lines = [" ".join(text.split()) for text in (config.shop.address, config.shop.contact)]
    return {"name": or_not_given(config.shop.name), "lines": [line for line in lines if line]}


# ---------------------------------------------------------------- near the top


def notices_of(pulls: Sequence[ArchivedPull], units: Units) -> list[str]:
    """What a buyer must know first, the gravest first: aborted or incomplete, marked, not held, not settled."""
    ended, marked, points = [], [], []
    for pull in pulls:
        name = f"The {pull.request.direction} pull"
        taken, asked = len(pull.in_force), len(pull.request.lifts_m)
        if pull.outcome == "aborted":
            ended.append(f"{name} was aborted: {taken} of {asked} lifts were taken.")
        elif pull.outcome is None:
            ended.append(f"{name} has not ended: {taken} of {asked} lifts are taken so far.")
        elif taken < asked:
            ended.append(f"{name} is incomplete: {taken} of {asked} lifts were taken.")
        marked += [f"{name}: {or_not_given(mark.sentence)}" for mark in pull.marks]
        typed = {channel for point in pull.in_force.values() for channel in point.typed}
        if typed:
            points.append(f"{name}: typed by a person, not measured: {typed_said(typed)}.")
        moved = [point for point in pull.in_force.values() if point.hold.broken]
        if moved:
            points.append(f"{name}: the test pressure did not hold {at_lifts(moved, units)}.")
        unsettled = [point for point in pull.in_force.values() if point.unsettled]
        if unsettled:
            points.append(f"{name}: not settled {at_lifts(unsettled, units)}.")
    return ended + marked + points


def simulated_stamp(pulls: Sequence[ArchivedPull]) -> str:
    """The stamp for simulated pulls, "" where all were measured."""
    simulated = [pull.request.direction for pull in pulls if pull.simulated]
    if not simulated:
        return ""
    return SIMULATED if len(simulated) == len(pulls) else f"{SIMULATED} ({simulated[0]} pull)"


# ---------------------------------------------------------------- head and set-up


def head_of(pulls: Sequence[ArchivedPull], units: Units) -> list[tuple[str, list[str]]]:
    """What the head is: a label, and one value for each pull."""
    subjects = [pull.request.subject for pull in pulls]
    return [
        ("Model", [or_not_given(subject.model) for subject in subjects]),
        ("Port", [or_not_given(subject.port) for subject in subjects]),
        ("Order", [or_not_given(subject.order_reference) for subject in subjects]),
        ("Intake valve", [_valve(subject, "intake", units) for subject in subjects]),
        ("Exhaust valve", [_valve(subject, "exhaust", units) for subject in subjects]),
    ]


def _valve(subject: Subject, direction: Direction, units: Units) -> str:
    """How many valves open together, when more than one, and their diameter."""
    count = subject.valve_and_port(direction).count
    return f"{count} × " * (count > 1) + units.lift_unit(subject.valve_diameter_m(direction))


def setup_of(pulls: Sequence[ArchivedPull], units: Units) -> list[tuple[str, list[str]]]:
    """How the head sat on the bench: a label, and one value for each pull."""
    return side_by_side([_setup(pull, units) for pull in pulls])


def _setup(pull: ArchivedPull, units: Units) -> dict[str, str]:
    setup = pull.request.setup
    volume = None if setup.chamber_volume_m3 is None else from_si(setup.chamber_volume_m3, "cc")
    plug = f"fitted, reach {units.lift_unit(setup.spark_plug_reach_m)}" if setup.spark_plug_fitted else "not fitted"
    return {
        "Bore fixture": units.lift_unit(setup.bore_fixture_diameter_m),
        "Inlet treatment": or_not_given(setup.inlet_treatment),
        "Outlet treatment": or_not_given(setup.outlet_treatment),
        "Gasket": "fitted" if setup.gasket_fitted else "not fitted",
        "Spark plug": plug,
        "Chamber volume": quantity(number(volume, 1), "cm³"),
        "Springs": or_not_given(setup.springs),
        "Head remarks": or_not_given(pull.request.subject.remarks),
        "Set-up remarks": or_not_given(setup.remarks),
    }


def side_by_side(columns: Sequence[dict[str, str]]) -> list[tuple[str, list[str]]]:
    """Each label with its value from every column."""
    return [(label, [column[label] for column in columns]) for label in columns[0]]
