"""The calibration of one range of the meter against a source of known flow.

The same air goes through the range and through the reference: a critical
nozzle (ISO 9300), or anything whose certificate gives its flow. Every point
gives the range's area as a plate's; their mean, or their table over the
pressure, is what the configuration takes. Pure.
"""

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from acquire.budget.propagation import Input, coverage_factor, normal, propagate, rectangular
from acquire.config import Reference
from acquire.flow.air import ISENTROPIC_EXPONENT, AirColumn, air_column, check_air, density_kg_m3, vapour_fraction
from acquire.flow.meter_range import reference_air
from acquire.flow.restriction import plate_expansibility, plate_expansibility_uncertainty
from acquire.meters.base import Doubt
from acquire.meters.critical_nozzle import CriticalNozzle
from acquire.quantity import Flow, Humidity, Length, Pressure, Ratio, Table, Temperature
from acquire.units import Water
from acquire.values import AirState

LEAST_POINTS = 3


class Nozzle(Table):
    """A critical nozzle; without ``coefficient`` by the equation of ISO 9300 for toroidal throats."""

    bore_m: Annotated[Length, Field(alias="bore", gt=0)]
    coefficient: Annotated[float | None, Field(gt=0.5, le=1.0)] = None
    accuracy: Annotated[Ratio, Field(gt=0, le=0.2)] = 0.003
    highest_back_pressure_ratio: Annotated[Ratio | None, Field(gt=0.3, le=0.95)] = None

    def meter(self) -> CriticalNozzle:
        """The nozzle as the meter that it is."""
        return CriticalNozzle(self.bore_m, self.coefficient, self.accuracy, self.highest_back_pressure_ratio)


class Instruments(Table):
    """95 % figures of what the points were read with; ``percent`` ones are of the reading."""

    meter_pressure_pa: Annotated[Pressure, Field(alias="meter_pressure", ge=0)]
    meter_pressure_percent: Annotated[float, Field(ge=0, le=20)] = 0.0
    upstream_pressure_pa: Annotated[Pressure, Field(alias="upstream_pressure", gt=0)]
    temperature_k: Annotated[float, Field(gt=0, le=20)]
    humidity: Annotated[Humidity, Field(gt=0)] = 0.05
    nozzle_pressure_pa: Annotated[Pressure | None, Field(alias="nozzle_pressure", gt=0)] = None
    nozzle_temperature_k: Annotated[float | None, Field(gt=0, le=20)] = None


class CalibrationPoint(Table):
    """One point: pressure across the range, air at its upstream tap, and the reference.

    Either the ``nozzle``'s name, the absolute stagnation pressure and
    temperature before it and the absolute pressure behind it, or
    ``reference_flow``, of reference air.
    """

    meter_pressure_pa: Annotated[Pressure, Field(alias="meter_pressure", gt=0)]
    upstream_pressure_pa: Annotated[Pressure, Field(alias="upstream_pressure", gt=0)]
    temperature_k: Annotated[Temperature, Field(alias="temperature")]
    humidity: Annotated[Humidity, Field(ge=0, le=1)]
    nozzle: str = ""
    nozzle_pressure_pa: Annotated[Pressure | None, Field(alias="nozzle_pressure", gt=0)] = None
    nozzle_temperature_k: Annotated[Temperature | None, Field(alias="nozzle_temperature")] = None
    back_pressure_pa: Annotated[Pressure | None, Field(alias="back_pressure", gt=0)] = None
    reference_flow_m3_s: Annotated[Flow | None, Field(alias="reference_flow", gt=0)] = None

    @model_validator(mode="after")
    def _one_reference(self) -> Self:
        nozzle = (self.nozzle_pressure_pa, self.nozzle_temperature_k, self.back_pressure_pa)
        if self.reference_flow_m3_s is None and None in nozzle:
            raise ValueError("give reference_flow, or nozzle, nozzle_pressure, nozzle_temperature and back_pressure")
        if self.reference_flow_m3_s is not None and nozzle != (None, None, None):
            raise ValueError("give either reference_flow or the nozzle's pressures and temperature, not both")
        if self.meter_pressure_pa >= 0.25 * self.upstream_pressure_pa:
            raise ValueError("meter_pressure must stay below a quarter of upstream_pressure, which is absolute")
        check_air(AirState(self.upstream_pressure_pa, self.temperature_k, self.humidity))
        return self


