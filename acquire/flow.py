"""From an accepted reading to a flow with its uncertainty.

One formula gives the result and, through uncertain numbers, the budget: every
influence enters it by name, see :func:`_inputs`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from acquire.air import ISENTROPIC_EXPONENT, ISENTROPIC_EXPONENT_HALF_WIDTH, vapour_fraction
from acquire.budget import Input, normal, propagate, rectangular
from acquire.config import Zero
from acquire.flow_model import FlowModel
from acquire.leakage import leakage_area_m2, leakage_uncertainty_m2
from acquire.meters import Doubt
from acquire.records import LeakageLaw
from acquire.statement import port_doubt_rel
from acquire.units import from_si, to_si
from acquire.values import Capture, FlowResult
from drivers.base import ChannelSettings

__all__ = ["FlowModel", "LocalSlope", "Neighbour", "Window", "ZeroUncertainty", "evaluate", "local_slope"]

# without a thermometer at the meter its air is taken as the room's: blower and
# plenum warm it by a few kelvins, more after a long session
UNMEASURED_METER_TEMPERATURE_K = 3.0

# nearer points than this say more about noise than about the slope
_LEAST_RISE_M = 0.25e-3


@dataclass(frozen=True, slots=True)
class Window:
    """Means over a reading's window, zeros subtracted; ``step_lift_m`` is what was asked for.

    The lifts are None where no valve is involved.
    """

    test_pressure_pa: float
    meter_pressure_pa: float
    lift_m: float | None
    step_lift_m: float | None


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A lower point of the same pull: lift and effective area."""

    lift_m: float
    area_m2: float


@dataclass(frozen=True, slots=True)
class LocalSlope:
    """Area per lift near a point: best estimate and rectangular half-width, in m2/m."""

    best: float
    half_width: float


def local_slope(lift_m: float, area_m2: float, below: Neighbour | None) -> LocalSlope | None:
    """Slope of area over lift at a point, from the pull's own nearest lower point.

    The curve bends down, so that the chord c from below is steeper than the
    slope here, and rarely more than 2.5 times: 0.7 c +- 0.3 c. Without a point
    that is lower by at least 0.25 mm the chord starts at the closed valve.
    None for a lift that is not above zero.
    """
    if not lift_m > 0.0:
        return None
    usable = below is not None and 0.0 < below.lift_m <= lift_m - _LEAST_RISE_M
    from_lift, from_area = (below.lift_m, below.area_m2) if below is not None and usable else (0.0, 0.0)
    chord = (area_m2 - from_area) / (lift_m - from_lift)
    return LocalSlope(0.7 * chord, 0.3 * abs(chord))


@dataclass(frozen=True, slots=True)
class ZeroUncertainty:
    """How far the zeros may have moved since they were read: rectangular half-widths."""

    pressure_pa: float
    lift_m: float

    @classmethod
    def from_limits(cls, zero: Zero) -> "ZeroUncertainty":
        """The shifts up to which the bench's configuration lets a pull pass without a mark."""
        return cls(zero.pressure_shift_limit_pa, zero.lift_shift_limit_m)


