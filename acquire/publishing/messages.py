"""What is published: JSON, SI units with the unit in the name, and the flow once more as the shop reads it."""

from typing import Literal

from acquire.quantity import Table
from acquire.records import ArchivedPull, Frame
from acquire.units import from_si
from acquire.values import Convention, Direction, Point, PullKind, Standing

FORMAT = 1


class PublishedState(Table):
    """``topic/state``, retained: whether the daemon of this bench runs. The broker says the last one for us."""

    format: int = FORMAT
    online: bool
    bench: str
    version: str
    simulated: bool
    since_utc: str


class PublishedReading(Table):
    """One channel as it stands."""

    value: float | None
    unit: str
    state: str
    age_s: float | None


class PublishedLive(Table):
    """``topic/live``: the bench as it stands."""

    format: int = FORMAT
    utc: str
    situation: str
    sentence: str
    flow_m3_s: float | None
    convention: Convention
    standing: Standing
    readings: dict[str, PublishedReading]
    pull: int | None
    subject: str | None

    @classmethod
    def of(cls, frame: Frame, utc: str) -> "PublishedLive":
        """A frame as others need it."""
        return cls(
            utc=utc,
            situation=frame.guide.situation,
            sentence=frame.guide.sentence,
            flow_m3_s=frame.flow_m3_s,
            convention=frame.convention,
            standing=frame.standing,
            readings={
                name: PublishedReading(value=its.value, unit=its.unit, state=its.state, age_s=its.age_s)
                for name, its in frame.readings.items()
            },
            pull=frame.pull_id,
            subject=frame.subject.identifier if frame.subject is not None else None,
        )


class PublishedPoint(Table):
    """``topic/point``: a point as it was committed, with what it is a point of.

    ``pull``, ``step`` and ``take`` together name it for ever. Steps and takes
    count from 1. The last one sent stays at the broker, so that after an
    outage both sides know where to go on.
    """

    format: int = FORMAT
    bench: str
    simulated: bool
    pull: str
    kind: PullKind
    direction: Direction
    subject: str
    model: str
    port: str
    started_utc: str
    step: int
    take: int
    lift_m: float | None
    test_pressure_pa: float
    flow_m3_s: float
    half_width_95_m3_s: float
    leakage_m3_s: float
    flow: float
    half_width_95: float
    flow_unit: str
    convention: Convention
    reference_pressure_pa: float
    effective_area_m2: float
    meter_range: str
    taken_by: Literal["settled", "hand"]
    settled: bool
    held: bool
    remark: str

    @classmethod
    def of(cls, pull: ArchivedPull, point: Point) -> "PublishedPoint":
        """A committed point of ``pull``."""
        request, config = pull.request, pull.config
        unit = config.display.flow
        return cls(
            bench=config.name,
            simulated=pull.simulated,
            pull=pull.uid,
            kind=request.kind,
            direction=request.direction,
            subject=request.subject.identifier,
            model=request.subject.model,
            port=request.subject.port,
            started_utc=pull.started_utc,
            step=point.step + 1,
            take=point.take,
            lift_m=point.step_lift_m,
            test_pressure_pa=point.test_pressure_pa,
            flow_m3_s=point.flow.flow_m3_s,
            half_width_95_m3_s=point.flow.half_width_95_m3_s,
            leakage_m3_s=point.flow.leakage_m3_s,
            flow=from_si(point.flow.flow_m3_s, unit),
            half_width_95=from_si(point.flow.half_width_95_m3_s, unit),
            flow_unit=unit,
            convention=config.reference.convention,
            reference_pressure_pa=config.reference.test_pressure_pa,
            effective_area_m2=point.flow.effective_area_m2,
            meter_range=point.meter_range,
            taken_by=point.taken_by,
            settled=point.settled,
            held=point.hold.held,
            remark=point.remark,
        )
