"""What a screen shows at one moment, made from the engine's state."""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from statistics import correlation, linear_regression
from typing import Literal, Protocol

from acquire.calibration.record import Calibration
from acquire.config import BenchConfig
from acquire.daemon.calm import Announced, Remedy
from acquire.daemon.guide import Guidance
from acquire.daemon.silence import Silence
from acquire.pull.core import PullCore
from acquire.records import Frame, Guide, InstrumentState, Reading, ReadingState
from acquire.scaling import channel_settings, scale_for
from acquire.values import REQUIRED_CHANNELS, Convention, Point, Standing, Zeros
from drivers.base import Counts, Instrument
from drivers.sample import Sample

_WAITING = Standing("waiting")
_LIVE_US = 1_000_000
_TREND_US = 3_000_000
# so many lines may be spoilt on the way
_A_FEW = 2
# a straight line that says less than this of what was shown is noise or swings about a mean
_EXPLAINED = 0.5
# of a step's test pressure: below, draughts and the zeros' own band count for as much as the flow does
_CARRYING = 0.1


InstrumentStatus = Literal["opening", "live", "silent", "lost"]


class Source(Protocol):
    """An instrument as a frame shows it: a port's reader, or a recorded one."""

    @property
    def instrument(self) -> Instrument:
        """What it is."""
        ...

    @property
    def state(self) -> InstrumentStatus:
        """Whether it is there."""
        ...

    @property
    def sentence(self) -> str:
        """What is wrong with it now; empty when nothing is."""
        ...

    @property
    def counts(self) -> Counts:
        """What came in and what was not used."""
        ...


@dataclass(frozen=True, slots=True)
class AlwaysThere:
    """A source without a port to lose, nothing of it discarded: a person who types, or a recording."""

    instrument: Instrument
    state: InstrumentStatus = "live"
    sentence: str = ""
    counts: Counts = field(default_factory=Counts)


