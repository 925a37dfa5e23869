"""How each pull was measured and corrected, and what its figures mean."""

import math
from collections.abc import Sequence

from acquire.calibration.words import calibrations_said
from acquire.config import BenchConfig
from acquire.flow.convention import flow_unit_said, meaning
from acquire.leakage.words import amount_said, measured_said, too_old_said
from acquire.ready.said import ready_said
from acquire.records import ArchivedPull
from acquire.room.air import by_hand, source_said
from acquire.room.words import worked_out_said
from acquire.sheet.data import Units, started, valve_diameter_m
from acquire.sheet.figures import (
    BAROMETER_STEP_PA,
    NBSP,
    NOT_GIVEN,
    decimals_for,
    number,
    printed_unit,
    quantity,
    signed,
    significant,
)
from acquire.sheet.words import at_lifts, or_not_given, side_by_side
from acquire.units import from_si, to_si
from acquire.values import AirState, Point


def measured_of(pulls: Sequence[ArchivedPull], units: Units) -> list[tuple[str, list[str]]]:
    """How each pull was measured: a label, and one value for each pull."""
    return side_by_side([_measured(pull, units) for pull in pulls])


def _measured(pull: ArchivedPull, units: Units) -> dict[str, str]:
    room = min(pull.points, key=lambda point: point.t_us).room
    ranges = sorted({point.meter_range for point in pull.in_force.values()})
    known = pull.config.meter.ranges
    certificates = [or_not_given(known[name].certificate) if name in known else NOT_GIVEN for name in ranges]
    return {
        "Date, UTC": started(pull).date().isoformat(),
        "Lifts taken": f"{len(pull.in_force)} of {len(pull.request.lifts_m)}",
        "Test pressure": units.pressure_unit(pull.request.setup.test_pressure_pa),
        "Did it hold?": hold_verdict(pull, units),
        "Air at the start": air_text(room, units),
        "Zeros subtracted": _zeros(pull, units),
        "Zero shift": zero_shift(pull, units),
        "Leakage": leakage_text(pull, units),
        "Bench checked": ready_said(pull),
        "Calibrated": or_not_given("; ".join(calibrations_said(pull))) if pull.basis.calibrations else "as configured",
        "Lift correction": _lift_correction(pull, units),
        "± comes from": interval_parts(pull),
        "Meter range": ", ".join(or_not_given(name) for name in ranges),
        "Certificate": ", ".join(certificates),
        "Operator": or_not_given(pull.request.operator),
        "Bench, software": f"{or_not_given(pull.config.name)}, steadydraw {or_not_given(pull.version)}",
    }


def hold_verdict(pull: ArchivedPull, units: Units) -> str:
    """One verdict for the whole pull: did the test pressure hold?"""
    points = list(pull.in_force.values())
    worst = max(abs(point.hold.deviation_pa) / point.hold.target_pa for point in points)
    noisy = quantity(units.pressure(max(point.hold.sd_pa for point in points)), printed_unit(units.display.pressure))
    moved = [point for point in points if point.hold.broken]
    everywhere = "the one lift" if len(points) == 1 else f"all {len(points)} lifts"
    verdict = f"no, not {at_lifts(moved, units)}" if moved else f"yes, at {everywhere}"
    if any(point.hold.unwitnessed for point in points):
        return f"{f'{verdict}; ' if moved else ''}typed once a point: nothing says that it held in between"
    return f"{verdict}: means within {quantity(number(100 * worst, 2), '%')}, sd up to {noisy}"


def air_text(air: AirState, units: Units) -> str:
    """Room pressure (station), temperature and humidity in the operator's units."""
    display, water = units.display, units.water
    decimals = decimals_for(BAROMETER_STEP_PA, display.barometer, water)
    pressure = number(from_si(air.pressure_pa, display.barometer, water), decimals)
    temperature = number(from_si(air.temperature_k, display.temperature), 1)
    return (
        f"{quantity(pressure, printed_unit(display.barometer))} station, "
        f"{quantity(temperature, printed_unit(display.temperature))}, "
        f"{quantity(number(100 * air.relative_humidity, 0), f'%{NBSP}RH')}"
    )


def _three(test_pa: float, meter_pa: float, lift_m: float, units: Units) -> str:
    lift = number(from_si(lift_m, units.display.lift), max(units.lift_decimals, 3))
    return (
        f"test {signed(units.pressure(test_pa))}, meter "
        f"{quantity(signed(units.pressure(meter_pa)), printed_unit(units.display.pressure))}, "
        f"lift {quantity(signed(lift), printed_unit(units.display.lift))}"
    )


def _zeros(pull: ArchivedPull, units: Units) -> str:
    zeros = pull.zeros_before
    if zeros is None:
        return "not read: no zeros were subtracted"
    return _three(zeros.test_pressure_pa, zeros.meter_pressure_pa, zeros.lift_m, units)


def zero_shift(pull: ArchivedPull, units: Units) -> str:
    """How far the zeros moved over the pull, against the bench's limits."""
    before, after, limit = pull.zeros_before, pull.zeros_after, pull.config.zero
    if before is None or after is None:
        return "not checked"
    test = after.test_pressure_pa - before.test_pressure_pa
    meter = after.meter_pressure_pa - before.meter_pressure_pa
    lift = after.lift_m - before.lift_m
    good = max(abs(test), abs(meter)) <= limit.pressure_shift_limit_pa and abs(lift) <= limit.lift_shift_limit_m
    return f"{_three(test, meter, lift, units)}: {'within' if good else 'BEYOND'} the limits"


