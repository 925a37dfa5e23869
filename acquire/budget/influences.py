"""Everything that makes a reading uncertain, as inputs of the flow formula.

What is common to all readings of the same bench (gain of a transducer, the
barometer, the meter's calibration) is marked shared; what is new with every
set-up or window (a digit, a zero, the scatter of the reading) is not.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from acquire.budget.propagation import Input, normal, rectangular
from acquire.calibration.doubt import ZEROED, doubt_at
from acquire.calibration.record import Calibration
from acquire.config import Zero
from acquire.flow.air import (
    ISENTROPIC_EXPONENT,
    ISENTROPIC_EXPONENT_HALF_WIDTH,
    density_formula_doubt_rel,
    within_stated_range,
)
from acquire.flow.model import FlowModel
from acquire.flow.statement import port_doubt_rel
from acquire.leakage.law import leakage_area_m2, leakage_uncertainty_m2
from acquire.meters import Doubt
from acquire.records import LeakageLaw
from acquire.scaling import CalibratedSettings
from acquire.units import Water, factor, from_si
from acquire.values import Capture
from drivers.base import ChannelSettings

# without a thermometer at the meter its air is taken as the room's: blower and
# plenum warm it by a few kelvins, more after a long session
UNMEASURED_METER_TEMPERATURE_K = 3.0

# what a day's weather, or the plenum's pressure in exhaust, does to a port's pressure ratio stays below this and
# would widen an interval of 0.9 % by a thirtieth; what an altitude of 1000 m does is more
LEAST_BAROMETER_DOUBT = 2e-3

# names that the formula asks for
READING = "reading"
PORT = "port between held and stated test pressure"
LEAKAGE = "leakage"
ALLOWANCE = "leakage (not measured, allowance)"
METER_TEMPERATURE = "meter temperature"
BAROMETER = "port at the reference air pressure"
DENSITY_FORMULA = "air density formula"
METER_AS_ROOM = "meter temperature (not measured)"
SLOPE = "slope over lift"


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
class LocalSlope:
    """Area per lift near a point: best estimate and rectangular half-width, in m2/m."""

    best: float
    half_width: float


@dataclass(frozen=True, slots=True)
class ZeroUncertainty:
    """How far the zeros may have moved since they were read: rectangular half-widths."""

    pressure_pa: float
    lift_m: float

    @classmethod
    def from_limits(cls, zero: Zero) -> "ZeroUncertainty":
        """The shifts up to which the bench's configuration lets a pull pass without a mark."""
        return cls(zero.pressure_shift_limit_pa, zero.lift_shift_limit_m)


def reading_inputs(
    model: FlowModel,
    capture: Capture,
    window: Window,
    channels: Mapping[str, ChannelSettings],
    zeros: ZeroUncertainty,
) -> list[Input]:
    """The reading itself, both pressures, the air, and the port's own doubt."""
    config, held_pa = model.config, window.test_pressure_pa
    inputs = [Input(READING, capture.area_m2, "m2", capture.standard_uncertainty_m2, "t", capture.dof, shared=False)]
    for name, channel, value in (
        ("test pressure", "test_pressure", held_pa),
        ("meter pressure", "meter_pressure", window.meter_pressure_pa),
    ):
        inputs += _measured(model, channels, name, channel, value, "Pa")
        inputs.append(rectangular(f"{name}, zero", 0.0, "Pa", zeros.pressure_pa, shared=False))
    inputs += _air_inputs(model, channels)
    kappa, half_width = ISENTROPIC_EXPONENT, ISENTROPIC_EXPONENT_HALF_WIDTH
    inputs.append(rectangular("isentropic exponent", kappa, "1", half_width, shared=True))
    doubt = port_doubt_rel(model.port_pressure_pa(held_pa), held_pa, config.reference.test_pressure_pa)
    inputs.append(rectangular(PORT, 1.0, "1", doubt, shared=False))
    stated_pa = config.reference.test_pressure_pa
    doubt = port_doubt_rel(
        model.port_pressure_pa(stated_pa), stated_pa, stated_pa, to_upstream_pa=model.stated_upstream_pa(stated_pa)
    )
    if doubt > LEAST_BAROMETER_DOUBT:
        inputs.append(rectangular(BAROMETER, 1.0, "1", doubt, shared=False))
    return inputs


