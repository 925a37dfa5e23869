"""One batch walked through: long stretches that are only collected, with the samples between them to look at.

Until a block of the stabiliser is full nothing is judged, so that a whole
stretch is scaled, turned into flow and handed over at once, channel by
channel; the result is the same to the last bit as sample by sample.
"""

import sys
from bisect import bisect_left
from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np

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
_NO_MORE = (sys.maxsize, 0.0)
Beside = Callable[[float, float], tuple[float, float]]


class _Flow(NamedTuple):
    """What a stretch of the meter's samples gave: places, times, areas, areas and mass flows as they are judged."""

    place: list[int]
    t_us: list[int]
    area_m2: list[float]
    judged_m2: list[float]
    mass_kg_s: list[float]


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
        known = np.full(self.count, _NEVER_US)
        value = np.empty(self.count)
        self._channel = {number: name for number, (name, _) in batch.names.items() if signals.knows(name)}
        self._rows: dict[str, _Row] = {}
        breaths: list[tuple[int, str, float]] = []
        for name in dict.fromkeys(self._channel.values()):
            place = batch.places(name)
            t_us = known[place] = batch.t_us[place]
            its = value[place] = signals.si(name, batch.value[place])
            if name in SIGNALS:
                self._rows[name] = _Row(place.tolist(), t_us.tolist(), its.tolist())
            elif len(place):
                # a value that moved, and the next one, which says whether it stays
                moved = np.diff(its, prepend=np.nan) != 0
                moved[1:] |= moved[:-1]
                moved = np.flatnonzero(moved)
                breaths += zip(place[moved].tolist(), [name] * len(moved), its[moved].tolist(), strict=True)
        self._latest_us = np.maximum.accumulate(known)
        self._number, self._t_us, self._value = batch.number.tolist(), known.tolist(), value.tolist()
        # the room's air where it moved, in the order of arrival
        self._breaths = sorted(breaths)
        self._next_breath = 0

    def one(self, at: int) -> One | None:
        """The sample at a place; None where its channel is not known to the pull."""
        channel = self._channel.get(self._number[at])
        return None if channel is None else One(channel, self._t_us[at], self._value[at])

    def collected_until(self, at: int, until_us: int) -> int:
        """The place of the first signal's sample from ``at`` on that is not before a time; or the end."""
        end = self.count
        for place, t_us, _ in self._rows.values():
            first = bisect_left(t_us, until_us, bisect_left(place, at))
            if first < len(place):
                end = min(end, place[first])
        return end

    def collect(
        self, at: int, end: int, stabiliser: Stabiliser, lift_is_seen: bool, beside: Beside
    ) -> Iterator[Sighting]:
        """Hand the samples from ``at`` up to, but without, ``end`` to the stabiliser, which only collects them.

        ``beside`` turns area and mass flow into those that are judged. Gives the lift samples, where it is seen.
        """
        if end <= at:
            return iter(())
        signals = self._signals
        before_pa, before_m2 = signals.latest("test_pressure"), signals.latest("area")
        pressure = self._kept("test_pressure", at, end)
        lift = self._kept("lift", at, end)
        flow = self._flows(self._kept("meter_pressure", at, end), pressure, before_pa, beside)
        signals.keep_many("area", flow.t_us, flow.area_m2)
        self._breathe(end)
        signals.t_us = max(signals.t_us, int(self._latest_us[end - 1]))
        if not lift_is_seen:
            lift = _NOTHING
        stabiliser.push_many(
            lift_t_us=lift.t_us,
            lift_m=lift.value,
            pressure_t_us=pressure.t_us,
            pressure_pa=pressure.value,
            flow_t_us=flow.t_us,
            area_m2=flow.judged_m2,
            mass_flow_kg_s=flow.mass_kg_s,
        )
        areas = _before(lift.place, flow.place, flow.area_m2, before_m2)
        pressures = _before(lift.place, pressure.place, pressure.value, before_pa)
        return map(Sighting, lift.t_us, lift.value, areas, pressures)

    def _kept(self, signal: str, at: int, end: int) -> _Row:
        """A signal's samples of a stretch, zero-corrected, which are remembered."""
        row = self._rows.get(signal)
        if row is None:
            return _NOTHING
        first = bisect_left(row.place, at)
        last = bisect_left(row.place, end, first)
        zero = self._signals.zero(signal)
        its = _Row(row.place[first:last], row.t_us[first:last], [value - zero for value in row.value[first:last]])
        self._signals.keep_many(signal, its.t_us, its.value)
        return its

    def _flows(self, meter: _Row, pressure: _Row, test_pressure_pa: float | None, beside: Beside) -> _Flow:
        """The flow at each of the meter's samples, at the pressure and in the air that came in before it."""
        flow_at = self._signals.flow_at
        flow = _Flow([], [], [], [], [])
        pressures = zip(pressure.place, pressure.value, strict=True)
        pressure_place, next_pa = next(pressures, _NO_MORE)
        for place, t_us, meter_pa in zip(*meter, strict=True):
            while pressure_place < place:
                test_pressure_pa = next_pa
                pressure_place, next_pa = next(pressures, _NO_MORE)
            if self._next_breath < len(self._breaths):
                self._breathe(place)
            found = flow_at(meter_pa, test_pressure_pa)
            if found is None:
                continue
            judged_m2, mass_flow = beside(*found)
            flow.place.append(place)
            flow.t_us.append(t_us)
            flow.area_m2.append(found[0])
            flow.judged_m2.append(judged_m2)
            flow.mass_kg_s.append(mass_flow)
        return flow

    def _breathe(self, place: int) -> None:
        """The air as it came in before a place."""
        while self._next_breath < len(self._breaths) and self._breaths[self._next_breath][0] < place:
            _, channel, value = self._breaths[self._next_breath]
            self._signals.breathe(channel, value)
            self._next_breath += 1


def _before(places: list[int], known: list[int], values: list[float], at_first: float | None) -> list[float | None]:
    """The latest value that is known before each place."""
    found = (bisect_left(known, place) for place in places)
    return [values[count - 1] if count else at_first for count in found]
