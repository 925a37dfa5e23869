"""The values that flow from layer to layer: plain, frozen, SI, no behaviour.

Times are monotonic microseconds of one session's clock. Areas are effective
areas: the ideal nozzle throat that would pass the same mass flow between the
same states. A flow is always a statement of an area (see ``Statement``).
"""

from dataclasses import dataclass
from typing import Literal

Direction = Literal["intake", "exhaust"]
PullKind = Literal["lift", "leakage", "plate"]
# what a stated flow means, see ``acquire.flow.statement``
Convention = Literal["same restriction", "by mass", "as is"]
Channel = Literal[
    "test_pressure",
    "meter_pressure",
    "lift",
    "room_pressure",
    "room_temperature",
    "room_humidity",
    "meter_temperature",
]

# the quantity that each channel measures, as a kind of ``acquire.units``
CHANNEL_KINDS: dict[str, str] = {
    "test_pressure": "pressure",
    "meter_pressure": "pressure",
    "lift": "length",
    "room_pressure": "pressure",
    "room_temperature": "temperature",
    "room_humidity": "humidity",
    "meter_temperature": "temperature",
}
REQUIRED_CHANNELS = ("test_pressure", "meter_pressure", "lift")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a schedule. ``lift_m`` is None where no valve is involved."""

    lift_m: float | None
    test_pressure_pa: float


# ---------------------------------------------------------------- stabiliser

StandingState = Literal["waiting", "moving", "settling", "settled", "stuck"]
Missing = Literal["lift", "test pressure", "drift", "noise", "hunting", "readings", "frozen", "signal"]


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the judgement stands now.

    ``missing`` says what keeps it from settled, the most important first.
    ``remaining_s`` estimates the time still needed; None when it cannot say.
    ``half_width_rel`` is the 95 % half-width that would be stated now.
    """

    state: StandingState
    missing: tuple[Missing, ...] = ()
    remaining_s: float | None = None
    half_width_rel: float | None = None
    drift_rel_per_min: float | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True)
class NoiseBand:
    """Standard deviation of the flow signal in one band of frequencies, a share of the reading."""

    low_hz: float
    high_hz: float
    sd_rel: float


@dataclass(frozen=True, slots=True)
class Capture:
    """One accepted reading of the effective area, from the stabiliser.

    ``area_m2`` is the settled value of the whole approach, fitted from
    [start, end]: from when lift and test pressure were in place until the
    reading was taken. Its uncertainty includes drift and creep. ``reached``
    is False when the interval asked for could not be had within the longest
    wait, and ``reason`` says so in words. ``rejected`` counts spikes and
    dropouts that were left out. ``noise_bands``: the noise of the flow by octave; none in points of the first version.
    """

    t_start_us: int
    t_end_us: int
    area_m2: float
    standard_uncertainty_m2: float
    dof: float
    noise_m2: float
    correlation_time_s: float
    drift_m2_per_s: float
    n: int
    n_independent: float
    rejected: int
    reached: bool
    reason: str
    noise_bands: tuple[NoiseBand, ...] = ()


# ---------------------------------------------------------------- the hold


@dataclass(frozen=True, slots=True)
class Hold:
    """Did the test pressure hold over a point's window? All in Pa and s.

    ``inside_share`` is the share of the samples inside target +- band.
    ``largest_excursion_pa`` is signed: the sample farthest from the target.
    ``unwitnessed``: the pressure was typed once and lay inside the band then;
    nothing says that it held in between, nor that it did not.
    """

    target_pa: float
    band_pa: float
    mean_pa: float
    deviation_pa: float
    sd_pa: float
    slope_pa_per_s: float
    largest_excursion_pa: float
    inside_share: float
    n: int
    held: bool
    reason: str
    unwitnessed: bool = False

    @property
    def broken(self) -> bool:
        """Whether it is known that it did not hold."""
        return not self.held and not self.unwitnessed


# ---------------------------------------------------------------- flow