class FrameMaker:
    """Pure but for the readers' states: the same inputs give the same frame."""

    def __init__(self, config: BenchConfig, sources: Sequence[Source]) -> None:
        self._sources = sources
        self._guidance = Guidance(config.display, config.water, typed_units([its.instrument for its in sources]))
        self._convention = config.reference.convention
        self._zero = config.zero
        self._water = config.water
        self.use({})
        self._trend = _Trend()
        self._announced, self._remedy = Announced(), Remedy()
        # by channel, what had come that was of no use when it was last live: out of range, not to be read
        self._useless: dict[str, tuple[int, int]] = {}
        self._source_of = {channel: source for source in sources for channel in source.instrument.settings.channels}

    def use(self, calibrations: Mapping[str, Calibration]) -> None:
        """Show values by these calibrations from now on, and by the configuration where there is none."""
        instruments = [source.instrument for source in self._sources]
        channels = channel_settings(instruments, calibrations, self._water)
        self._scales = {name: scale_for(its, self._water) for name, its in channels.items()}

    def si(self, channel: str, number: float) -> float:
        """A channel's number as it is shown, in SI."""
        return self._scales[channel].si(number)

    def guidance(self) -> Guidance:
        """The sentences in this bench's units."""
        return self._guidance

    def frame(
        self,
        t_us: int,
        latest: Mapping[str, Sample],
        core: PullCore | None,
        pull_id: int | None,
        announced: tuple[int, Point] | None,
        failure: str,
    ) -> Frame:
        """Everything that a screen shows now."""
        pull = core.view() if core is not None else None
        # in a pull the screen shows what is judged: the readings from their zeros on
        zeros = pull.zeros_before if pull is not None and pull.outcome is None else None
        readings = {name: self._reading(name, t_us, latest.get(name), zeros) for name in self._scales}
        no_flow = core is not None and self._carries_none(core)
        # all parts were checked when they were made
        return Frame.model_construct(
            t_us=t_us,
            readings=readings,
            # outside the steps the last one is not of now
            flow_m3_s=core.stated_flow_m3_s() if core is not None and core.step is not None and not no_flow else None,
            standing=core.standing() if core is not None and core.phase == "steps" else _WAITING,
            guide=self._guide(t_us, core, readings, announced, failure),
            pull_id=pull_id,
            pull=pull,
            subject=core.request.subject if core is not None else None,
            instruments=tuple(_instrument(source) for source in self._sources),
            convention=self._convention,
            no_flow="no pressure" if no_flow else "",
        )

    def _carries_none(self, core: PullCore) -> bool:
        """Whether the test pressure of a step is next to none: an area is that of anything there, even below zero."""
        pressure_pa, step = core.latest("test_pressure"), core.step
        if step is None or pressure_pa is None:
            return False
        # a step so low that the zeros' band covers it is still a step
        band_pa = min(self._zero.pressure_band_pa, step.test_pressure_pa / 2)
        return pressure_pa < max(band_pa, _CARRYING * step.test_pressure_pa)

    def _guide(
        self,
        t_us: int,
        core: PullCore | None,
        readings: Mapping[str, Reading],
        announced: tuple[int, Point] | None,
        failure: str,
    ) -> Guide:
        if failure:
            return Guide(situation="archive_failed", sentence=failure)
        point = self._announced.point(t_us, announced, core.view().now if core is not None else None)
        silence = self._silence(core, readings) if core is not None else self._idle_silence(readings)
        self._trend.note(t_us, readings.get("test_pressure"))
        guide = self._guidance.guide(core, silence, point, self._trend.pa_s, self._at_rest(readings))
        known: dict[str, object] = {}
        if guide.situation == "wrong_range":
            known["sentence"] = self._remedy.said(t_us, guide.sentence)
        else:
            self._remedy.over()
        if core is not None and core.step is not None:
            known["test_pressure_band_pa"] = core.step.test_pressure_pa * core.settling.test_pressure_band
        if core is not None and core.asked:
            known["typed"] = core.asked
            known["typed_unit"] = self._source_of[core.asked].instrument.settings.channels[core.asked].unit
        return guide.model_copy(update=known) if known else guide

    def _reading(self, channel: str, t_us: int, sample: Sample | None, zeros: Zeros | None) -> Reading:
        instrument = self._source_of[channel]
        scale = self._scales[channel]
        source = instrument.instrument.settings.said_source
        typed = instrument.instrument.typed
        if sample is None:
            state: ReadingState = "lost" if instrument.state == "lost" else "stale"
            return Reading(value=None, unit=scale.si_unit, age_s=None, state=state, source=source, typed=typed)
        age_us = max(0, t_us - sample.t_us)
        limit_us = max(_LIVE_US, round(instrument.instrument.settings.silent_after_s * 1e6))
        fresh = typed or age_us <= limit_us
        state = "lost" if instrument.state == "lost" else "live" if fresh else "stale"
        return Reading(
            value=scale.si(sample.value) - (zeros.of(channel) if zeros is not None else 0.0),
            unit=scale.si_unit,
            age_s=age_us / 1e6,
            state=state,
            source=sample.source,
            number=sample.value,
            typed=typed,
        )

    def _at_rest(self, readings: Mapping[str, Reading]) -> list[str]:
        """Of test pressure and lift, what is seen to be near zero."""
        bands = {"test_pressure": self._zero.pressure_band_pa, "lift": self._zero.lift_band_m}
        shown = {name: readings.get(name) for name in bands}
        return [
            name
            for name, its in shown.items()
            if its is not None
            and its.value is not None
            and its.state == "live"
            # what was typed once says nothing of now
            and not its.typed
            and abs(its.value) <= bands[name]
        ]

    def _idle_silence(self, readings: Mapping[str, Reading]) -> Silence | None:
        """The first instrument that should speak by itself and does not: better known before a pull than in it."""
        for channel in REQUIRED_CHANNELS:
            source, reading = self._source_of.get(channel), readings.get(channel)
            if source is None or reading is None or reading.typed or source.instrument.silence_is_normal:
                continue
            if source.state in ("silent", "lost"):
                return self._away(channel, reading, source)
            self._useless[channel] = _useless(source.counts)
        return None

    def _silence(self, core: PullCore, readings: Mapping[str, Reading]) -> Silence | None:
        """The first signal that the pull needs and that is not there."""
        for channel in (*REQUIRED_CHANNELS, "room_pressure", "room_temperature", "room_humidity"):
            reading = readings.get(channel)
            if reading is None or reading.typed or (channel == "lift" and (core.lift_on_press or not core.with_valve)):
                continue
            slow = channel.startswith("room_")
            source = self._source_of[channel]
            if reading.state == "live":
                self._useless[channel] = _useless(source.counts)
            if reading.value is None or (reading.state != "live" and not slow):
                return self._away(channel, reading, source)
        return None

    def _away(self, channel: str, reading: Reading, source: Source) -> Silence:
        """Why there is no reading: by what came since the last one, or before the first."""
        out_of_range, unreadable = _useless(source.counts)
        then = self._useless.get(channel, (0, 0))
        return Silence(
            channel,
            reading.age_s,
            reading.state == "lost",
            _trouble(source) if source.state == "lost" else "",
            outside=source.state == "live" and out_of_range > then[0],
            unreadable=unreadable > then[1] + _A_FEW,
        )


