"""One batch walked through: long stretches that are only collected, with the samples between them to look at.

Until a block of the stabiliser is full nothing is judged, so that a whole
stretch is scaled, turned into flow and handed over at once, channel by
channel; the result is the same to the last bit as sample by sample.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np

from acquire.flow.model import FlowModel
from acquire.pull.batch import Batch
from acquire.pull.signals import SIGNALS, Signals
from acquire.stabiliser import Stabiliser

_NEVER_US = np.iinfo(np.int64).min


class _Row(NamedTuple):
    """One signal of a batch: places in the order of arrival, times, SI values."""

    place: list[int]
    t_us: list[int]
    value: list[float]


_NOTHING = _Row([], [], [])
Beside = Callable[[float, float, FlowModel], tuple[float, float]]


class _Flow(NamedTuple):
    """The flow at some of the meter's samples: places, times, areas, mass flows, and the model they come from."""

    place: list[int]
    t_us: list[int]
    area_m2: list[float]
    mass_kg_s: list[float]
    model: list[FlowModel]


class Sightings(NamedTuple):
    """Lift samples, zero-corrected, beside the area and the test pressure that came in before each."""

    place: list[int]
    t_us: list[int]
    lift_m: list[float]
    area_m2: list[float | None]
    test_pressure_pa: list[float | None]

    def one_by_one(self) -> "Iterator[Sighting]":
        """The same as a single sample each."""
        return map(Sighting, *self[1:])


_UNSEEN = Sightings([], [], [], [], [])


class _Ahead(NamedTuple):
    """What a batch holds, zero-corrected and turned into flow."""

    pressure: _Row
    meter: _Row
    lift: Sightings
    flow: _Flow


class Sighting(NamedTuple):
    """A lift sample beside the area and the test pressure that came in before it."""

    t_us: int
    lift_m: float
    area_m2: float | None
    test_pressure_pa: float | None


class One(NamedTuple):
    """A sample by itself; ``value`` in SI."""

    channel: str
    t_us: int
    value: float