def evaluate(
    model: FlowModel,
    capture: Capture,
    window: Window,
    neighbour: Neighbour | None,
    leakage: LeakageLaw | None,
    channels: Mapping[str, ChannelSettings],
    *,
    carry_allowance: bool = True,
    zeros: ZeroUncertainty | None = None,
) -> FlowResult:
    """The flow through the port with its interval and budget.

    ``channels`` holds the settings of the measured channels. Without
    ``leakage`` nothing is subtracted, and the configured allowance is carried
    as a component, unless ``carry_allowance`` is False (a blank-plate run
    reads the leakage itself). ``mass_flow_kg_s`` is that of the resulting
    area between the states of the window.

    Raises ``ValueError`` with one sentence for a reading that gives no flow:
    not a number, no test pressure, or outside the meter range's calibration.
    """
    _check(model, capture, window)
    slope = None
    if window.lift_m is not None and window.step_lift_m is not None:
        slope = local_slope(window.lift_m, capture.area_m2, neighbour)
    inputs = _inputs(model, capture, window, slope, channels, zeros or ZeroUncertainty.from_limits(model.config.zero))
    leakage_area = 0.0
    if leakage is not None:
        leakage_area = leakage_area_m2(leakage, window.test_pressure_pa)
        u = leakage_uncertainty_m2(leakage, window.test_pressure_pa)
        inputs.append(Input("leakage", leakage_area, "m2", u, "t", leakage.dof, shared=True))
    elif carry_allowance:
        # anything from 0 to the allowance a, with nothing subtracted: the root mean square is a/sqrt(3)
        allowance = model.config.leakage.allowance_area_m2
        inputs.append(rectangular("leakage (not measured, allowance)", 0.0, "m2", allowance, shared=False))
    doubts = _doubts(model, window)
    inputs += [
        Input(doubt.name, 1.0, "1", doubt.standard_uncertainty_rel, doubt.distribution, shared=True) for doubt in doubts
    ]
    formula = _Formula(model, capture, window, slope is not None, _start_pa(window, inputs), doubts)
    result = propagate(formula.area_m2, inputs)
    state = model.statement.flow_m3_s
    correction = 0.0
    if slope is not None and window.lift_m is not None and window.step_lift_m is not None:
        correction = slope.best * (window.step_lift_m - window.lift_m)
    return FlowResult(
        mass_flow_kg_s=result.value * model.port_flux_kg_s_m2(window.test_pressure_pa),
        effective_area_m2=result.value,
        standard_uncertainty_m2=result.standard_uncertainty,
        dof=result.dof,
        coverage_factor=result.coverage_factor,
        flow_m3_s=state(result.value),
        half_width_95_m3_s=state(result.coverage_factor * result.standard_uncertainty),
        leakage_m3_s=state(leakage_area),
        lift_correction_m3_s=state(correction),
        budget=result.components,
    )


@dataclass(frozen=True, slots=True)
class _Formula:
    """The effective area as a function of the inputs; a missing input is an error of nothing."""

    model: FlowModel
    capture: Capture
    window: Window
    with_slope: bool
    start_pa: float
    doubts: tuple[Doubt, ...]

    def area_m2(self, x: Mapping[str, Any]) -> Any:
        model, window = self.model, self.window
        meter_pa = _sum(x, "meter pressure") + (self.start_pa - window.meter_pressure_pa)
        test_pa = _sum(x, "test pressure")
        room_pa, room_k = _sum(x, "room pressure"), _sum(x, "room temperature")
        fraction = vapour_fraction(room_pa, room_k, _sum(x, "room humidity"))
        meter_k = _sum(x, "meter temperature") if "meter temperature" in x else self._meter_k(x, room_k)
        port_air, meter_air = model.columns(room_k, meter_k, fraction)
        kappa = x["isentropic exponent"]
        at_means = model.area_between(meter_pa, test_pa, room_pa, port_air, meter_air, kappa)
        for doubt in self.doubts:
            at_means = at_means * x[doubt.name]
        before = model.effective_area_m2(self.start_pa, window.test_pressure_pa)
        # the reading is the mean of the samples' areas; the model only says how it moves with its inputs
        area = (x["reading"] + (at_means - before)) * x["port between held and stated test pressure"]
        for name in ("leakage", "leakage (not measured, allowance)"):
            area = area - x.get(name, 0.0)
        if self.with_slope:
            area = area + x["slope over lift"] * (window.step_lift_m - _sum(x, "lift indicator"))
        return area

    def _meter_k(self, x: Mapping[str, Any], room_k: Any) -> Any:
        return room_k + x["meter temperature (not measured)"] - self.model.room.temperature_k


def _sum(x: Mapping[str, Any], name: str) -> Any:
    return x[name] + x.get(f"{name}, digit", 0.0) + x.get(f"{name}, zero", 0.0)


def _check(model: FlowModel, capture: Capture, window: Window) -> None:
    numbers = [capture.area_m2, capture.standard_uncertainty_m2, window.test_pressure_pa, window.meter_pressure_pa]
    numbers += [lift for lift in (window.lift_m, window.step_lift_m) if lift is not None]
    if not all(map(math.isfinite, numbers)) or math.isnan(capture.dof) or capture.standard_uncertainty_m2 < 0.0:
        raise ValueError("the reading holds a value that is not a number: look at the instruments and take it again")
    if not 0.0 < window.test_pressure_pa < model.room.pressure_pa:
        raise ValueError(
            f"a test pressure of {window.test_pressure_pa:g} Pa gives no flow: "
            "raise it, or check which way round the gauge is connected"
        )
    sentence = model.range_fault(window.meter_pressure_pa)
    if sentence is not None:
        raise ValueError(sentence)


