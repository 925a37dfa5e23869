"""What the instruments say in one pull: SI, zero-corrected, with the air and the flow model.

Pure: samples go in, and a settled window comes out as a measured flow.
"""

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

from acquire.basis import Basis
from acquire.config import BenchConfig
from acquire.flow import FlowModel, Neighbour, Window, evaluate
from acquire.flow_noise import noise_bands
from acquire.hold import judge_hold, typed_hold
from acquire.leakage import bound_of, reads_least
from acquire.moved_after import stood_then_moved
from acquire.records import LeakageLaw
from acquire.room_air import by_hand, in_force
from acquire.scaling import channel_settings, scale_for
from acquire.units import factor
from acquire.values import AirState, Capture, Direction, FlowResult, Hold, NoiseBand, Step, Zeros
from drivers.sample import Sample

# a signal older than this (in stream time) cannot take part in a capture
FRESH_US = 1_500_000
_SIGNALS = ("test_pressure", "meter_pressure", "lift")


class Series:
    """The recent values of one signal, enough for the longest window."""

    def __init__(self, keep_us: int) -> None:
        self._keep_us = keep_us
        self._t_us: list[int] = []
        self._values: list[float] = []

    def push(self, t_us: int, value: float) -> None:
        """One more value; times never go back."""
        self._t_us.append(t_us)
        self._values.append(value)
        if len(self._t_us) % 4096 == 0:
            old = bisect_left(self._t_us, t_us - self._keep_us)
            del self._t_us[:old], self._values[:old]

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
        self._series = {name: Series(keep_us) for name in (*_SIGNALS, "area")}
        self._air: dict[str, float] = {}
        self._model: FlowModel | None = None
        self.t_us = 0

    def take_in(self, sample: Sample) -> float | None:
        """The SI value of test pressure, meter pressure or lift; None for room air, which is kept."""
        scale = self._scales.get(sample.channel)
        if scale is None:
            return None
        self.t_us = max(self.t_us, sample.t_us)
        value = scale.si(sample.value)
        if sample.channel in self._series:
            return value
        if self._air.get(sample.channel) != value:
            self._air[sample.channel] = value
            self._model = None
        return None

    def keep(self, signal: str, t_us: int, value: float) -> None:
        """Remember a value for the window to come."""
        self._series[signal].push(t_us, value)

    def latest(self, signal: str) -> float | None:
        """The newest value that was kept: test_pressure, meter_pressure, lift or area."""
        return self._series[signal].latest

    def zero(self, signal: str) -> float:
        """What the signal read with the bench off and the valve closed."""
        if self.zeros is None:
            return 0.0
        if signal == "lift":
            return self.zeros.lift_m
        return self.zeros.test_pressure_pa if signal == "test_pressure" else self.zeros.meter_pressure_pa

    def change_range(self, meter_range: str) -> None:
        """Another range of the meter is in use from now on."""
        self.meter_range = meter_range
        self._model = None

    def silent(self, with_lift: bool) -> str | None:
        """The first needed signal that is too old to be trusted."""
        for name in _SIGNALS if with_lift else _SIGNALS[:2]:
            if name in self.typed:
                continue
            latest_us = self._series[name].latest_us
            if latest_us is None or self.t_us - latest_us > FRESH_US:
                return name
        return None

    # ------------------------------------------------------------ flow

    def flow(self, t_us: int, meter_pressure_pa: float) -> tuple[float, float] | None:
        """Effective area (m2) and mass flow (kg/s) at this sample of the meter; None without air or pressure."""
        model = self.model()
        test_pressure_pa = self.latest("test_pressure")
        if model is None or test_pressure_pa is None:
            return None
        area_m2 = self._area_m2(model, t_us, meter_pressure_pa, test_pressure_pa)
        mass_flow = area_m2 * model.port_flux_kg_s_m2(test_pressure_pa) if area_m2 != 0.0 else 0.0
        return area_m2, mass_flow

    def _area_m2(self, model: FlowModel, t_us: int, meter_pressure_pa: float, test_pressure_pa: float) -> float:
        if self.reads_leak and meter_pressure_pa < 0.0:
            area_m2 = -model.effective_area_m2(-meter_pressure_pa, test_pressure_pa)
        else:
            area_m2 = model.effective_area_m2(meter_pressure_pa, test_pressure_pa)
        self.keep("area", t_us, area_m2)
        return area_m2

    def typed_area(self, t_us: int, meter_pressure_pa: float, start_us: int) -> tuple[float, float]:
        """Effective area (m2) of a typed meter reading, and the relative scatter of a test pressure measured beside it.

        The latter since ``start_us``. Raises ``ValueError`` with one sentence when they give no area.
        """
        model = self.model()
        _, pressure = self._between("test_pressure", start_us, t_us)
        if model is None or not pressure:
            raise ValueError(self.fault or "the room's air or the test pressure is not known yet")
        mean_pa = _mean(pressure)
        area_m2 = self._area_m2(model, t_us, meter_pressure_pa, mean_pa)
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

    def flux_at(self, test_pressure_pa: float) -> float:
        """Ideal mass flux at a test pressure, kg/(s m2); 0 while the air is not known."""
        model = self.model()
        return 0.0 if model is None else model.port_flux_kg_s_m2(test_pressure_pa)

    def stated_flow_m3_s(self) -> float | None:
        """The flow now, stated at the reference, leakage included."""
        area = self.latest("area")
        return None if area is None or self._model is None else self._model.stated_flow_m3_s(area)

    def model(self) -> FlowModel | None:
        """The flow model for the air as it is now; None while it is not known or cannot be."""
        if self._model is None:
            room = self._room()
            if room is None:
                return None
            meter_k = self._air.get("meter_temperature", room.temperature_k)
            try:
                self._model = FlowModel(self.config, self.direction, self.meter_range, room, meter_k)
                self.fault = ""
            except ValueError as error:
                self.fault = str(error)
        return self._model

    def _room(self) -> AirState | None:
        manual = self.config.room
        values = []
        for channel, given in (
            ("room_pressure", manual.pressure_pa),
            ("room_temperature", manual.temperature_k),
            ("room_humidity", manual.humidity),
        ):
            value = self._air.get(channel) if channel in self.channels else given
            if value is None:
                return None
            values.append(value)
        return AirState(*values)

    def noise_of(self, capture: Capture) -> tuple[NoiseBand, ...]:
        """The noise of the flow by band, over a captured window."""
        return noise_bands(*self._series["area"].between(capture.t_start_us, capture.t_end_us))

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
        model = self.model()
        pressure_t, pressure = self._between("test_pressure", capture.t_start_us, capture.t_end_us)
        _, meter = self._between("meter_pressure", capture.t_start_us, capture.t_end_us)
        if model is None or not pressure or not meter:
            raise ValueError(self.fault or "there are no readings in the window")
        meter_pressure_pa = _mean(meter)
        bound = self._is_bound(meter_pressure_pa)
        fault = None if bound else model.range_fault(meter_pressure_pa)
        if fault is not None:
            raise ValueError(fault)
        if step.lift_m is not None and lift_m is None:
            _, lifts = self._between("lift", capture.t_start_us, capture.t_end_us)
            lift_m = _mean(lifts) if lifts else self.latest("lift")
        if "test_pressure" in self.typed:
            hold = typed_hold(pressure[0], step.test_pressure_pa, max(band_pa, self.typed["test_pressure"]))
        else:
            hold = judge_hold(pressure_t, pressure, step.test_pressure_pa, band_pa)
        window = Window(hold.mean_pa, meter_pressure_pa, lift_m, step.lift_m)
        if bound:
            flow = bound_of(model, hold.mean_pa)
        else:
            flow = evaluate(model, capture, window, neighbour, leakage, self.channels, carry_allowance=carry_allowance)
        return Measured(lift_m, meter_pressure_pa, model.room, model.meter_temperature_k, hold, flow)


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)
