"""From an accepted reading to a flow with its uncertainty.

One formula gives the result, the budget (through its sensitivities) and its
confirmation by Monte Carlo: every influence enters it by name.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from acquire.budget.influences import (
    ALLOWANCE,
    BAROMETER,
    DENSITY_FORMULA,
    LEAKAGE,
    METER_AS_ROOM,
    METER_TEMPERATURE,
    PORT,
    READING,
    SLOPE,
    LocalSlope,
    Window,
    ZeroUncertainty,
    leakage_input,
    lift_inputs,
    meter_inputs,
    reading_inputs,
)
from acquire.budget.propagation import UNLIMITED_DOF, Input, Propagated, monte_carlo, propagate
from acquire.flow.air import ISENTROPIC_EXPONENT, vapour_fraction
from acquire.flow.model import FlowModel
from acquire.records import LeakageLaw
from acquire.values import Capture, Component, FlowResult
from drivers.base import ChannelSettings

__all__ = [
    "FlowModel",
    "LocalSlope",
    "Measurement",
    "Neighbour",
    "Window",
    "ZeroUncertainty",
    "evaluate",
    "local_slope",
    "measurement",
]

# the meter's root is straight enough for first order where its pressure is this many standard uncertainties
_STRAIGHT = 10.0
_DRAWS = 10_000
NEAR_ZERO = "bend of the meter's root near zero"

# nearer points than this say more about noise than about the slope
_LEAST_RISE_M = 0.25e-3


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A lower point of the same pull: lift and effective area."""

    lift_m: float
    area_m2: float


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
    chord = (area_m2 - from_area) / max(lift_m - from_lift, _LEAST_RISE_M)
    return LocalSlope(0.7 * chord, 0.3 * abs(chord))


@dataclass(frozen=True, slots=True)
class Measurement:
    """One reading as a formula of its inputs; ``area_m2`` is the effective area.

    ``start_pa`` is the meter pressure at which the meter's root is made
    straight: the reading's own, except near zero. There the root has no
    usable tangent; that at half the standard uncertainty gives a 95 %
    interval that reaches the area of 1.96 standard uncertainties.
    """

    model: FlowModel
    window: Window
    slope: LocalSlope | None
    inputs: tuple[Input, ...]
    doubts: tuple[str, ...]
    start_pa: float

    @property
    def near_zero(self) -> bool:
        """Whether the meter's pressure is too near zero for first order."""
        return self.window.meter_pressure_pa < _STRAIGHT * _meter_uncertainty_pa(self.inputs)

    def as_read(self) -> "Measurement":
        """The same formula about the meter pressure that was read, for a Monte Carlo run.

        A pressure below zero counts as zero. The reading is the mean of
        samples that cannot be negative: near zero their noise lifts it above
        the area of the mean pressure, and that may be its error.
        """
        if not self.near_zero:
            return self
        meter_pa = max(self.window.meter_pressure_pa, 0.0)
        its = self.inputs[0]
        lifted = abs(its.value - self.model.effective_area_m2(meter_pa, self.window.test_pressure_pa))
        first = replace(its, standard_uncertainty=math.hypot(its.standard_uncertainty, lifted / math.sqrt(3.0)))
        return replace(self, inputs=(first, *self.inputs[1:]), start_pa=meter_pa)

    @property
    def lift_error_m(self) -> float:
        """How far the valve stood below the step's lift."""
        if self.window.step_lift_m is None or self.window.lift_m is None:
            return 0.0
        return self.window.step_lift_m - self.window.lift_m

    @property
    def leakage_area_m2(self) -> float:
        """What is subtracted as leakage."""
        return next((its.value for its in self.inputs if its.name == LEAKAGE), 0.0)

    def area_m2(self, x: Mapping[str, Any]) -> Any:
        """The effective area that states the flow; ``x`` gives floats or traced numbers by input.

        Where the convention counts the air of the day, it moves with the
        stated flow per area too, so that relative changes are those of the
        stated flow.
        """
        model, window = self.model, self.window
        meter_pa = _sum(x, "meter pressure") + (self.start_pa - window.meter_pressure_pa)
        test_pa = _sum(x, "test pressure")
        room_pa, room_k = _sum(x, "room pressure"), _sum(x, "room temperature")
        fraction = vapour_fraction(room_pa, room_k, _sum(x, "room humidity"))
        if METER_AS_ROOM in x:
            meter_k = x[METER_AS_ROOM] + (room_k - model.room.temperature_k)
        else:
            meter_k = _sum(x, METER_TEMPERATURE)
        port_air, meter_air = model.columns(room_k, meter_k, fraction, x.get(DENSITY_FORMULA, 1.0))
        at_means = model.area_between(meter_pa, test_pa, room_pa, port_air, meter_air, x["isentropic exponent"])
        for name in self.doubts:
            at_means = at_means * x[name]
        # the reading is the mean of the samples' areas; the model only says how it moves with its inputs
        moved = at_means - model.effective_area_m2(self.start_pa, window.test_pressure_pa)
        area = (x[READING] + moved) * x[PORT] * x.get(BAROMETER, 1.0) - x.get(LEAKAGE, 0.0) - x.get(ALLOWANCE, 0.0)
        if self.slope is not None:
            area = area + x[SLOPE] * (window.step_lift_m - _sum(x, "lift indicator"))
        if model.statement.counts_the_day:
            stated_at_pa = model.config.reference.test_pressure_pa
            speed = model.speed_between(stated_at_pa, room_pa, port_air, x["isentropic exponent"])
            area = area * (speed / model.stated_speed_m_s)
        return area


