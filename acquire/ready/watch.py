"""Watch the bench with the blower off until it is at rest, for a bounded time."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from acquire.client import Client, ClientError, Lost
from acquire.ready.drift import drift_of
from acquire.ready.record import Watched
from acquire.ready.words import Words
from acquire.records import BenchSummary, Frame, InstrumentState, Refused

PRESSURES = ("test_pressure", "meter_pressure")
METER_TEMPERATURE = "meter_temperature"
CHANNELS = (*PRESSURES, "lift", METER_TEMPERATURE)
_RATE = 20.0
_GONE_S = 15.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen. ``still_on`` says what kept the bench from counting as off; empty when it was off."""

    watched: tuple[Watched, ...]
    still_on: str
    span_s: float
    instruments: tuple[InstrumentState, ...]
    measured: frozenset[str]
    live: frozenset[str]

    def channel(self, name: str) -> Watched:
        """One channel's readings; none where it did not send."""
        return next((its for its in self.watched if its.channel == name), Watched(channel=name))


def watch(client: Client, bench: BenchSummary, say: Callable[[str], None]) -> Seen:
    """Tell what to do, wait for it, then watch.

    Raises ``Refused`` while a pull runs, ``ClientError`` without a daemon.
    """
    return asyncio.run(_watch(client, Watching(bench, say), say))


async def _watch(client: Client, watching: "Watching", say: Callable[[str], None]) -> Seen:
    stream = client.live(rate=_RATE)
    try:
        while True:
            try:
                # a frame comes many times a second: without one for so long there is no bench to watch
                item = await asyncio.wait_for(anext(stream), _GONE_S)
            except TimeoutError as error:
                raise ClientError("the daemon has gone while the bench was watched: start it again") from error
            if isinstance(item, Lost):
                say(item.sentence)
            elif isinstance(item, Frame):
                seen = watching.frame(item)
                if seen is not None:
                    return seen
    finally:
        await stream.aclose()


class Watching:
    """Pure: frames in, and once it has seen enough the result out. Time is the frames' own."""

    def __init__(self, bench: BenchSummary, say: Callable[[str], None]) -> None:
        self._bench, self._say = bench, say
        self._words = Words(bench)
        self._told = ""
        self._begun_us: int | None = None
        self._off_us: int | None = None
        self._kept: dict[str, tuple[list[float], list[float]]] = {name: ([], []) for name in CHANNELS}

    def frame(self, frame: Frame) -> Seen | None:
        """Use one frame."""
        if frame.pull is not None and frame.pull.outcome is None:
            raise Refused(
                f"Pull {frame.pull_id} is running: finish or abort it, then check whether the bench is ready."
            )
        ready = self._bench.ready
        if self._begun_us is None:
            self._begun_us = frame.t_us
        on = self._still_on(frame)
        waited_s = (frame.t_us - self._begun_us) / 1e6
        if on:
            self._off_us = None
            for t_s, values in self._kept.values():
                t_s.clear()
                values.clear()
            if waited_s > ready.longest_wait_s:
                return self._seen(frame, on)
            self._tell(on.split(":")[0], f"{on}.")
            return None
        if self._off_us is None:
            self._off_us = frame.t_us
            self._tell("watch", f"Bench off. Watching it for {ready.watch_s:.0f} s: leave blower and valve alone.")
        at_s = (frame.t_us - self._off_us) / 1e6
        self._keep(frame, at_s)
        if at_s < ready.watch_s:
            return None
        moving = self._moving()
        if moving and at_s < ready.longest_wait_s:
            self._tell("moving", f"{moving} still moves: watching on, {ready.longest_wait_s:.0f} s at most.")
            return None
        return self._seen(frame, "")

    def _tell(self, what: str, sentence: str) -> None:
        if what != self._told:
            self._told = what
            self._say(sentence)

    def _still_on(self, frame: Frame) -> str:
        """What to do before the bench is off; empty when it is. A channel that does not send cannot say."""
        zero = self._bench.zero
        for name in PRESSURES:
            reading = frame.readings.get(name)
            if reading is None or reading.state != "live" or reading.value is None:
                continue
            if abs(reading.value) > zero.pressure_band_pa:
                return f"Stop the blower: {name.replace('_', ' ')} reads {self._words.pressure(reading.value)}"
        lift = frame.readings.get("lift")
        if lift is not None and lift.state == "live" and lift.value is not None and abs(lift.value) > zero.lift_band_m:
            return f"Close the valve: lift reads {self._words.lift(lift.value)}"
        return ""

    def _keep(self, frame: Frame, at_s: float) -> None:
        for name, (t_s, values) in self._kept.items():
            reading = frame.readings.get(name)
            if reading is None or reading.state != "live" or reading.value is None:
                continue
            if not t_s or at_s - t_s[-1] >= 0.5:
                t_s.append(round(at_s, 3))
                values.append(reading.value)

    def _moving(self) -> str:
        ready = self._bench.ready
        for name in (*PRESSURES, METER_TEMPERATURE):
            limit = ready.temperature_drift_k if name == METER_TEMPERATURE else ready.zero_drift_pa
            drift = drift_of(self._watched(name), ready.watch_s)
            if drift is not None and abs(drift.change) > limit:
                return f"{name.replace('_', ' ').capitalize()}"
        return ""

    def _watched(self, name: str) -> Watched:
        t_s, values = self._kept[name]
        return Watched(channel=name, t_s=tuple(t_s), values=tuple(values))

    def _seen(self, frame: Frame, still_on: str) -> Seen:
        watched = tuple(self._watched(name) for name in CHANNELS if self._kept[name][0])
        live = frozenset(name for name, reading in frame.readings.items() if reading.state == "live")
        return Seen(watched, still_on, self._bench.ready.watch_s, frame.instruments, frozenset(frame.readings), live)