class RangeCalibration(Table):
    """The whole file. ``reference_accuracy``: 95 % figure of ``reference_flow``."""

    range: Annotated[str, Field(min_length=1)]
    kind: Literal["plate", "table"] = "plate"
    certificate: str = ""
    water: Water = "conventional"
    reference: Reference = Reference()
    nozzles: Annotated[dict[str, Nozzle], Field(default_factory=dict)]
    reference_accuracy: Annotated[Ratio | None, Field(gt=0, le=0.2)] = None
    instruments: Instruments
    points: Annotated[tuple[CalibrationPoint, ...], Field(min_length=LEAST_POINTS)]

    @model_validator(mode="after")
    def _references_are_known(self) -> Self:
        by_nozzle = [point.reference_flow_m3_s is None for point in self.points]
        if any(by_nozzle):
            its = self.instruments
            for number, point in enumerate(self.points, 1):
                if point.reference_flow_m3_s is None and point.nozzle not in self.nozzles:
                    raise ValueError(f"point {number} names the nozzle {point.nozzle!r}: describe it under [nozzles]")
            if its.nozzle_pressure_pa is None or its.nozzle_temperature_k is None:
                raise ValueError("instruments needs nozzle_pressure and nozzle_temperature_k, their 95 % figures")
        if not all(by_nozzle) and self.reference_accuracy is None:
            raise ValueError("reference_flow needs reference_accuracy, the 95 % figure of its certificate")
        if self.kind == "table":
            rising = sorted(self.points, key=lambda point: point.meter_pressure_pa)
            if any(b.meter_pressure_pa <= a.meter_pressure_pa for a, b in pairwise(rising)):
                raise ValueError("a table needs every meter_pressure once: give repeats to a plate")
        return self


@dataclass(frozen=True, slots=True)
class PointArea:
    """What one point gives; ``standard_uncertainty_m2`` is that of reference and instruments."""

    meter_pressure_pa: float
    mass_flow_kg_s: float
    area_m2: float
    standard_uncertainty_m2: float


@dataclass(frozen=True, slots=True)
class Calibrated:
    """The result; ``accuracy`` is its relative 95 % figure.

    It holds ``systematic``, 95 %: reference and instruments, the same at all
    points; and ``scatter``, one relative standard deviation: of a point about
    their mean, or for a table about the straight line through its neighbours.
    ``trend_rel``: how far the area moves from the lowest
    to the highest pressure, where that is no chance; else None.
    """

    points: tuple[PointArea, ...]
    area_m2: float
    systematic: float
    scatter: float
    accuracy: float
    trend_rel: float | None


def calibrated(its: RangeCalibration) -> Calibrated:
    """The range's area with its uncertainty.

    The error of reference and instruments is taken as one and the same at all
    points, and so does not become smaller with their number. The scatter is
    that of a single point: the constant will be used at single pressures.

    Raises ``ValueError`` for a nozzle that is not choked.
    """
    points = tuple(
        sorted((_point(its, n, p) for n, p in enumerate(its.points, 1)), key=lambda found: found.meter_pressure_pa)
    )
    areas = [point.area_m2 for point in points]
    mean = statistics.fmean(areas)
    systematic = statistics.fmean(point.standard_uncertainty_m2 / point.area_m2 for point in points)
    if its.kind == "plate":
        spread, dof = statistics.stdev(areas) / mean * math.sqrt(1.0 + 1.0 / len(areas)), len(areas) - 1
    else:
        spread, dof = _about_neighbours(points) / mean, max(len(areas) - 2, 1)
    u = math.hypot(systematic, spread)
    # Welch-Satterthwaite: only the scatter has few degrees of freedom
    effective = dof * (u / spread) ** 4 if spread > 0.0 else 1e6
    return Calibrated(
        points=points,
        area_m2=mean,
        systematic=coverage_factor(1e6) * systematic,
        scatter=spread,
        accuracy=coverage_factor(min(effective, 1e6)) * u,
        trend_rel=_trend(points, mean) if its.kind == "plate" else None,
    )


def table_flow_m3_s(area_m2: float, meter_pressure_pa: float, reference: Reference) -> float:
    """The flow of reference air at a pressure across a range of that area: a row of a table."""
    air = reference_air(reference)
    density = density_kg_m3(air)
    expansibility = plate_expansibility(1.0 - meter_pressure_pa / air.pressure_pa, ISENTROPIC_EXPONENT)
    return area_m2 * expansibility * math.sqrt(2.0 * meter_pressure_pa / density)


