"""Two heads, compared: what may be compared, by how much they differ, and what that shows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from acquire.comparison.cam import Cam
from acquire.comparison.differences import SAME_LIFT_M, Differences, Repeats, differences
from acquire.comparison.event import AreaAt, Engine, EventFinding, seen_by_engine
from acquire.comparison.regions import RegionFinding, Unrest, by_region, unrest
from acquire.comparison.setups import SameWay, same_way
from acquire.comparison.verdict import CurveVerdict, judge
from acquire.port.geometry import curtain_area_m2
from acquire.records import ArchivedPull
from acquire.values import Point

# marks by which a pull is no fair witness, and the word by which they are overridden
EXCLUDING = {"hold": "hold", "zero shift": "zero", "zero": "zero", "calibration": "calibration"}


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A pull that takes no part, and why."""

    pull_id: int
    identifier: str
    reason: str


@dataclass(frozen=True, slots=True)
class Side:
    """One head with the pulls that take part."""

    identifier: str
    pulls: tuple[ArchivedPull, ...]

    @property
    def valve_diameter_m(self) -> float | None:
        """Of the port that was flowed, as the newest pull has it."""
        its, direction = self.pulls[-1].request.subject, self.pulls[-1].request.direction
        return its.intake_valve_diameter_m if direction == "intake" else its.exhaust_valve_diameter_m

    @property
    def points(self) -> tuple[Point, ...]:
        """The newest pull's points in force, by rising lift."""
        found = [p for p in self.pulls[-1].in_force.values() if p.step_lift_m is not None]
        return tuple(sorted(found, key=lambda p: p.step_lift_m or 0.0))

    def point_at(self, lift_m: float) -> Point:
        """The newest pull's point at a lift that it was flowed at."""
        return next(p for p in self.points if abs((p.step_lift_m or 0.0) - lift_m) <= SAME_LIFT_M)


