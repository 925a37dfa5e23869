"""What is kept and what goes over the wire: requests, records, frames.

The same models serve the archive, the local API and every client. Quantities
are SI numbers inside; where a person writes one (a plan file, a form), a
string such as ``"0.300 in"`` is accepted and becomes SI.
"""

import math
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from acquire.basis import NO_BASIS, Basis
from acquire.config import (
    AnyMeterRange,
    Area,
    BenchConfig,
    Display,
    Leakage,
    Length,
    Pressure,
    Ready,
    Reference,
    RoomAir,
    Schedule,
    Settling,
    Shop,
    Table,
    Volume,
    Zero,
)
from acquire.port.geometry import Valve, seat_area_m2
from acquire.quantity import Angle
from acquire.units import Water
from acquire.values import (
    Convention,
    Direction,
    Mark,
    Outcome,
    Point,
    PullKind,
    PullView,
    Standing,
    Step,
    Zeros,
)
from drivers.base import ChannelSettings
from drivers.errors import DriverError

Text = Annotated[str, Field(max_length=200)]
Details = Annotated[
    dict[Annotated[str, Field(min_length=1, max_length=60)], Text], Field(default_factory=dict, max_length=20)
]


class Refused(Exception):  # noqa: N818 - it reads as a sentence: "raise Refused(...)"
    """What was asked cannot be done. The message is one sentence that says why."""


class ValveAndPort(Table):
    """What is known of one direction's valve and port besides the valve's diameter.

    ``count``: like valves of this port that open together. ``seat_width_m``:
    as seen along the valve's axis, from the head's rim inwards. The throat is
    the bore just under the seat, the minimum section the port's narrowest
    place, stem and guide taken off.
    """

    count: Annotated[int, Field(ge=1, le=4)] = 1
    seat_width_m: Annotated[Length | None, Field(alias="seat_width", gt=0)] = None
    seat_angle_rad: Annotated[Angle | None, Field(alias="seat_angle", gt=0)] = None
    throat_diameter_m: Annotated[Length | None, Field(alias="throat_diameter", gt=0)] = None
    stem_diameter_m: Annotated[Length | None, Field(alias="stem_diameter", gt=0)] = None
    minimum_section_m2: Annotated[Area | None, Field(alias="minimum_section", gt=0)] = None


class Subject(Table):
    """The head (or plate) under test.

    ``intake_valve`` and ``exhaust_valve``: seat and port, as far as known.
    ``details``: whatever else tells heads apart, by name ("plug position": "raised").
    """

    identifier: Annotated[str, Field(min_length=1, max_length=80)]
    model: Text = ""
    port: Text = ""
    intake_valve_diameter_m: Annotated[Length | None, Field(alias="intake_valve_diameter", gt=0)] = None
    exhaust_valve_diameter_m: Annotated[Length | None, Field(alias="exhaust_valve_diameter", gt=0)] = None
    order_reference: Text = ""
    remarks: Annotated[str, Field(max_length=2000)] = ""
    details: Details = Field(default_factory=dict)
    intake_valve: ValveAndPort = ValveAndPort()
    exhaust_valve: ValveAndPort = ValveAndPort()

    def valve_diameter_m(self, direction: Direction) -> float | None:
        """Diameter of the valve's head."""
        return self.intake_valve_diameter_m if direction == "intake" else self.exhaust_valve_diameter_m

    def valve_and_port(self, direction: Direction) -> ValveAndPort:
        """Its seat and port."""
        return self.intake_valve if direction == "intake" else self.exhaust_valve

    def valve(self, direction: Direction) -> Valve | None:
        """The whole geometry, where every part of it is known."""
        its, head_m = self.valve_and_port(direction), self.valve_diameter_m(direction)
        parts = (head_m, its.seat_width_m, its.seat_angle_rad, its.throat_diameter_m, its.stem_diameter_m)
        known = [part for part in parts if part is not None]
        return Valve(*known) if len(known) == len(parts) else None

    @model_validator(mode="after")
    def _parts_fit(self) -> "Subject":
        directions: tuple[Direction, ...] = ("intake", "exhaust")
        for direction in directions:
            its, head_m = self.valve_and_port(direction), self.valve_diameter_m(direction)
            try:
                if its.seat_angle_rad is not None and its.seat_angle_rad >= 0.5 * math.pi:
                    raise ValueError("the seat angle must lie between 0 and 90 deg, from the plane of the head")
                if head_m is not None and its.seat_width_m is not None:
                    seat_area_m2(head_m, its.seat_width_m)
                self.valve(direction)
            except ValueError as error:
                raise ValueError(f"{direction}_valve: {error}") from error
        return self


