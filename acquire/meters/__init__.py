"""Flow meters: one file each."""

from acquire.air import ISENTROPIC_EXPONENT, column_of, density_kg_m3
from acquire.config import BenchConfig, MeterRange, Reference
from acquire.meters.base import Doubt, Meter
from acquire.meters.orifice import CalibratedPlate, plate_area_m2
from acquire.units import from_si
from acquire.values import AirState

__all__ = ["Doubt", "Meter", "make_meter", "range_fault"]


def make_meter(settings: MeterRange, reference: Reference) -> Meter:
    """The meter behind one configured range."""
    area = settings.area_m2
    if area is None:
        assert settings.flow_m3_s is not None
        assert settings.at_pressure_pa is not None
        air = AirState(reference.air_pressure_pa, reference.air_temperature_k, reference.air_humidity)
        area = plate_area_m2(
            settings.flow_m3_s, settings.at_pressure_pa, air.pressure_pa, density_kg_m3(air), ISENTROPIC_EXPONENT
        )
    return CalibratedPlate(area, settings.accuracy, settings.lowest_pressure_pa, settings.highest_pressure_pa)


def range_fault(config: BenchConfig, meter_range: str, meter_pressure_pa: float) -> str | None:
    """Why this range may not be read at this pressure, and what to do; None if it may.

    A range that starts at zero may read a little below it: that is noise about
    no flow. The ranges are compared by the area they have at half their span.
    """
    ranges = config.meter.ranges
    its = ranges[meter_range]
    low_pa, high_pa = its.lowest_pressure_pa, its.highest_pressure_pa
    if meter_pressure_pa <= high_pa and (meter_pressure_pa >= low_pa or low_pa == 0.0):
        return None
    unit = config.display.pressure
    shown, low, high = (f"{from_si(pa, unit, config.water):.4g}" for pa in (meter_pressure_pa, low_pa, high_pa))
    area = _nominal_area_m2(its, config.reference)
    fits = []
    for name, other in ranges.items():
        # at equal flow the pressure across a meter goes with the inverse square of its area
        there_pa = meter_pressure_pa * (area / _nominal_area_m2(other, config.reference)) ** 2
        if name != meter_range and other.lowest_pressure_pa <= there_pa <= other.highest_pressure_pa:
            fits.append(name)
    remedy = f"use range {' or '.join(map(repr, fits))}" if fits else "no configured range fits this flow"
    return (
        f"{shown} {unit} across the meter is {'above' if meter_pressure_pa > high_pa else 'below'} what "
        f"range {meter_range!r} is calibrated for ({low} to {high} {unit}): {remedy}"
    )


def _nominal_area_m2(settings: MeterRange, reference: Reference) -> float:
    meter = make_meter(settings, reference)
    air = AirState(reference.air_pressure_pa, reference.air_temperature_k, reference.air_humidity)
    half_pa = 0.5 * (meter.lowest_pressure_pa + meter.highest_pressure_pa)
    column = column_of(air)
    flow = meter.mass_flow_kg_s(half_pa, air.pressure_pa, column, ISENTROPIC_EXPONENT)
    area: float = flow / (2.0 * half_pa * column.density_kg_m3(air.pressure_pa)) ** 0.5
    return area