def _sum(x: Mapping[str, Any], name: str) -> Any:
    total = x[name] + x.get(f"{name}, digit", 0.0) + x.get(f"{name}, zero", 0.0)
    return total + x[f"{name}, digit of its zero"] if f"{name}, digit of its zero" in x else total


def _meter_uncertainty_pa(inputs: Sequence[Input]) -> float:
    return math.hypot(*[its.standard_uncertainty for its in inputs if its.name.startswith("meter pressure")])


def measurement(
    model: FlowModel,
    capture: Capture,
    window: Window,
    neighbour: Neighbour | None,
    leakage: LeakageLaw | None,
    channels: Mapping[str, ChannelSettings],
    *,
    carry_allowance: bool = True,
    zeros: ZeroUncertainty | None = None,
) -> Measurement:
    """The formula and the inputs of one reading; arguments and errors as for :func:`evaluate`."""
    _check(model, capture, window)
    zeros = zeros or ZeroUncertainty.from_limits(model.config.zero)
    inputs = reading_inputs(model, capture, window, channels, zeros)
    slope = None
    if window.lift_m is not None and window.step_lift_m is not None:
        slope = local_slope(window.lift_m, capture.area_m2, neighbour)
        if slope is not None:
            inputs += lift_inputs(model, window.lift_m, slope, channels, zeros)
    if leakage is not None or carry_allowance:
        inputs.append(leakage_input(model, leakage, window.test_pressure_pa))
    start_pa = max(window.meter_pressure_pa, 0.5 * _meter_uncertainty_pa(inputs), 1e-3)
    upstream_pa = model.meter_upstream_pa(start_pa, window.test_pressure_pa)
    doubts = model.meter.doubts(start_pa, upstream_pa, model.meter_air, ISENTROPIC_EXPONENT)
    inputs += meter_inputs(doubts)
    return Measurement(model, window, slope, tuple(inputs), tuple(doubt.name for doubt in doubts), start_pa)


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
    reads the leakage itself). ``zeros`` defaults to the shifts that the
    configuration tolerates. ``mass_flow_kg_s`` is that of the resulting area
    between the states of the window.

    Raises ``ValueError`` with one sentence for a reading that gives no flow:
    not a number, no test pressure, or outside the meter range's calibration.
    """
    its = measurement(
        model, capture, window, neighbour, leakage, channels, carry_allowance=carry_allowance, zeros=zeros
    )
    result = propagate(its.area_m2, its.inputs)
    widened = _drawn_near_zero(its, result) if its.near_zero else None
    result = widened or result
    state = model.stated_flow_m3_s
    return FlowResult(
        mass_flow_kg_s=result.value * model.port_flux_kg_s_m2(window.test_pressure_pa),
        effective_area_m2=result.value,
        standard_uncertainty_m2=result.standard_uncertainty,
        dof=result.dof,
        coverage_factor=result.coverage_factor,
        flow_m3_s=state(result.value),
        half_width_95_m3_s=state(result.coverage_factor * result.standard_uncertainty),
        leakage_m3_s=state(its.leakage_area_m2),
        lift_correction_m3_s=state(its.slope.best * its.lift_error_m if its.slope else 0.0),
        budget=result.components,
        interval_by="first order" if widened is None else "monte carlo",
        convention=model.config.reference.convention,
    )


def _drawn_near_zero(its: Measurement, result: Propagated) -> Propagated | None:
    """The result with the interval of a Monte Carlo run where that is wider; None where it is not.

    The interval is stated with equal sides that reach the farther end. What
    it has more than first order is a component of its own.
    """
    as_read = its.as_read()
    drawn = monte_carlo(as_read.area_m2, as_read.inputs, _DRAWS)
    half_width = max(drawn.high_95 - result.value, result.value - drawn.low_95)
    if not half_width > result.coverage_factor * result.standard_uncertainty:
        return None
    u = half_width / result.coverage_factor
    more = math.sqrt(u**2 - result.standard_uncertainty**2)
    before, scale = (max(abs(result.value), its) for its in (result.standard_uncertainty, u))
    components = tuple(replace(c, contribution_rel=c.contribution_rel * before / scale) for c in result.components)
    bend = Component(NEAR_ZERO, 0.0, "m2", more, "normal", UNLIMITED_DOF, more / scale, shared=False)
    return replace(result, standard_uncertainty=u, components=(*components, bend))


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
