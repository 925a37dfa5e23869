"""Whether a range may be read at a pressure, and which one to use instead."""

import math

from acquire.config import AnyMeterRange, BenchConfig, Reference
from acquire.flow.air import ISENTROPIC_EXPONENT, column_of
from acquire.units import from_si
from acquire.values import AirState


def reference_air(reference: Reference) -> AirState:
    """The air that stated flows and certificates refer to."""
    return AirState(reference.air_pressure_pa, reference.air_temperature_k, reference.air_humidity)


def range_fault(config: BenchConfig, meter_range: str, meter_pressure_pa: float) -> str | None:
    """Why this range may not be read at this pressure, and what to do; None if it may.

    A range that starts at zero may read a little below it: that is noise about
    no flow. Another range fits if it has this range's flow within its own span;
    where none has, and this one is too small, the next larger one lets more through.
    """
    its = config.meter.ranges[meter_range]
    low_pa, high_pa = its.lowest_pressure_pa, its.highest_pressure_pa
    if meter_pressure_pa <= high_pa and (meter_pressure_pa >= low_pa or low_pa == 0.0):
        return None
    unit = config.display.pressure
    shown_at, low, high = (from_si(pa, unit, config.water) for pa in (meter_pressure_pa, low_pa, high_pa))
    # as finely as the range is read: below that, what a meter shows about zero is noise
    shown = f"{round(shown_at, 3 - math.ceil(math.log10(high))) + 0.0:.4g}"
    fits = _others_with_that_flow(config, meter_range, meter_pressure_pa)
    remedy = f"use range {' or '.join(map(repr, fits))}" if fits else "no configured range fits this flow"
    return (
        f"{shown} {unit} across the meter is {'above' if meter_pressure_pa > high_pa else 'below'} what "
        f"range {meter_range!r} is calibrated for ({low:.4g} to {high:.4g} {unit}): {remedy}"
    )


def least_flow_kg_s(config: BenchConfig, meter_range: str) -> float:
    """The smallest mass flow of reference air that a range reads; 0 where it starts at zero."""
    its = config.meter.ranges[meter_range]
    return _flow_kg_s(config, its, its.lowest_pressure_pa)


def _others_with_that_flow(config: BenchConfig, meter_range: str, meter_pressure_pa: float) -> list[str]:
    if not meter_pressure_pa > 0.0:
        return []
    its = config.meter.ranges[meter_range]
    here = _flow_kg_s(config, its, meter_pressure_pa)
    fits: list[str] = []
    larger: list[tuple[float, str]] = []
    for name, other in config.meter.ranges.items():
        least = _flow_kg_s(config, other, other.lowest_pressure_pa)
        most = _flow_kg_s(config, other, other.highest_pressure_pa)
        if name != meter_range and least <= here <= most:
            fits.append(name)
        if name != meter_range and most > here:
            larger.append((most, name))
    if not fits and larger and meter_pressure_pa > its.highest_pressure_pa:
        return [min(larger)[1]]
    return fits


def _flow_kg_s(config: BenchConfig, settings: AnyMeterRange, meter_pressure_pa: float) -> float:
    air = reference_air(config.reference)
    if not 0.0 < meter_pressure_pa < air.pressure_pa:
        return 0.0
    meter = settings.meter(air)
    return meter.mass_flow_kg_s(meter_pressure_pa, air.pressure_pa, column_of(air), ISENTROPIC_EXPONENT)