class Setup(Table):
    """How the head sat on the bench: everything that must be the same twice."""

    bore_fixture_diameter_m: Annotated[Length | None, Field(alias="bore_fixture_diameter", gt=0)] = None
    inlet_treatment: Text = ""
    outlet_treatment: Text = ""
    gasket_fitted: bool = False
    spark_plug_fitted: bool = False
    spark_plug_reach_m: Annotated[Length | None, Field(alias="spark_plug_reach", gt=0)] = None
    chamber_volume_m3: Annotated[Volume | None, Field(alias="chamber_volume", gt=0)] = None
    springs: Text = ""
    test_pressure_pa: Annotated[Pressure, Field(alias="test_pressure", gt=0)] = 28 * 249.08891
    remarks: Annotated[str, Field(max_length=2000)] = ""
    details: Details = Field(default_factory=dict)


class PullRequest(Table):
    """All that is asked before a pull.

    ``lifts_m`` for a lift pull; ``test_pressures_pa`` for a leakage run or a
    reference plate (several pressures, no valve).
    """

    kind: PullKind = "lift"
    direction: Direction
    subject: Subject
    setup: Setup
    meter_range: str
    lifts_m: Annotated[tuple[Length, ...], Field(alias="lifts")] = ()
    test_pressures_pa: Annotated[tuple[Pressure, ...], Field(alias="test_pressures")] = ()
    schedule_name: Text = ""
    operator: Text = ""

    @model_validator(mode="after")
    def _steps_fit_kind(self) -> "PullRequest":
        if self.kind == "lift":
            if not self.lifts_m:
                raise ValueError("a lift pull needs lifts")
            if self.test_pressures_pa:
                raise ValueError("a lift pull takes its test pressure from the set-up: leave out test_pressures")
            if self.lifts_m[0] <= 0 or any(b <= a for a, b in zip(self.lifts_m, self.lifts_m[1:], strict=False)):
                raise ValueError("lifts must be above zero and rise from step to step")
        else:
            if not self.test_pressures_pa:
                raise ValueError(f"a {self.kind} run needs test_pressures")
            if min(self.test_pressures_pa) <= 0:
                raise ValueError("test_pressures must be above zero")
        return self

    def steps(self) -> tuple[Step, ...]:
        """The steps in the order in which they are asked for."""
        if self.kind == "lift":
            return tuple(Step(lift, self.setup.test_pressure_pa) for lift in self.lifts_m)
        return tuple(Step(None, pressure) for pressure in self.test_pressures_pa)


class Template(Table):
    """A named set-up with its schedule, so that twenty heads are done alike."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    setup: Setup
    direction: Direction
    meter_range: str
    lifts_m: Annotated[tuple[Length, ...], Field(alias="lifts")] = ()


ActionKind = Literal["take", "retake", "skip", "back", "pause", "go_on", "abort", "range", "press"]


class Action(Table):
    """Something the operator did.

    ``take``: take the present step by hand. ``retake``: go to ``step`` (or
    the last taken one) and take it again, the earlier take is kept. ``skip``:
    leave this step (or this zero check) out. ``back``: return to the previous
    step. ``range``: the meter range now in use. ``press``: the indicator's
    data button, which counts as ``take``.
    """

    kind: ActionKind
    step: int | None = None
    meter_range: str = ""
    by: Text = ""


class Entry(Table):
    """A value that a person typed, or a device that types: the text as it came."""

    channel: Annotated[str, Field(max_length=60)]
    text: Annotated[str, Field(max_length=60)]
    by: Text = ""


class Entered(Table):
    """What an entry was read as: a number in the channel's unit."""

    channel: str
    number: float
    unit: str