def _point(its: RangeCalibration, number: int, point: CalibrationPoint) -> PointArea:
    figures = its.instruments
    half_pa = figures.meter_pressure_pa + figures.meter_pressure_percent / 100.0 * point.meter_pressure_pa
    inputs = [
        normal("meter pressure", point.meter_pressure_pa, "Pa", half_pa, shared=True),
        normal("upstream pressure", point.upstream_pressure_pa, "Pa", figures.upstream_pressure_pa, shared=True),
        normal("temperature", point.temperature_k, "K", figures.temperature_k, shared=True),
        normal("humidity", point.humidity, "1", figures.humidity, shared=True),
        Input("expansibility", 1.0, "1", _expansibility_doubt(point)),
    ]
    inputs += _reference_inputs(its, number, point)

    def area(x: Mapping[str, Any]) -> Any:
        air = _moist(x, x["temperature"])
        ratio = 1.0 - x["meter pressure"] / x["upstream pressure"]
        root = (2.0 * x["meter pressure"] * air.density_kg_m3(x["upstream pressure"])) ** 0.5
        expansibility = plate_expansibility(ratio, ISENTROPIC_EXPONENT) * x["expansibility"]
        return _mass_flow(its, point, x) / (expansibility * root)

    found = propagate(area, inputs)
    flow = float(_mass_flow(its, point, {one.name: one.value for one in inputs}))
    return PointArea(point.meter_pressure_pa, flow, found.value, found.standard_uncertainty)


def _moist(x: Mapping[str, Any], temperature_k: Any) -> AirColumn:
    """The air, of whose water none is lost between range and nozzle."""
    return air_column(temperature_k, vapour_fraction(x["upstream pressure"], x["temperature"], x["humidity"]))


def _expansibility_doubt(point: CalibrationPoint) -> float:
    ratio = 1.0 - point.meter_pressure_pa / point.upstream_pressure_pa
    return plate_expansibility_uncertainty(ratio, ISENTROPIC_EXPONENT)


def _reference_inputs(its: RangeCalibration, number: int, point: CalibrationPoint) -> list[Input]:
    if point.reference_flow_m3_s is not None:
        assert its.reference_accuracy is not None
        return [normal("reference flow", 1.0, "1", its.reference_accuracy, shared=True)]
    figures, nozzle = its.instruments, its.nozzles[point.nozzle]
    assert figures.nozzle_pressure_pa is not None
    assert figures.nozzle_temperature_k is not None
    p0, t0, back = point.nozzle_pressure_pa, point.nozzle_temperature_k, point.back_pressure_pa
    assert p0 is not None
    assert t0 is not None
    assert back is not None
    humid = vapour_fraction(point.upstream_pressure_pa, point.temperature_k, point.humidity)
    try:
        doubts = nozzle.meter().doubts(p0 - back, p0, air_column(t0, humid), ISENTROPIC_EXPONENT)
    except ValueError as error:
        raise ValueError(
            f"point {number}: {back:.6g} Pa behind the nozzle and {p0:.6g} Pa before it do not choke it: "
            "lower the pressure behind it, or give its highest_back_pressure_ratio if it has a diffuser"
        ) from error
    return [
        normal("nozzle pressure", p0, "Pa", figures.nozzle_pressure_pa, shared=True),
        normal("nozzle temperature", t0, "K", figures.nozzle_temperature_k, shared=True),
        *map(_factor, doubts),
    ]


def _factor(doubt: Doubt) -> Input:
    u = doubt.standard_uncertainty_rel
    if doubt.distribution == "rectangular":
        return rectangular(f"nozzle: {doubt.name}", 1.0, "1", u * math.sqrt(3.0), shared=True)
    return Input(f"nozzle: {doubt.name}", 1.0, "1", u)


def _mass_flow(its: RangeCalibration, point: CalibrationPoint, x: Mapping[str, Any]) -> Any:
    if point.reference_flow_m3_s is not None:
        return point.reference_flow_m3_s * density_kg_m3(reference_air(its.reference)) * x["reference flow"]
    p0, t0, back_pa = x["nozzle pressure"], x["nozzle temperature"], point.back_pressure_pa or 0.0
    nozzle = its.nozzles[point.nozzle].meter()
    flow: Any = nozzle.mass_flow_kg_s(p0 - back_pa, p0, _moist(x, t0), ISENTROPIC_EXPONENT)
    for name, factor in x.items():
        if name.startswith("nozzle: "):
            flow = flow * factor
    return flow


def _about_neighbours(points: tuple[PointArea, ...]) -> float:
    """Root mean square distance of the inner areas from the line between their neighbours, as one point's scatter."""
    off = []
    for before, here, after in zip(points, points[1:], points[2:], strict=False):
        low, middle, high = (point.meter_pressure_pa**0.5 for point in (before, here, after))
        share = (middle - low) / (high - low)
        distance = here.area_m2 - (before.area_m2 + share * (after.area_m2 - before.area_m2))
        off.append(distance**2 / (1.0 + share**2 + (1.0 - share) ** 2))
    return math.sqrt(statistics.fmean(off))


def _trend(points: tuple[PointArea, ...], mean: float) -> float | None:
    if len(points) < 4:
        return None
    from scipy.stats import linregress

    roots = [point.meter_pressure_pa**0.5 for point in points]
    if roots[0] == roots[-1]:
        return None
    line = linregress(roots, [point.area_m2 for point in points])
    return float(line.slope * (roots[-1] - roots[0]) / mean) if line.pvalue < 0.01 else None
