"""One batch walked through: long stretches that are judged at once, with the samples between them to look at.

A whole stretch is scaled, turned into flow and handed over as arrays, up to
where a reading has settled; the result is the same to the last bit as sample
by sample.
"""

from collections.abc import Callable, Iterator
from itertools import repeat
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acquire.flow.model import FlowModel
from acquire.pull.batch import Batch
from acquire.pull.signals import SIGNALS, Signals
from acquire.series import Floats
from acquire.stabiliser import FLOW, LIFT, PRESSURE, Stabiliser

_NEVER_US = np.iinfo(np.int64).min
Ints = NDArray[np.int64]


class _Row(NamedTuple):
    """One signal of a batch: places in the order of arrival, times, SI values; shapes (n,)."""

    place: Ints
    t_us: Ints
    value: Floats


_NOTHING = _Row(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
Beside = Callable[[float, float, FlowModel | None], tuple[float, float]]


class _Flow(NamedTuple):
    """The flow at some of the meter's samples: places, times, areas, mass flows; shapes (n,).

    Each comes from one of the models: ``which`` of them, shape (n,).
    """

    place: Ints
    t_us: Ints
    area_m2: Floats
    mass_kg_s: Floats
    which: NDArray[np.intp]
    models: list[FlowModel | None]


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
    """What a batch holds, zero-corrected and turned into flow.

    ``counts``: how many of each of these come before each place, in this order.
    """

    pressure: _Row
    meter: _Row
    lift: Sightings
    flow: _Flow
    counts: tuple[Ints, ...]


class _Events(NamedTuple):
    """What the stabiliser sees, in the order of arrival; shapes (n,), see ``Stabiliser.push_many``.

    ``flow``: which of the flow's samples it is.
    """

    place: Ints
    kind: NDArray[np.int8]
    t_us: Ints
    first: Floats
    second: Floats
    flow: Ints


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
        self._channel = {number: name for number, (name, _) in batch.names.items() if signals.knows(name)}
        value = np.empty(self.count)
        self._rows: dict[str, _Row] = {}
        # the room's air as it counts from each of its readings on, and how many of them come before each place
        self._air: dict[str, tuple[Floats, Ints]] = {}
        for name in dict.fromkeys(self._channel.values()):
            place = batch.places(name)
            its = signals.si(name, batch.value[place])
            if name in SIGNALS:
                self._rows[name] = _Row(place, batch.t_us[place], its)
            elif len(place):
                its = signals.believed(name, its)
                self._air[name] = its, _counts(place, self.count)
            value[place] = its
        # how far time has come by each place: by all that is known, and by the signals alone
        is_signal = [number for number, name in self._channel.items() if name in SIGNALS]
        self._latest_us = _latest_us(batch, list(self._channel))
        self._come_us = _latest_us(batch, is_signal)
        self._number, self._t_us, self._value = batch.number, batch.t_us, value
        self._ahead: _Ahead | None = None
        self._events: _Events | None = None
        self._low: Ints | None = None

    def one(self, at: int) -> One | None:
        """The sample of a signal at a place; None for the room's air, which is breathed, and for what nobody knows."""
        channel = self._channel.get(self._number.item(at))
        if channel is None:
            return None
        t_us, value = self._t_us.item(at), self._value.item(at)
        self._signals.t_us = max(self._signals.t_us, t_us)
        if channel in SIGNALS:
            return One(channel, t_us, value)
        self._signals.breathe(channel, value)
        return None

    def collected_until(self, at: int, until_us: int) -> int:
        """The place of the first sample from ``at`` on by which a signal has come to a time; or the end."""
        return at + int(self._come_us[at:].searchsorted(until_us))

    def next_us(self, signal: str, at: int) -> int | None:
        """The time of a signal's first sample from a place on; None where none comes."""
        row = self._rows.get(signal, _NOTHING)
        first = int(row.place.searchsorted(at))
        return row.t_us.item(first) if first < row.t_us.size else None

    def as_sent(self, at: int, end: int) -> Iterator[tuple[str, list[int], list[float]]]:
        """Each signal's samples from ``at`` up to, but without, ``end``, no zero subtracted: times and SI values."""
        if end <= at:
            return
        for name, row in self._rows.items():
            first, last = row.place.searchsorted((at, end)).tolist()
            t_us, values = row.t_us[first:last].tolist(), row.value[first:last].tolist()
            self._signals.keep_many(name, t_us, values)
            yield name, t_us, values
        self._breathe(end)
        self._signals.t_us = max(self._signals.t_us, self._latest_us.item(end - 1))

    def away_until(self, at: int, limit_m: float) -> int:
        """The place of the first lift from ``at`` on that the indicator sent within a limit of its zero; or the end."""
        if self._low is None:
            row = self._rows.get("lift", _NOTHING)
            self._low = row.place[np.abs(row.value) <= limit_m]
        low = int(self._low.searchsorted(at))
        return self._low.item(low) if low < self._low.size else self.count

    def use(
        self, at: int, end: int, stabiliser: Stabiliser, lift_is_seen: bool, beside: Beside | None
    ) -> tuple[int, Sightings]:
        """Hand the samples from ``at`` up to, but without, ``end`` to the stabiliser, until it has a reading.

        ``beside`` turns area and mass flow into those that are judged, where they are others. Gives the place of the
        next sample, and the lift samples, where it is seen.
        """
        if end <= at:
            return at, _UNSEEN
        signals = self._signals
        ahead = self._ahead = self._ahead or self._look_ahead(at)
        events = self._events = self._events or _in_order(ahead, lift_is_seen)
        first, last = np.searchsorted(events.place, (at, end)).tolist()
        span = slice(first, last)
        one, other = events.first[span], events.second[span]
        if beside is not None:
            one, other = _beside(beside, events, span, ahead.flow)
        used = stabiliser.push_many(events.kind[span], events.t_us[span], one, other)
        if used < last - first:
            end = events.place.item(first + used - 1) + 1
        pressure, meter, lift, flow = (slice(its.item(at), its.item(end)) for its in ahead.counts)
        pressure_us, pressure_pa = (its[pressure].tolist() for its in ahead.pressure[1:])
        lift_us, lift_m = ahead.lift.t_us[lift], ahead.lift.lift_m[lift]
        flow_us, area_m2 = (its[flow].tolist() for its in ahead.flow[1:3])
        signals.keep_many("test_pressure", pressure_us, pressure_pa)
        signals.keep_many("meter_pressure", *(its[meter].tolist() for its in ahead.meter[1:]))
        signals.keep_many("lift", lift_us, lift_m)
        signals.keep_many("area", flow_us, area_m2)
        if meter.start < meter.stop:
            # whether there is a flow, and why not, is known as of the meter's last sample
            self._breathe(ahead.meter.place.item(meter.stop - 1))
            signals.model()
        self._breathe(end)
        signals.t_us = max(signals.t_us, self._latest_us.item(end - 1))
        if not lift_is_seen:
            return end, _UNSEEN
        return end, Sightings._make(column[lift] for column in ahead.lift)

    def _look_ahead(self, at: int) -> _Ahead:
        """The rest of the batch: the zeros and the meter's range stay as they are until its steps are over."""
        pressure, meter, lift = (self._corrected(name, at) for name in ("test_pressure", "meter_pressure", "lift"))
        latest = self._signals.latest
        pressure_pa, area_m2 = latest("test_pressure"), latest("area")
        flow = self._flows(meter, *_before(meter.place, pressure.place, pressure.value, pressure_pa))
        areas = _or_none(*_before(lift.place, flow.place, flow.area_m2, area_m2))
        pressures = _or_none(*_before(lift.place, pressure.place, pressure.value, pressure_pa))
        seen = Sightings(lift.place.tolist(), lift.t_us.tolist(), lift.value.tolist(), areas, pressures)
        counts = tuple(_counts(its.place, self.count) for its in (pressure, meter, lift, flow))
        return _Ahead(pressure, meter, seen, flow, counts)

    def _corrected(self, signal: str, at: int) -> _Row:
        """A signal's samples from a place on, zero-corrected."""
        row = self._rows.get(signal, _NOTHING)
        first = int(np.searchsorted(row.place, at))
        return _Row(row.place[first:], row.t_us[first:], row.value[first:] - self._signals.zero(signal))

    def _flows(self, meter: _Row, pressure_pa: Floats, unknown: int) -> _Flow:
        """The flow at each of the meter's samples, at the pressure and in the air that came in before it.

        ``unknown``: at so many of them no pressure had come in yet.
        """
        models, which = self._models(meter.place)
        area_m2, mass_kg_s = np.empty((2, len(which)))
        flows = np.arange(len(which)) >= unknown
        # the air's last digits flicker: all samples of one air are worked out together, wherever they stand
        for number, model in enumerate(models):
            its = np.flatnonzero(which == number)
            if model is None:
                flows[its] = False
            else:
                area_m2[its], mass_kg_s[its] = self._signals.flows_by(model, meter.value[its], pressure_pa[its])
        return _Flow(meter.place[flows], meter.t_us[flows], area_m2[flows], mass_kg_s[flows], which[flows], models)

    def _models(self, places: Ints) -> tuple[list[FlowModel | None], NDArray[np.intp]]:
        """The models in all the states of the air that are met, None where there is none; and which at each place."""
        air = self._signals.air()
        # a state is a number: of each quantity the one among its values, 0 for the one before any of the batch
        state = np.zeros(len(places), np.int64)
        for its, counts in self._air.values():
            values, number = np.unique(its, return_inverse=True)
            state = state * (len(values) + 1) + np.append(0, number + 1)[counts[places]]
            # counted anew, so that however many there are no number grows too large
            state = np.unique(state, return_inverse=True)[1]
        _, first, which = np.unique(state, return_index=True, return_inverse=True)
        return [self._model_in(air | self._air_at(place)) for place in places[first].tolist()], which

    def _model_in(self, air: dict[str, float]) -> FlowModel | None:
        try:
            return self._signals.model_in(air)
        except ValueError:
            # said when the batch has come as far
            return None

    def _breathe(self, place: int) -> None:
        """The air as it came in before a place."""
        for channel, value in self._air_at(place).items():
            self._signals.breathe(channel, value)

    def _air_at(self, place: int) -> dict[str, float]:
        """What of the air came in before a place, as it counts there."""
        found = {}
        for channel, (values, counts) in self._air.items():
            count = counts.item(place)
            if count:
                found[channel] = values.item(count - 1)
        return found


def _in_order(ahead: _Ahead, lift_is_seen: bool) -> _Events:
    pressure, flow, lift = ahead.pressure, ahead.flow, ahead.lift if lift_is_seen else _UNSEEN
    counts = len(pressure.place), len(flow.place), len(lift.place)
    place = np.concatenate((pressure.place, flow.place, np.array(lift.place, np.int64)))
    order = place.argsort(kind="stable")
    nothing = np.zeros(counts[0]), np.zeros(counts[2])
    return _Events(
        place[order],
        np.repeat(np.array((PRESSURE, FLOW, LIFT), np.int8), counts)[order],
        np.concatenate((pressure.t_us, flow.t_us, np.array(lift.t_us, np.int64)))[order],
        np.concatenate((pressure.value, flow.area_m2, np.array(lift.lift_m)))[order],
        np.concatenate((nothing[0], flow.mass_kg_s, nothing[1]))[order],
        order - counts[0],
    )


def _beside(beside: Beside, events: _Events, span: slice, flow: _Flow) -> tuple[Floats, Floats]:
    """Areas and mass flows of a span as they are judged."""
    area_m2, mass_kg_s = events.first[span].copy(), events.second[span].copy()
    for i in np.flatnonzero(events.kind[span] == FLOW).tolist():
        model = flow.models[flow.which[events.flow[span.start + i]]]
        area_m2[i], mass_kg_s[i] = beside(area_m2.item(i), mass_kg_s.item(i), model)
    return area_m2, mass_kg_s


def _latest_us(batch: Batch, numbers: list[int]) -> Ints:
    """How far time has come by each place, by the channels of those numbers."""
    counts = np.zeros(256, np.bool_)
    counts[numbers] = True
    latest: Ints = np.maximum.accumulate(np.where(counts[batch.number], batch.t_us, _NEVER_US))
    return latest


def _counts(places: Ints, count: int) -> Ints:
    """How many of the places come before each place of a batch of so many, and before its end."""
    counts = np.zeros(count + 1, np.int64)
    counts[places + 1] = 1
    return counts.cumsum()


def _before(places: Ints, known: Ints, values: Floats, at_first: float | None) -> tuple[Floats, int]:
    """The latest value that is known before each place; and at how many places, the first of all, there is none yet."""
    count = np.searchsorted(known, places)
    found = np.append(np.nan if at_first is None else at_first, values)[count]
    return found, int(np.count_nonzero(count == 0)) if at_first is None else 0


def _or_none(found: Floats, unknown: int) -> list[float | None]:
    return [*repeat(None, unknown), *found[unknown:].tolist()]