class LeakageLaw(Table):
    """Leakage as an effective area over the test pressure, from a blank-plate run.

    area = ``area_m2`` - ``gap_area_m2`` (1 - (p / reference)^0.5): a hole and a
    thin gap, see ``acquire.leakage.run``. ``standard_uncertainty_m2`` holds at the
    reference, ``gap_uncertainty_m2`` and ``covariance_m4`` carry it to other
    pressures. Where ``gap_uncertainty_m2`` is None (laws of the first version)
    area = ``area_m2`` (p / reference)^``exponent``; else ``exponent`` only
    says how the area goes with pressure near the reference.

    ``below_m2``: the leak could not be told from none; it is smaller than this.
    """

    pull_id: int
    direction: Direction
    measured_utc: str
    reference_pressure_pa: float
    area_m2: float
    exponent: float = 0.0
    standard_uncertainty_m2: float
    dof: float
    gap_area_m2: float = 0.0
    gap_uncertainty_m2: float | None = None
    covariance_m4: float = 0.0
    below_m2: float | None = None


# ---------------------------------------------------------------- live

ReadingState = Literal["live", "stale", "lost"]
Situation = Literal[
    "no_pull",
    "archive_failed",
    "signal_lost",
    "close_valve",
    "stop_blower",
    "hold_zero",
    "wrong_range",
    "open_valve",
    "close_down",
    "raise_pressure",
    "lower_pressure",
    "hold_moving",
    "hold_settling",
    "stuck",
    "type_value",
    "taken",
    "paused",
    "ended",
    "aborted",
]


class Wants(Table):
    """What the guide asks of the operator, as numbers."""

    lift_m: float | None = None
    test_pressure_pa: float | None = None
    direction: Direction | None = None
    meter_range: str = ""
    fitted: Literal["head", "blank plate", "reference plate"] = "head"


class Guide(Table):
    """The one thing to do now, as a sentence in the operator's units.

    ``typed``: the channel that a number typed now is taken for, in ``typed_unit``; both empty where none is.
    ``test_pressure_band_pa``: half the width of the band that the step's test pressure is held to; None without a step.
    """

    situation: Situation
    sentence: str
    wants: Wants = Wants()
    typed: str = ""
    typed_unit: str = ""
    test_pressure_band_pa: float | None = None


class Reading(Table):
    """One channel as it stands: SI value, age, state, where it came from; ``number`` as the instrument sent it.

    ``typed``: a person's, and as old as ``age_s`` says.
    """

    value: float | None
    unit: str
    age_s: float | None
    state: ReadingState
    source: str
    number: float | None = None
    typed: bool = False


class InstrumentState(Table):
    """One instrument: is it there, what was discarded."""

    name: str
    state: Literal["opening", "live", "silent", "lost"]
    sentence: str = ""
    good_lines: int = 0
    discarded_lines: int = 0
    reconnects: int = 0


class Frame(Table):
    """Everything a screen shows at one moment.

    ``flow_m3_s`` is the flow now, stated at the reference test pressure by
    ``convention`` (before the leakage is known it is included, see the point).
    ``commander`` is the name of the screen in command and ``commander_id`` its
    id, to be compared with one's own (``acquire.wire.Screen``); both are empty
    where no screen is. ``no_flow`` says why a step has no flow now, where that
    is known: a test pressure that is next to none carries no figure.
    """

    t_us: int
    readings: dict[str, Reading]
    flow_m3_s: float | None
    standing: Standing
    guide: Guide
    pull_id: int | None
    pull: PullView | None
    subject: Subject | None
    instruments: tuple[InstrumentState, ...]
    convention: Convention = "same restriction"
    commander: str = ""
    commander_id: str = ""
    no_flow: Literal["", "no pressure"] = ""


class BenchChannel(Table):
    """A channel as it is configured: of which instrument, and how its numbers become a quantity."""

    instrument: str
    settings: ChannelSettings
    typed: bool = False