def _air_inputs(model: FlowModel, channels: Mapping[str, ChannelSettings]) -> list[Input]:
    by_hand, room = model.config.room, model.room
    inputs = []
    for name, channel, value, unit, accuracy in (
        ("room pressure", "room_pressure", room.pressure_pa, "Pa", by_hand.pressure_accuracy_pa),
        ("room temperature", "room_temperature", room.temperature_k, "K", by_hand.temperature_accuracy_k),
        ("room humidity", "room_humidity", room.relative_humidity, "1", by_hand.humidity_accuracy),
    ):
        if channel in channels:
            inputs += _measured(model, channels, name, channel, value, unit)
        else:
            inputs.append(normal(name, value, unit, accuracy, shared=True))
    # one density over another cancels the formula's own error; a stated density, or air outside its range, may not
    if model.statement.counts_the_day or not within_stated_range(room.pressure_pa, room.temperature_k):
        u = max(density_formula_doubt_rel(room.pressure_pa, t) for t in (room.temperature_k, model.meter_temperature_k))
        inputs.append(Input(DENSITY_FORMULA, 1.0, "1", u, shared=True))
    if "meter_temperature" in channels:
        inputs += _measured(model, channels, METER_TEMPERATURE, "meter_temperature", model.meter_temperature_k, "K")
    else:
        half_width = UNMEASURED_METER_TEMPERATURE_K
        inputs.append(rectangular(METER_AS_ROOM, model.meter_temperature_k, "K", half_width, shared=True))
    return inputs


def lift_inputs(
    model: FlowModel,
    lift_m: float,
    slope: LocalSlope,
    channels: Mapping[str, ChannelSettings],
    zeros: ZeroUncertainty,
) -> list[Input]:
    """The lift indicator, and the slope by which the reading is referred to the step's lift."""
    return [
        *_measured(model, channels, "lift indicator", "lift", lift_m, "m"),
        rectangular("lift indicator, zero", 0.0, "m", zeros.lift_m, shared=False),
        rectangular(SLOPE, slope.best, "m", slope.half_width, shared=False),
    ]


def leakage_input(model: FlowModel, law: LeakageLaw | None, test_pressure_pa: float) -> Input:
    """The measured leakage, or the allowance for one that was not measured.

    An unmeasured leak lies anywhere from 0 to the allowance a, and nothing is
    subtracted: its root mean square a/sqrt(3) counts as standard uncertainty.
    """
    if law is None:
        return rectangular(ALLOWANCE, 0.0, "m2", model.config.leakage.allowance_area_m2, shared=False)
    u = leakage_uncertainty_m2(law, test_pressure_pa)
    return Input(LEAKAGE, leakage_area_m2(law, test_pressure_pa), "m2", u, "t", law.dof, shared=True)


def meter_inputs(doubts: tuple[Doubt, ...]) -> list[Input]:
    """The meter's own doubts as factors of its flow."""
    return [Input(its.name, 1.0, "1", its.standard_uncertainty_rel, its.distribution, shared=True) for its in doubts]


def _measured(
    model: FlowModel, channels: Mapping[str, ChannelSettings], name: str, channel: str, value: float, unit: str
) -> list[Input]:
    its = channels.get(channel)
    if its is None:
        raise ValueError(f"no instrument is configured for {channel}: add it to an instrument's channels")
    water = model.config.water
    one = factor(its.unit, water)
    reading = abs(from_si(value, its.unit, water))
    if isinstance(its, CalibratedSettings):
        found = [_calibrated(its.calibration, name, channel, value, unit, water)]
    else:
        half_width = (its.accuracy + its.accuracy_percent_of_reading / 100.0 * reading) * one
        found = [normal(name, value, unit, half_width, shared=True)]
    if its.resolution > 0.0:
        found.append(rectangular(f"{name}, digit", 0.0, unit, 0.5 * its.resolution * one, shared=False))
    if its.zero_resolution > 0.0:
        half_width = 0.5 * its.zero_resolution * one
        found.append(rectangular(f"{name}, digit of its zero", 0.0, unit, half_width, shared=False))
    return found


def _calibrated(calibration: Calibration, name: str, channel: str, value: float, unit: str, water: Water) -> Input:
    """What the calibration says of a reading takes the place of the configured accuracy."""
    reading = from_si(value, calibration.unit, water)
    doubt = doubt_at(calibration, reading, from_zero=channel in ZEROED)
    return Input(name, value, unit, doubt.u * factor(calibration.unit, water), "t", doubt.dof, shared=True)