def _useless(counts: Counts) -> tuple[int, int]:
    return counts.out_of_range, counts.garbage_lines + counts.overlong + counts.not_finite


def _trouble(source: Source) -> str:
    """What is wrong with a port, to follow its instrument's name: the port's own name is not read at the bench."""
    its = source.instrument
    said = source.sentence.removeprefix(f"{its.name}: ").rstrip(".")
    port = f"{its.settings.port} "
    return f" {said.removeprefix(port)}" if said.startswith(port) else f": {said}"


def nothing_shown(convention: Convention) -> Frame:
    """Before anything is known."""
    guide = Guide(situation="no_pull", sentence="")
    return Frame(
        t_us=0, readings={}, flow_m3_s=None, standing=_WAITING, guide=guide, pull_id=None, pull=None, subject=None,
        instruments=(), convention=convention,
    )  # fmt: skip


def stood_still(last: Frame, t_us: int, sentence: str) -> Frame:
    """The last frame where none could be made: no reading in it is one of now, and ``sentence`` says why."""
    readings = {name: its.model_copy(update={"state": "stale"}) for name, its in last.readings.items()}
    guide = Guide(situation="archive_failed", sentence=sentence)
    changes = {"t_us": t_us, "readings": readings, "flow_m3_s": None, "standing": _WAITING, "guide": guide}
    return last.model_copy(update=changes | {"no_flow": ""})


class _Trend:
    """How the test pressure moved in the last seconds that were shown: the slope of a straight line through them."""

    def __init__(self) -> None:
        self._shown: deque[tuple[int, float]] = deque()

    def note(self, t_us: int, reading: Reading | None) -> None:
        """What is shown now."""
        if reading is None or reading.value is None or reading.state != "live":
            self._shown.clear()
            return
        if self._shown and t_us < self._shown[-1][0]:
            self._shown.clear()
        self._shown.append((t_us, reading.value))
        while t_us - self._shown[0][0] > _TREND_US:
            self._shown.popleft()

    def pa_s(self, low_pa: float, high_pa: float) -> float | None:
        """The slope up to now since it last came between two pressures.

        None while there is too little to tell it, and where it cannot be told from standing still.
        """
        inside = list(takewhile(lambda its: low_pa <= its[1] <= high_pa, reversed(self._shown)))
        if len(inside) < 8 or inside[0][0] - inside[-1][0] < _TREND_US / 2:
            return None
        times = [t / 1e6 for t, _ in inside]
        values = [value for _, value in inside]
        slope = linear_regression(times, values).slope
        # (a correlation with what does not change at all is none)
        return slope if slope and correlation(times, values) ** 2 > _EXPLAINED else None


def typed_units(instruments: Iterable[Instrument]) -> dict[str, str]:
    """The channels that are typed, and the unit of each."""
    return {name: s.unit for its in instruments if its.typed for name, s in its.settings.channels.items()}


def _instrument(source: Source) -> InstrumentState:
    counts = source.counts
    return InstrumentState(
        name=source.instrument.name,
        state=source.state,
        sentence=source.sentence,
        good_lines=counts.good_lines,
        discarded_lines=counts.discarded,
        reconnects=counts.reconnects,
    )
