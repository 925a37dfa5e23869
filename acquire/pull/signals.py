"""What the instruments say in one pull: SI, zero-corrected, with the air and the flow model.

Pure: samples go in, and a settled window comes out as a measured flow.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

import numpy as np

from acquire.basis import Basis
from acquire.config import BenchConfig
from acquire.flow.noise import noise_bands
from acquire.flow.reading import FlowModel, Neighbour, Window, evaluate
from acquire.hold import judge_hold, typed_hold
from acquire.leakage.run import bound_of, reads_least
from acquire.pull.believed import Believed
from acquire.pull.moved_after import stood_then_moved
from acquire.pull.strays import LONGEST, without_strays
from acquire.records import LeakageLaw
from acquire.room.air import by_hand, in_force
from acquire.scaling import N, channel_settings, scale_for
from acquire.series import Floats
from acquire.units import factor, to_si
from acquire.values import AirState, Capture, Direction, FlowResult, Hold, NoiseBand, Step, Zeros

# a signal older than this (in stream time) cannot take part in a capture
FRESH_US = 1_500_000
SIGNALS = ("test_pressure", "meter_pressure", "lift")
_MODELS = 256
# so few samples cost less one by one than as arrays
_FEW = 8
# farther than so much from the others, a reading in a window is a spoilt digit
_STRAY_LIFT_TOLERANCES, _STRAY_BANDS, _STRAY_METER_REL = 2.0, 3.0, 0.1


class Series:
    """The recent values of one signal, enough for the longest window."""

    def __init__(self, keep_us: int) -> None:
        self._keep_us = keep_us
        self._t_us: list[int] = []
        self._values: list[float] = []
        self._most = 4096

    def push(self, t_us: int, value: float) -> None:
        """One more value; times never go back."""
        self._t_us.append(t_us)
        self._values.append(value)
        self._forget()

    def extend(self, t_us: list[int], values: list[float]) -> None:
        """Several more values."""
        self._t_us += t_us
        self._values += values
        self._forget()

    def _forget(self) -> None:
        if len(self._t_us) > self._most:
            old = bisect_left(self._t_us, self._t_us[-1] - self._keep_us)
            del self._t_us[:old], self._values[:old]
            self._most = 2 * len(self._t_us) + 4096

    def between(self, start_us: int, end_us: int) -> tuple[list[int], list[float]]:
        """Times and values of a window, both ends included."""
        first, last = bisect_left(self._t_us, start_us), bisect_right(self._t_us, end_us)
        return self._t_us[first:last], self._values[first:last]

    @property
    def latest(self) -> float | None:
        """The newest value."""
        return self._values[-1] if self._values else None

    @property
    def latest_us(self) -> int | None:
        """Its time."""
        return self._t_us[-1] if self._t_us else None


@dataclass(frozen=True, slots=True)
class Measured:
    """A captured window as a flow, with what it was made from."""

    lift_m: float | None
    meter_pressure_pa: float
    room: AirState
    meter_temperature_k: float
    hold: Hold
    flow: FlowResult
    # readings of the lift that were left out; those of the flow are in the capture
    strays: int = 0


class Signals:
    """The signals of one pull. ``fault`` says why there is no flow; empty when there is."""

    def __init__(
        self,
        config: BenchConfig,
        direction: Direction,
        meter_range: str,
        zeros: Zeros | None,
        basis: Basis,
        *,
        reads_leak: bool = False,
    ) -> None:
        # a blank-plate run: there may be no flow at all, and noise about none has two signs
        self.reads_leak = reads_leak
        self.basis = basis
        self.direction = direction
        self.meter_range = meter_range
        self.zeros = zeros
        self.fault = ""
        instruments = config.make_instruments()
        # an indicator that only speaks when its button is pressed cannot be a witness
        self.lift_on_press = any("lift" in i.settings.channels and i.silence_is_normal for i in instruments)
        self.channels = channel_settings(instruments, basis.calibrations, config.water)
        self.air_by_hand = by_hand(config, basis, self.channels)
        self.config = config = in_force(config, self.air_by_hand)
        # what is typed, and one digit of it in SI: it stands until it is typed again, no window of it, never too old
        self.typed = {
            name: its.resolution * factor(its.unit, config.water)
            for name, its in self.channels.items()
            if any(i.typed and name in i.settings.channels for i in instruments)
        }
        self._scales = {name: scale_for(its, config.water) for name, its in self.channels.items()}
        keep_us = round(config.settling.longest_wait_s * 2e6) + 10_000_000
        self._series = {name: Series(keep_us) for name in (*SIGNALS, "area")}
        self._air: dict[str, float] = {}
        self._believed = {
            name: Believed(name, typed=name in self.typed) for name in self.channels if name not in SIGNALS
        }
        # where a pressure's instrument ends: what it shows there may be anything beyond
        self._ends = {
            name: to_si(its.high - its.resolution / 2, its.unit, config.water)
            for name, its in self.channels.items()
            if name in SIGNALS[:2] and its.high is not None and name not in self.typed
        }
        self._model: FlowModel | None = None
        self._models: dict[tuple[str, tuple[tuple[str, float], ...]], FlowModel] = {}
        self.t_us = 0

    def knows(self, channel: str) -> bool:
        """Whether a channel belongs to this bench."""
        return channel in self._scales

    def si(self, channel: str, number: N) -> N:
        """The SI value of a known channel for a number as received, or for many."""
        return self._scales[channel].si(number)

    def take_in(self, channel: str, t_us: int, value: float) -> bool:
        """One SI value of a known channel: whether it is test pressure, meter pressure or lift; room air is kept."""
        self.t_us = max(self.t_us, t_us)
        if channel in self._series:
            return True
        self.breathe(channel, self._believed[channel].push(value))
        return False

    def believed(self, channel: str, values: Floats) -> Floats:
        """What counts from each of a channel's readings of the air on; hand it to ``breathe`` in its turn."""
        return self._believed[channel].push_many(values)

    def breathe(self, channel: str, value: float) -> None:
        """The room's air, or the meter's, as it counts from now on."""
        if self._air.get(channel) != value:
            self._air[channel] = value
            self._model = None

    def keep(self, signal: str, t_us: int, value: float) -> None:
        """Remember a value for the window to come."""
        self._series[signal].push(t_us, value)

    def keep_many(self, signal: str, t_us: list[int], values: list[float]) -> None:
        """Remember several."""
        self._series[signal].extend(t_us, values)

    def latest(self, signal: str) -> float | None:
        """The newest value that was kept: test_pressure, meter_pressure, lift or area."""
        return self._series[signal].latest

    def zero(self, signal: str) -> float:
        """What the signal read with the bench off and the valve closed."""
        return 0.0 if self.zeros is None else self.zeros.of(signal)

    def change_range(self, meter_range: str) -> None:
        """Another range of the meter is in use from now on."""
        self.meter_range = meter_range
        self._model = None

    def silent(self, with_valve: bool) -> str | None:
        """The first needed signal that is too old to be trusted; a lift that is sent on a press may be of any age."""
        for name in SIGNALS if with_valve and not self.lift_on_press else SIGNALS[:2]:
            if name in self.typed:
                continue
            latest_us = self._series[name].latest_us
            if latest_us is None or self.t_us - latest_us > FRESH_US:
                return name
        return None

    # ------------------------------------------------------------ flow

    def flow(self, t_us: int, meter_pressure_pa: float) -> tuple[float, float] | None:
        """Effective area (m2) and mass flow (kg/s) at this sample of the meter; None without air or pressure."""
        flow = self.flow_at(meter_pressure_pa, self.latest("test_pressure"))
        if flow is not None:
            self.keep("area", t_us, flow[0])
        return flow

    def flow_at(self, meter_pressure_pa: float, test_pressure_pa: float | None) -> tuple[float, float] | None:
        """The same at a test pressure, not kept."""
        return self.flow_by(self._model or self.model(), meter_pressure_pa, test_pressure_pa)

    def flow_by(
        self, model: FlowModel | None, meter_pressure_pa: float, test_pressure_pa: float | None
    ) -> tuple[float, float] | None:
        """The same by the model of another air."""
        if model is None or test_pressure_pa is None:
            return None
        if self.reads_leak and meter_pressure_pa < 0.0:
            area_m2, mass_flow = model.area_and_flow(-meter_pressure_pa, test_pressure_pa)
            return -area_m2, -mass_flow
        return model.area_and_flow(meter_pressure_pa, test_pressure_pa)

    def flows_by(self, model: FlowModel, meter_pressure_pa: Floats, test_pressure_pa: Floats) -> tuple[Floats, Floats]:
        """The same for many samples in one air, arrays of shape (n,): to the last bit as one by one."""
        if meter_pressure_pa.size < _FEW:
            pairs = zip(meter_pressure_pa.tolist(), test_pressure_pa.tolist(), strict=True)
            areas_m2, flows_kg_s = np.array([self.flow_by(model, *its) for its in pairs]).reshape(-1, 2).T
            return areas_m2, flows_kg_s
        backwards = meter_pressure_pa < 0.0 if self.reads_leak else None
        if backwards is None or not backwards.any():
            return model.areas_and_flows(meter_pressure_pa, test_pressure_pa)
        areas_m2, flows_kg_s = model.areas_and_flows(np.abs(meter_pressure_pa), test_pressure_pa)
        return np.where(backwards, -areas_m2, areas_m2), np.where(backwards, -flows_kg_s, flows_kg_s)

    def typed_area(self, t_us: int, meter_pressure_pa: float, start_us: int) -> tuple[float, float]:
        """Effective area (m2) of a typed meter reading, and the relative scatter of a test pressure measured beside it.

        The latter since ``start_us``. Raises ``ValueError`` with one sentence when they give no area.
        """
        model = self.model()
        _, pressure = self._between("test_pressure", start_us, t_us)
        if model is None or not pressure:
            raise ValueError(self.fault or "the room's air or the test pressure is not known yet")
        mean_pa = _mean(pressure)
        area_m2 = (self.flow_at(meter_pressure_pa, mean_pa) or (0.0, 0.0))[0]
        self.keep("area", t_us, area_m2)
        square = sum((its - mean_pa) ** 2 for its in pressure) / max(len(pressure) - 1, 1)
        return area_m2, math.sqrt(square) / abs(mean_pa) if mean_pa else 0.0

    def typed_fault(self, channel: str, value: float) -> str:
        """Why a typed value cannot be a reading of a step; empty when it can. ``value``: its zero subtracted."""
        model = self.model()
        if channel == "test_pressure" and not value > 0.0:
            return "a test pressure of zero or less gives no flow: check which way round the column is connected"
        if channel != "meter_pressure" or model is None or self._is_bound(value):
            return ""
        return model.range_fault(value) or ""

    def measured_since(self, signal: str, start_us: int) -> float | None:
        """The mean of a measured signal; None where it is typed, or sent nothing."""
        values = [] if signal in self.typed else self._series[signal].between(start_us, self.t_us)[1]
        return _mean(values) if values else None

    def _between(self, signal: str, start_us: int, end_us: int) -> tuple[list[int], list[float]]:
        """A signal's window; of a typed one its latest value alone."""
        series = self._series[signal]
        if signal not in self.typed:
            return series.between(start_us, end_us)
        if series.latest is None or series.latest_us is None:
            return [], []
        return [series.latest_us], [series.latest]

    def stated_flow_m3_s(self) -> float | None:
        """The flow now, stated at the reference, leakage included."""
        area, model = self.latest("area"), self.model()
        return None if area is None or model is None else model.stated_flow_m3_s(area)

    def model(self) -> FlowModel | None:
        """The flow model for the air as it is now; None while it is not known or cannot be."""
        if self._model is None:
            try:
                self._model = self.model_in(self._air)
            except ValueError as error:
                self.fault = str(error)
            if self._model is not None:
                self.fault = ""
        return self._model

    def model_in(self, air: Mapping[str, float]) -> FlowModel | None:
        """The flow model in some air; None while a quantity of it is not known.

        Raises ``ValueError`` with one sentence for air that cannot be.
        """
        # the last digits of the room's air flicker: most states come again
        state = self.meter_range, tuple(air.items())
        model = self._models.get(state)
        room = self._room(air) if model is None else None
        if room is not None:
            meter_k = air.get("meter_temperature", room.temperature_k)
            model = FlowModel(self.config, self.direction, self.meter_range, room, meter_k)
            if len(self._models) >= _MODELS:
                self._models.clear()
            self._models[state] = model
        return model

    def air(self) -> dict[str, float]:
        """The air as it counts now, by channel."""
        return dict(self._air)

    def _room(self, air: Mapping[str, float]) -> AirState | None:
        manual = self.config.room
        values = []
        for channel, given in (
            ("room_pressure", manual.pressure_pa),
            ("room_temperature", manual.temperature_k),
            ("room_humidity", manual.humidity),
        ):
            value = air.get(channel) if channel in self.channels else given
            if value is None:
                return None
            values.append(value)
        return AirState(*values)

    def noise_of(self, capture: Capture) -> tuple[NoiseBand, ...]:
        """The noise of the flow by band, over a captured window."""
        return noise_bands(*self._series["area"].between(capture.t_start_us, capture.t_end_us))

    def end_fault(self) -> str:
        """Which pressure stands at the end of its instrument's range now; empty if none."""
        for name, end in self._ends.items():
            latest = self.latest(name)
            if latest is not None and latest + self.zero(name) >= end:
                return self._at_its_end(name)
        return ""

    def _at_its_end(self, name: str) -> str:
        its = self.channels[name]
        cure = "lower it" if name == "test_pressure" else "stop the blower, then fit a larger meter range"
        return (
            f"the {name.replace('_', ' ')} is at the end of its instrument's range ({its.high:g} {its.unit}), "
            f"where it may be anything beyond: {cure}"
        )

    def _kept(self, name: str, values: list[float], far: float) -> list[int] | None:
        """Indices of a window's readings without strays, None for all. Raises ``ValueError`` at the range's end."""
        end = self._ends.get(name, math.inf) - self.zero(name)
        if max(values) >= end and sum(value >= end for value in values) > LONGEST:
            raise ValueError(self._at_its_end(name))
        return without_strays(values, far)

    def moved_in(self, capture: Capture, least_rel: float) -> bool:
        """Whether the flow stood and then moved within a captured window."""
        return stood_then_moved(*self._series["area"].between(capture.t_start_us, capture.t_end_us), least_rel)

    def range_fault(self, settled: bool) -> str:
        """Why the meter's range does not fit the reading now, and which does; empty if it fits.

        Below its range a reading only counts once it is settled: on the way up every reading is low.
        """
        latest = self.latest("meter_pressure")
        if latest is None or self._model is None:
            return ""
        over = latest > self.config.meter.ranges[self.meter_range].highest_pressure_pa
        if self._is_bound(latest):
            return ""
        return (self._model.range_fault(latest) or "") if over or settled else ""

    def _is_bound(self, meter_pressure_pa: float) -> bool:
        """Whether this is a leak so small that even the finest range only says: less than it can read."""
        lowest_pa = self.config.meter.ranges[self.meter_range].lowest_pressure_pa
        return self.reads_leak and meter_pressure_pa < lowest_pa and reads_least(self.config, self.meter_range)

    def measure(
        self,
        capture: Capture,
        step: Step,
        band_pa: float,
        neighbour: Neighbour | None,
        leakage: LeakageLaw | None,
        lift_m: float | None,
        carry_allowance: bool,
    ) -> Measured:
        """A captured window as a flow. ``lift_m`` overrides the window's own lift.

        Raises ``ValueError`` with one sentence when the window gives no flow.
        """
        strays = 0
        model = self.model()
        pressure_t, pressure = self._between("test_pressure", capture.t_start_us, capture.t_end_us)
        _, meter = self._between("meter_pressure", capture.t_start_us, capture.t_end_us)
        if model is None or not pressure or not meter:
            raise ValueError(self.fault or "there are no readings in the window")
        meter_kept = self._kept("meter_pressure", meter, _STRAY_METER_REL * max(abs(median(meter)), band_pa))
        meter_pressure_pa = _mean(_of(meter, meter_kept))
        bound = self._is_bound(meter_pressure_pa)
        fault = None if bound else model.range_fault(meter_pressure_pa)
        if fault is not None:
            raise ValueError(fault)
        if step.lift_m is not None and lift_m is None:
            _, lifts = self._between("lift", capture.t_start_us, capture.t_end_us)
            far_m = _STRAY_LIFT_TOLERANCES * self.config.settling.lift_tolerance_m
            kept = without_strays(lifts, far_m)
            strays = len(lifts) - len(kept) if kept is not None else 0
            lift_m = _mean(_of(lifts, kept)) if lifts else self.latest("lift")
        if "test_pressure" in self.typed:
            hold = typed_hold(pressure[0], step.test_pressure_pa, max(band_pa, self.typed["test_pressure"]))
        else:
            kept = self._kept("test_pressure", pressure, _STRAY_BANDS * band_pa)
            hold = judge_hold(_of(pressure_t, kept), _of(pressure, kept), step.test_pressure_pa, band_pa)
        window = Window(hold.mean_pa, meter_pressure_pa, lift_m, step.lift_m)
        if bound:
            flow = bound_of(model, hold.mean_pa)
        else:
            flow = evaluate(model, capture, window, neighbour, leakage, self.channels, carry_allowance=carry_allowance)
        return Measured(lift_m, meter_pressure_pa, model.room, model.meter_temperature_k, hold, flow, strays)


def _of(values: list[N], kept: list[int] | None) -> list[N]:
    return values if kept is None else [values[i] for i in kept]


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