class BenchSummary(Table):
    """The bench as a client needs it: its units, what it asks for, its ranges and schedules.

    ``simulated``: at least one instrument is a simulated one. ``settling``
    holds the band on the test pressure and the tolerance on the lift.
    """

    name: str
    version: str
    simulated: bool
    water: Water
    shop: Shop
    display: Display
    reference: Reference
    settling: Settling
    zero: Zero
    meter_ranges: dict[str, AnyMeterRange]
    schedules: dict[str, Schedule]
    leakage: Leakage = Leakage()
    ready: Ready = Ready()
    channels: dict[str, BenchChannel] = Field(default_factory=dict)
    room: RoomAir = RoomAir()

    @classmethod
    def of(cls, config: BenchConfig, version: str, simulated: bool) -> "BenchSummary":
        """The summary of a configuration."""
        return cls(
            name=config.name,
            version=version,
            simulated=simulated,
            water=config.water,
            shop=config.shop,
            display=config.display,
            reference=config.reference,
            settling=config.settling,
            zero=config.zero,
            meter_ranges=config.meter.ranges,
            schedules=config.schedules,
            leakage=config.leakage,
            ready=config.ready,
            channels=bench_channels(config),
            room=config.room,
        )


def bench_channels(config: BenchConfig) -> dict[str, BenchChannel]:
    """Every configured channel; none where an instrument's entry cannot be read any more."""
    try:
        instruments = config.make_instruments()
    except DriverError:
        return {}
    return {
        channel: BenchChannel(instrument=its.name, settings=plain_settings(settings), typed=its.typed)
        for its in instruments
        for channel, settings in its.settings.channels.items()
    }


def plain_settings(settings: ChannelSettings) -> ChannelSettings:
    """What every channel has, without what only its driver knows."""
    return ChannelSettings(**{name: getattr(settings, name) for name in ChannelSettings.model_fields})


EventKind = Literal["taken", "step", "phase", "mark", "notice", "zeros", "ended", "began", "action", "command"]


class LiveEvent(Table):
    """Something that happened once; ``number`` counts within the daemon's run."""

    number: int
    kind: EventKind
    t_us: int
    sentence: str
    pull_id: int | None = None
    point: Point | None = None


# ---------------------------------------------------------------- the archive, as read back


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One continuous recording by one run of the daemon."""

    id: int
    pull_id: int
    started_utc: str
    ended_utc: str | None
    version: str
    config_text: str
    samples: int
    state_json: str = ""


@dataclass(frozen=True, slots=True)
class PullRow:
    """One line of ``steadydraw list``."""

    id: int
    uid: str
    kind: PullKind
    direction: Direction
    subject: str
    model: str
    started_utc: str
    outcome: Outcome | None
    steps: int
    taken: int
    marks: int
    simulated: bool


@dataclass(frozen=True, slots=True)
class Imported:
    """Where a pull came from that was not taken with this archive."""

    origin: str
    packed_utc: str
    imported_utc: str


@dataclass(frozen=True, slots=True)
class ArchivedPull:
    """A pull as the archive holds it, everything a sheet or an export needs.

    ``points`` are all takes in the order they were taken; ``in_force`` the
    last take of each step, by step.
    """

    id: int
    uid: str
    request: PullRequest
    config: BenchConfig
    started_utc: str
    ended_utc: str | None
    outcome: Outcome | None
    version: str
    sources: dict[str, str]
    points: tuple[Point, ...]
    skipped: tuple[int, ...]
    zeros_before: Zeros | None
    zeros_after: Zeros | None
    marks: tuple[Mark, ...]
    leakage: LeakageLaw | None
    sessions: tuple[SessionRow, ...]
    basis: Basis = NO_BASIS
    imported: Imported | None = None

    @property
    def in_force(self) -> dict[int, Point]:
        """The last take of each step, by step number."""
        return {point.step: point for point in sorted(self.points, key=lambda p: (p.step, p.take))}

    @property
    def simulated(self) -> bool:
        """Whether any value of this pull came from a simulated instrument."""
        return any(source.startswith("sim://") for source in self.sources.values())