def leakage_text(pull: ArchivedPull, units: Units) -> str:
    """What was subtracted for leakage and where it comes from."""
    if pull.leakage is None:
        allowance = quantity(significant(pull.config.leakage.allowance_area_m2 * 1e6, 2), "mm²")
        old = too_old_said(pull)
        because = f" ({old})" if old else ""
        return f"leakage not measured{because}: none subtracted, {allowance} allowed for in ±"

    def flow(flow_m3_s: float) -> str:
        return quantity(number(units.flow_value(flow_m3_s), 2), printed_unit(units.display.flow))

    return f"{amount_said(pull, flow)}, {measured_said(pull)}"


def _lift_correction(pull: ArchivedPull, units: Units) -> str:
    largest = max((abs(p.flow.lift_correction_m3_s) for p in pull.in_force.values()), default=0.0)
    most = quantity(number(units.flow_value(largest), 2), printed_unit(units.display.flow))
    return f"to the stated lift, at most {most}"


def largest_point(pull: ArchivedPull) -> Point:
    """The point in force with the largest flow; one whose flow is no number counts last."""

    def flow(point: Point) -> float:
        return point.flow.flow_m3_s if math.isfinite(point.flow.flow_m3_s) else -math.inf

    return max(pull.in_force.values(), key=flow)


def interval_parts(pull: ArchivedPull) -> str:
    """The three largest parts of the interval at the largest flow, as shares of the variance."""
    point = largest_point(pull)
    parts = sorted(point.flow.budget, key=lambda part: -abs(part.contribution_rel))
    total = sum(part.contribution_rel**2 for part in parts)
    if not total > 0:
        return NOT_GIVEN
    return ", ".join(
        f"{part.name} {quantity(number(100 * part.contribution_rel**2 / total, 0), '%')}" for part in parts[:3]
    )


# ---------------------------------------------------------------- the small print


def convention_of(config: BenchConfig) -> str:
    """What the printed flow means."""
    display, reference, water = config.display, config.reference, config.water
    unit = printed_unit(display.pressure)
    pressure = significant(from_si(reference.test_pressure_pa, display.pressure, water), 5)
    air = significant(from_si(reference.air_pressure_pa, display.barometer, water), 6)
    temperature = significant(from_si(reference.air_temperature_k, display.temperature), 5)
    humidity = reference.air_humidity
    moisture = "dry" if humidity == 0 else quantity(significant(100 * humidity, 3), f"%{NBSP}RH")
    water_is = f" 1{NBSP}{unit} is {quantity(significant(to_si(1.0, display.pressure, water), 6), 'Pa')}."
    reference_air = (
        f"{quantity(air, printed_unit(display.barometer))}, "
        f"{quantity(temperature, printed_unit(display.temperature))}, {moisture}"
    )
    return (
        f"{flow_unit_said(printed_unit(display.flow), reference.convention)} at {quantity(pressure, unit)}"
        f"{meaning(reference.convention, reference_air)}.{water_is if 'H2O' in display.pressure else ''}"
    )


def method_of(pulls: Sequence[ArchivedPull]) -> str:
    """What was corrected, what the intervals are, what the coefficient is."""
    leakage = "leakage subtracted" if all(pull.leakage for pull in pulls) else "leakage as stated for each pull"
    without = [pull.request.direction for pull in pulls if valve_diameter_m(pull) is None]
    coefficient = " Cd: effective area over curtain area (π × valve diameter × lift, all open valves)."
    if without:
        which = "" if len(without) == len(pulls) else f" for the {without[0]} valve"
        coefficient = ("" if which == "" else coefficient) + (
            f" Lift/diameter and Cd need the valve diameter: not given{which}."
        )
    return (
        f"Corrected: zeros subtracted, {leakage}, flow referred to the stated lift, air density from room pressure, "
        f"temperature and humidity. ±{NBSP}is half the 95{NBSP}% interval.{coefficient} "
        "Held and sd: mean and standard deviation of the test pressure while the reading was taken."
    )


def sources_of(pull: ArchivedPull) -> str:
    """Where each channel's values came from; first what no instrument measured."""
    by_source: dict[str, list[str]] = {}
    for its in by_hand(pull.config, pull.basis, pull.sources).values():
        by_source.setdefault(source_said(its), []).append(its.name)
        if its.channel == "room_pressure":
            entry = pull.basis.room if its.from_entry else None
            worked_out = worked_out_said(entry or pull.config.room)
            if worked_out:
                by_source.setdefault(worked_out, []).append(its.name)
    for channel, source in sorted(pull.sources.items()):
        by_source.setdefault(source, []).append(channel.replace("_", " "))
    return "; ".join(f"{', '.join(channels)}: {source}" for source, channels in by_source.items())


def largest_of(pull: ArchivedPull, units: Units) -> tuple[str, str, str]:
    """The largest flow: value, half-width, and at which lift."""
    point = largest_point(pull)
    flow, half_width = units.flow(point.flow.flow_m3_s, point.flow.half_width_95_m3_s)
    return flow, half_width, units.lift_unit(point.step_lift_m)