def _start_pa(window: Window, inputs: list[Input]) -> float:
    """Where the meter's root is made straight.

    Near zero the root has no usable tangent; the tangent at half the standard
    uncertainty gives a 95 % interval that reaches the area of a pressure of
    1.96 standard uncertainties.
    """
    u = math.hypot(*(its.standard_uncertainty for its in inputs if its.name.startswith("meter pressure")))
    return max(window.meter_pressure_pa, 0.5 * u, 1e-3)


def _doubts(model: FlowModel, window: Window) -> tuple[Doubt, ...]:
    meter_pa = max(window.meter_pressure_pa, 1e-3)
    upstream_pa = model.meter_upstream_pa(meter_pa, window.test_pressure_pa)
    return model.meter.doubts(meter_pa, upstream_pa, model.meter_air, ISENTROPIC_EXPONENT)


def _inputs(
    model: FlowModel,
    capture: Capture,
    window: Window,
    slope: LocalSlope | None,
    channels: Mapping[str, ChannelSettings],
    zeros: ZeroUncertainty,
) -> list[Input]:
    config, room = model.config, model.room
    by_hand = config.room
    held_pa, stated_pa = window.test_pressure_pa, config.reference.test_pressure_pa
    port_pa = model.port_pressure_pa(held_pa)
    inputs = [Input("reading", capture.area_m2, "m2", capture.standard_uncertainty_m2, "t", capture.dof, shared=False)]
    measured = _Measured(channels, model)
    inputs += measured.inputs("test pressure", "test_pressure", held_pa, "Pa")
    inputs.append(rectangular("test pressure, zero", 0.0, "Pa", zeros.pressure_pa, shared=False))
    inputs += measured.inputs("meter pressure", "meter_pressure", window.meter_pressure_pa, "Pa")
    inputs.append(rectangular("meter pressure, zero", 0.0, "Pa", zeros.pressure_pa, shared=False))
    for name, channel, value, unit, accuracy in (
        ("room pressure", "room_pressure", room.pressure_pa, "Pa", by_hand.pressure_accuracy_pa),
        ("room temperature", "room_temperature", room.temperature_k, "K", by_hand.temperature_accuracy_k),
        ("room humidity", "room_humidity", room.relative_humidity, "1", by_hand.humidity_accuracy),
    ):
        if channel in channels:
            inputs += measured.inputs(name, channel, value, unit)
        else:
            inputs.append(normal(name, value, unit, accuracy, shared=True))
    meter_k = model.meter_temperature_k
    if "meter_temperature" in channels:
        inputs += measured.inputs("meter temperature", "meter_temperature", meter_k, "K")
    else:
        half_width = UNMEASURED_METER_TEMPERATURE_K
        inputs.append(rectangular("meter temperature (not measured)", meter_k, "K", half_width, shared=True))
    inputs.append(
        rectangular("isentropic exponent", ISENTROPIC_EXPONENT, "1", ISENTROPIC_EXPONENT_HALF_WIDTH, shared=True)
    )
    doubt = port_doubt_rel(port_pa, held_pa, stated_pa)
    inputs.append(rectangular("port between held and stated test pressure", 1.0, "1", doubt, shared=False))
    if slope is not None and window.lift_m is not None:
        inputs += measured.inputs("lift indicator", "lift", window.lift_m, "m")
        inputs.append(rectangular("lift indicator, zero", 0.0, "m", zeros.lift_m, shared=False))
        inputs.append(rectangular("slope over lift", slope.best, "m", slope.half_width, shared=False))
    return inputs


@dataclass(frozen=True, slots=True)
class _Measured:
    """What the instruments' settings say about a reading: accuracy, and one digit."""

    channels: Mapping[str, ChannelSettings]
    model: FlowModel

    def inputs(self, name: str, channel: str, value: float, unit: str) -> list[Input]:
        its = self.channels.get(channel)
        if its is None:
            raise ValueError(f"no instrument is configured for {channel}: add it to an instrument's channels")
        water = self.model.config.water
        one = to_si(1.0, its.unit, water) - to_si(0.0, its.unit, water)
        reading = abs(from_si(value, its.unit, water))
        half_width = (its.accuracy + its.accuracy_percent_of_reading / 100.0 * reading) * one
        found = [normal(name, value, unit, half_width, shared=True)]
        if its.resolution > 0.0:
            found.append(rectangular(f"{name}, digit", 0.0, unit, 0.5 * its.resolution * one, shared=False))
        return found