@dataclass(frozen=True, slots=True)
class OfPort:
    """Of one head at one lift: lift over diameter, coefficient on the curtain (None without a diameter), flow noise.

    ``noise_rel`` is the relative standard deviation of the flow signal while the newest point was taken.
    """

    lift_over_diameter: float | None
    coefficient: float | None
    noise_rel: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that a comparison found. ``verdict`` is None when none may be given; ``no_verdict`` says why."""

    a: Side
    b: Side
    way: SameWay
    left_out: tuple[LeftOut, ...]
    differences: Differences
    margin_rel: float
    verdict: CurveVerdict | None
    no_verdict: str
    regions: tuple[RegionFinding, ...]
    unrest_a: Unrest
    unrest_b: Unrest
    port_a: tuple[OfPort, ...]
    port_b: tuple[OfPort, ...]
    event: EventFinding | None
    with_mounts: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """How to compare.

    ``factor``: the attribute under question. ``override``: attributes whose
    difference shall not stop the verdict, and ``hold``, ``zero`` or
    ``calibration`` for pulls that would be left out. ``others``: how many
    heads are compared with the first one in turn. ``mounts``: which pulls
    were taken on one mount, by their numbers.
    """

    factor: str = ""
    override: tuple[str, ...] = ()
    margin_rel: float = 0.005
    cam: Cam | None = None
    engine: Engine | None = None
    others: int = 1
    mounts: Mapping[int, int] | None = None


def compare(a: Sequence[ArchivedPull], b: Sequence[ArchivedPull], repeats: Repeats | None, asked: Asked) -> Comparison:
    """Compare two heads by their complete lift pulls, each in order of time.

    Raises ``ValueError`` with one sentence: the same pulls on both sides, no
    usable pull, no common lift, an attribute that nobody knows.
    """
    if {pull.uid for pull in a} & {pull.uid for pull in b}:
        raise ValueError("the same pull is on both sides: a head compared with itself shows nothing")
    left_out: list[LeftOut] = []
    sides = [_side(pulls, asked.override, left_out) for pulls in (a, b)]
    names = set(EXCLUDING.values())
    override = [name for name in asked.override if name.casefold() not in names]
    way = same_way([pull for side in sides for pull in side.pulls], asked.factor, override)
    found = differences(sides[0].pulls, sides[1].pulls, asked.margin_rel, repeats, asked.mounts or {})
    shown = [at.difference for at in found.at if at.difference is not None]
    no_verdict = ""
    if not way.comparable:
        differing = ", ".join(its.name for its in way.stopping)
        no_verdict = f"The heads were not flowed in the same way ({differing}): no verdict."
    elif not shown:
        no_verdict = (
            "Nothing says how far this bench's pulls scatter: flow each head three times, taken off and put back "
            "in between, or make a repeatability study."
        )
    verdict = None if no_verdict else judge(shown, asked.others)
    diameter = sides[0].valve_diameter_m
    same_valve = diameter is not None and diameter == sides[1].valve_diameter_m
    regions: tuple[RegionFinding, ...] = ()
    if verdict is not None and same_valve and diameter is not None:
        flows = [0.5 * (at.a_m3_s + at.b_m3_s) for at in found.at if at.difference is not None]
        regions = by_region(verdict, flows, diameter)
    return Comparison(
        a=sides[0],
        b=sides[1],
        way=way,
        left_out=tuple(left_out),
        differences=found,
        margin_rel=asked.margin_rel,
        verdict=verdict,
        no_verdict=no_verdict,
        regions=regions,
        unrest_a=unrest(sides[0].points),
        unrest_b=unrest(sides[1].points),
        port_a=_of_port(sides[0], found),
        port_b=_of_port(sides[1], found),
        event=_event(found, sides, asked) if verdict is not None else None,
        with_mounts=bool(asked.mounts),
    )


def _side(pulls: Sequence[ArchivedPull], override: Sequence[str], left_out: list[LeftOut]) -> Side:
    if not pulls:
        raise ValueError("one side has no pull: name a head with a complete lift pull, or pulls by number")
    allowed = {name.casefold() for name in override}
    sound = []
    for pull in pulls:
        identifier = pull.request.subject.identifier
        reason = _why_not(pull, allowed)
        if reason:
            left_out.append(LeftOut(pull.id, identifier, reason))
        else:
            sound.append(replace(pull, points=tuple(pull.in_force.values())))
    if not sound:
        said = "; ".join(
            f"pull {its.pull_id}: {its.reason}" for its in left_out if its.pull_id in {p.id for p in pulls}
        )
        raise ValueError(f"no pull of {pulls[0].request.subject.identifier} can be used ({said})")
    return Side(sound[-1].request.subject.identifier, tuple(sound))


def _of_port(side: Side, found: Differences) -> tuple[OfPort, ...]:
    """The newest pull's figures at each common lift."""
    figures, diameter = [], side.valve_diameter_m
    for at in found.at:
        point = side.point_at(at.lift_m)
        noise = point.capture.noise_m2 / point.capture.area_m2 if point.capture.area_m2 > 0.0 else 0.0
        if diameter is None:
            figures.append(OfPort(None, None, noise))
        else:
            on_curtain = point.flow.effective_area_m2 / curtain_area_m2(at.lift_m, diameter)
            figures.append(OfPort(at.lift_m / diameter, on_curtain, noise))
    return tuple(figures)


def _why_not(pull: ArchivedPull, allowed: set[str]) -> str:
    if pull.request.kind != "lift":
        return f"a {pull.request.kind} run has no lifts"
    if pull.outcome != "complete":
        return f"not complete ({pull.outcome or 'still open'})"
    if "hold" not in allowed and any(not point.hold.held for point in pull.in_force.values()):
        broken = any(point.hold.broken for point in pull.in_force.values())
        why = "the test pressure did not hold" if broken else "nothing says that the typed test pressure held"
        return f"{why} (override: hold)"
    for mark in pull.marks:
        word = EXCLUDING.get(mark.kind)
        if word is not None and word not in allowed:
            return f"{mark.sentence.rstrip('.')} (override: {word})"
    return ""


def _event(found: Differences, sides: Sequence[Side], asked: Asked) -> EventFinding | None:
    if asked.cam is None:
        return None
    areas = []
    for at in found.at:
        its = at.difference
        if its is None:
            continue
        point = sides[0].point_at(at.lift_m)
        area_per_flow = point.flow.effective_area_m2 / point.flow.flow_m3_s
        u = its.standard_uncertainty * area_per_flow
        areas.append(AreaAt(at.lift_m, at.a_m3_s * area_per_flow, at.b_m3_s * area_per_flow, u, its.dof))
    return seen_by_engine(asked.cam, areas, (sides[0].valve_diameter_m, sides[1].valve_diameter_m), asked.engine)