@dataclass(frozen=True, slots=True)
class AirState:
    """Moist air: absolute pressure, temperature, relative humidity (0 to 1)."""

    pressure_pa: float
    temperature_k: float
    relative_humidity: float


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget, for the stated flow as an effective area.

    ``standard_uncertainty`` is in the input's own ``unit``;
    ``contribution_rel`` is its effect on the area, relative, one standard
    uncertainty, with its sign (budgets kept by the first version hold the
    magnitude). ``shared`` marks what is common to all readings of the same
    bench and so cancels in a difference.
    """

    name: str
    value: float
    unit: str
    standard_uncertainty: float
    distribution: Literal["normal", "rectangular", "t"]
    dof: float
    contribution_rel: float
    shared: bool


@dataclass(frozen=True, slots=True)
class FlowResult:
    """Flow through the port with its interval.

    ``effective_area_m2`` has the leakage subtracted and is referred to the
    step's lift; ``flow_m3_s`` states it by ``convention``. The uncertainty is
    that of the stated flow, as an area: where the convention counts the air
    of the day, what is not known of that air is in it and in the budget.
    ``half_width_95_m3_s`` = k(dof) * standard uncertainty. ``interval_by``
    says what gave the interval: near zero flow, where the meter's root bends
    too much, it is a Monte Carlo run.
    """

    mass_flow_kg_s: float
    effective_area_m2: float
    standard_uncertainty_m2: float
    dof: float
    coverage_factor: float
    flow_m3_s: float
    half_width_95_m3_s: float
    leakage_m3_s: float
    lift_correction_m3_s: float
    budget: tuple[Component, ...]
    interval_by: Literal["first order", "monte carlo"] = "first order"
    convention: Convention = "same restriction"


# ---------------------------------------------------------------- the pull

Phase = Literal["zero_before", "steps", "zero_after", "ended"]
StepState = Literal["open", "now", "taken", "skipped"]
TakenBy = Literal["settled", "hand"]
Outcome = Literal["complete", "aborted"]


@dataclass(frozen=True, slots=True)
class Zeros:
    """Mean readings with the bench off and the valve closed."""

    t_us: int
    test_pressure_pa: float
    meter_pressure_pa: float
    lift_m: float

    def of(self, channel: str) -> float:
        """The zero of a channel, in SI; 0 of one that has none."""
        if channel == "lift":
            return self.lift_m
        if channel == "test_pressure":
            return self.test_pressure_pa
        return self.meter_pressure_pa if channel == "meter_pressure" else 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """One taken point, as it is committed, shown and printed.

    ``settled`` is False for a point taken by hand before it had settled, and
    for one taken at the end of the longest wait; ``remark`` says why.
    ``take`` counts from 1 for each step; the highest take is the one in
    force, earlier ones are kept. Window means are after the zeros were
    subtracted. ``typed``: the channels that a person typed. With the meter's
    among them nothing judged whether the reading had settled.
    """

    step: int
    take: int
    t_us: int
    taken_by: TakenBy
    settled: bool
    remark: str
    step_lift_m: float | None
    lift_m: float | None
    test_pressure_pa: float
    meter_pressure_pa: float
    room: AirState
    meter_temperature_k: float
    meter_range: str
    capture: Capture
    hold: Hold
    flow: FlowResult
    typed: tuple[Channel, ...] = ()

    @property
    def read_by_eye(self) -> bool:
        """Whether the meter was typed: nothing judged whether the reading had settled."""
        return "meter_pressure" in self.typed

    @property
    def unsettled(self) -> bool:
        """Whether it was judged, and had not settled."""
        return not self.settled and not self.read_by_eye


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that stays written on the whole pull."""

    kind: str
    sentence: str


@dataclass(frozen=True, slots=True)
class StepView:
    """A step as the screen shows it: its state and the points taken, by take."""

    step: Step
    state: StepState
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class PullView:
    """The pull as it stands: what a screen or a sheet needs, nothing hidden."""

    kind: PullKind
    direction: Direction
    phase: Phase
    paused: bool
    outcome: Outcome | None
    now: int | None
    steps: tuple[StepView, ...]
    zeros_before: Zeros | None
    zeros_after: Zeros | None
    marks: tuple[Mark, ...]