class Stretches:
    """A batch in SI. Walk through it with ``at``, the place of the next sample."""

    def __init__(self, batch: Batch, signals: Signals) -> None:
        self._signals = signals
        self.count = len(batch)
        known, come = np.full(self.count, _NEVER_US), np.full(self.count, _NEVER_US)
        value = np.empty(self.count)
        self._channel = {number: name for number, (name, _) in batch.names.items() if signals.knows(name)}
        self._rows: dict[str, _Row] = {}
        breaths: list[tuple[int, str, float]] = []
        for name in dict.fromkeys(self._channel.values()):
            place = batch.places(name)
            t_us = known[place] = batch.t_us[place]
            its = value[place] = signals.si(name, batch.value[place])
            if name in SIGNALS:
                come[place] = t_us
                self._rows[name] = _Row(place.tolist(), t_us.tolist(), its.tolist())
            elif len(place):
                counts = signals.believed(name, its)
                moved = np.flatnonzero(np.append(True, counts[1:] != counts[:-1]))
                breaths += zip(place[moved].tolist(), [name] * len(moved), counts[moved].tolist(), strict=True)
        # how far time has come by each place: by all that is known, and by the signals alone
        self._latest_us: list[int] = np.maximum.accumulate(known).tolist()
        self._come_us: list[int] = np.maximum.accumulate(come).tolist()
        self._number, self._t_us, self._value = batch.number.tolist(), known.tolist(), value.tolist()
        # the room's air where it moved, in the order of arrival
        self._breaths = sorted(breaths)
        self._next_breath = 0
        self._ahead: _Ahead | None = None

    def one(self, at: int) -> One | None:
        """The sample of a signal at a place; None for the room's air, which is breathed, and for what nobody knows."""
        channel = self._channel.get(self._number[at])
        if channel is None:
            return None
        self._signals.t_us = max(self._signals.t_us, self._t_us[at])
        if channel in SIGNALS:
            return One(channel, self._t_us[at], self._value[at])
        self._breathe(at + 1)
        return None

    def collected_until(self, at: int, until_us: int) -> int:
        """The place of the first sample from ``at`` on by which a signal has come to a time; or the end."""
        return bisect_left(self._come_us, until_us, at)

    def collect(
        self, at: int, end: int, stabiliser: Stabiliser, lift_is_seen: bool, beside: Beside | None
    ) -> Sightings:
        """Hand the samples from ``at`` up to, but without, ``end`` to the stabiliser, which only collects them.

        ``beside`` turns area and mass flow into those that are judged, where they are others. Gives the lift samples,
        where it is seen.
        """
        if end <= at:
            return _UNSEEN
        signals = self._signals
        ahead = self._ahead = self._ahead or self._look_ahead(at)
        pressure, meter, lift, flow = (_span(row.place, at, end) for row in ahead)
        pressure_us, pressure_pa = ahead.pressure.t_us[pressure], ahead.pressure.value[pressure]
        lift_us, lift_m = ahead.lift.t_us[lift], ahead.lift.lift_m[lift]
        flow_us, area_m2, mass_kg_s = ahead.flow.t_us[flow], ahead.flow.area_m2[flow], ahead.flow.mass_kg_s[flow]
        signals.keep_many("test_pressure", pressure_us, pressure_pa)
        signals.keep_many("meter_pressure", ahead.meter.t_us[meter], ahead.meter.value[meter])
        signals.keep_many("lift", lift_us, lift_m)
        signals.keep_many("area", flow_us, area_m2)
        if meter.start < meter.stop:
            # whether there is a flow, and why not, is known as of the meter's last sample
            self._breathe(ahead.meter.place[meter.stop - 1])
            signals.model()
        self._breathe(end)
        signals.t_us = max(signals.t_us, self._latest_us[end - 1])
        if beside is not None:
            judged = [beside(*its) for its in zip(area_m2, mass_kg_s, ahead.flow.model[flow], strict=True)]
            area_m2, mass_kg_s = [area for area, _ in judged], [mass for _, mass in judged]
        stabiliser.push_many(
            lift_t_us=lift_us if lift_is_seen else (),
            lift_m=lift_m if lift_is_seen else (),
            pressure_t_us=pressure_us,
            pressure_pa=pressure_pa,
            flow_t_us=flow_us,
            area_m2=area_m2,
            mass_flow_kg_s=mass_kg_s,
        )
        if not lift_is_seen:
            return _UNSEEN
        return Sightings._make(column[lift] for column in ahead.lift)

    def _look_ahead(self, at: int) -> _Ahead:
        """The rest of the batch: the zeros and the meter's range stay as they are until its steps are over."""
        pressure, meter, lift = (self._corrected(name, at) for name in ("test_pressure", "meter_pressure", "lift"))
        latest = self._signals.latest
        pressure_pa, area_m2 = latest("test_pressure"), latest("area")
        flow = self._flows(meter, _before(meter.place, pressure.place, pressure.value, pressure_pa))
        areas = _before(lift.place, flow.place, flow.area_m2, area_m2)
        pressures = _before(lift.place, pressure.place, pressure.value, pressure_pa)
        return _Ahead(pressure, meter, Sightings(*lift, areas, pressures), flow)

    def _corrected(self, signal: str, at: int) -> _Row:
        """A signal's samples from a place on, zero-corrected."""
        row = self._rows.get(signal, _NOTHING)
        first, zero = bisect_left(row.place, at), self._signals.zero(signal)
        return _Row(row.place[first:], row.t_us[first:], [value - zero for value in row.value[first:]])

    def _flows(self, meter: _Row, pressures: list[float | None]) -> _Flow:
        """The flow at each of the meter's samples, at the pressure and in the air that came in before it."""
        flow_by = self._signals.flow_by
        flow = _Flow([], [], [], [], [])
        for place, t_us, meter_pa, test_pa, model in zip(*meter, pressures, self._models(meter.place), strict=True):
            found = flow_by(model, meter_pa, test_pa)
            if model is not None and found is not None:
                flow.place.append(place)
                flow.t_us.append(t_us)
                flow.area_m2.append(found[0])
                flow.mass_kg_s.append(found[1])
                flow.model.append(model)
        return flow

    def _models(self, places: list[int]) -> Iterator[FlowModel | None]:
        """The model in the air as it is at each place; None where there is none."""
        air = self._signals.air()
        model = self._model_in(air)
        breaths = iter(self._breaths[self._next_breath :])
        breath = next(breaths, None)
        for place in places:
            moved = False
            while breath is not None and breath[0] < place:
                air[breath[1]] = breath[2]
                moved, breath = True, next(breaths, None)
            if moved:
                model = self._model_in(air)
            yield model

    def _model_in(self, air: dict[str, float]) -> FlowModel | None:
        try:
            return self._signals.model_in(air)
        except ValueError:
            # said when the batch has come as far
            return None

    def _breathe(self, place: int) -> None:
        """The air as it came in before a place."""
        while self._next_breath < len(self._breaths) and self._breaths[self._next_breath][0] < place:
            _, channel, value = self._breaths[self._next_breath]
            self._signals.breathe(channel, value)
            self._next_breath += 1


def _span(places: list[int], at: int, end: int) -> slice:
    """Where the samples from one place up to, but without, another stand among those of a signal."""
    first = bisect_left(places, at)
    return slice(first, bisect_left(places, end, first))


def _before(places: list[int], known: list[int], values: list[float], at_first: float | None) -> list[float | None]:
    """The latest value that is known before each place."""
    found = [at_first, *values]
    return [found[count] for count in np.searchsorted(known, places).tolist()]
