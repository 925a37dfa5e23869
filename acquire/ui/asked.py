"""All that is asked before a pull, as text in fields, and its way to a request and back. Pure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from acquire.records import ArchivedPull, BenchSummary, PullRequest, Setup, Subject, Template, ValveAndPort
from acquire.ui.words import exact, exact_list
from acquire.units import Kind, from_si
from acquire.values import PullKind

FieldKind = Literal[
    "text", "length", "volume", "pressure", "lengths", "pressures", "yesno", "choice", "details", "valve"
]
# what subject and set-up both have: its field carries the name of the one it belongs to
BOTH = ("remarks", "details")
YES, NO, TYPED = "yes", "no", "as typed"
# how a part of a valve is typed, its key, and its kind of quantity
VALVE_PARTS: tuple[tuple[str, str, Kind | None], ...] = (
    ("count", "count", None),
    ("seat width", "seat_width_m", "length"),
    ("seat angle", "seat_angle_rad", "angle"),
    ("throat diameter", "throat_diameter_m", "length"),
    ("stem diameter", "stem_diameter_m", "length"),
    ("minimum section", "minimum_section_m2", "area"),
)
VALVE_HINT = "seat width: 1 mm; stem diameter: 8 mm"
KINDS: dict[str, PullKind] = {"lift pull": "lift", "leakage run, blank plate": "leakage", "reference plate": "plate"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its key in the request, its label, what it takes, an example."""

    name: str
    label: str
    kind: FieldKind
    hint: str = ""


SUBJECT = (
    Field("identifier", "Head identifier", "text", "scan or type"),
    Field("model", "Model", "text"),
    Field("port", "Port", "text", "cylinder or port tested"),
    Field("intake_valve_diameter_m", "Intake valve diameter", "length"),
    Field("exhaust_valve_diameter_m", "Exhaust valve diameter", "length"),
    Field("intake_valve", "Intake seat and port", "valve", VALVE_HINT),
    Field("exhaust_valve", "Exhaust seat and port", "valve", VALVE_HINT),
    Field("order_reference", "Order reference", "text"),
    Field("subject_remarks", "Remarks on the head", "text"),
    Field("subject_details", "What tells heads apart", "details", "plug position: raised; seat: 45 deg"),
)
PULL = (
    Field("kind", "What is run", "choice"),
    Field("direction", "Direction of flow", "choice"),
    Field("schedule", "Lift schedule", "choice"),
    Field("lifts_m", "Lifts", "lengths", "0.1 0.2 0.3 in, or 0.1 to 0.8 by 0.1 in"),
    Field("test_pressures_pa", "Test pressures", "pressures", "10 20 28 inH2O"),
    Field("meter_range", "Meter range", "choice"),
    Field("operator", "Operator", "text"),
)
SETUP = (
    Field("test_pressure_pa", "Test pressure", "pressure"),
    Field("bore_fixture_diameter_m", "Bore fixture diameter", "length"),
    Field("inlet_treatment", "Inlet treatment", "text", "radius plate, clay, manifold"),
    Field("outlet_treatment", "Outlet treatment", "text", "open, pipe with its size"),
    Field("gasket_fitted", "Gasket fitted", "yesno"),
    Field("spark_plug_fitted", "Spark plug fitted", "yesno"),
    Field("spark_plug_reach_m", "Spark plug reach", "length"),
    Field("chamber_volume_m3", "Chamber volume", "volume"),
    Field("springs", "Springs", "text", "test springs or the head's own"),
    Field("setup_remarks", "Remarks on the set-up", "text"),
    Field("setup_details", "Other things kept alike", "details", "name: value; name: value"),
)
# what only a head has: neither a blank plate nor a reference plate is asked for it
HEADS_OWN = frozenset(its.name for its in SUBJECT) - {"identifier", "subject_remarks"}
SECTIONS = (("The head", SUBJECT), ("The pull", PULL), ("The set-up", SETUP))
FIELDS = {its.name: its for _, fields in SECTIONS for its in fields}


def applies(name: str, values: Mapping[str, str]) -> bool:
    """Whether a field is asked for what is run."""
    kind = KINDS.get(values.get("kind", ""), "lift")
    if name in ("schedule", "lifts_m", "test_pressure_pa"):
        return kind == "lift"
    if name in HEADS_OWN:
        return kind == "lift" or bool(values.get(name))
    return name != "test_pressures_pa" or kind != "lift"


def options(name: str, bench: BenchSummary) -> tuple[str, ...]:
    """What a choice offers."""
    if name == "kind":
        return tuple(KINDS)
    if name == "direction":
        return ("intake", "exhaust")
    if name == "schedule":
        return (*bench.schedules, TYPED)
    if name == "meter_range":
        # a range that nobody chose would give a wrong flow: with several there is no first guess
        names = tuple(bench.meter_ranges)
        return names if len(names) == 1 else ("", *names)
    return (NO, YES)


def usual_unit(its: Field, bench: BenchSummary) -> str:
    """The unit of a bare number in this field."""
    if its.kind in ("length", "lengths"):
        return bench.display.lift
    return "cc" if its.kind == "volume" else bench.display.pressure


def blank(bench: BenchSummary) -> dict[str, str]:
    """The form when nothing is known from before."""
    values = {name: options(name, bench)[0] if its.kind in ("choice", "yesno") else "" for name, its in FIELDS.items()}
    values["test_pressure_pa"] = exact(bench.reference.test_pressure_pa, bench.display.pressure, bench)
    values["lifts_m"] = schedule_lifts(values["schedule"], bench)
    return values


def schedule_lifts(name: str, bench: BenchSummary) -> str:
    """A schedule's lifts as typed; empty for none of that name."""
    schedule = bench.schedules.get(name)
    return exact_list(schedule.lifts_m, bench.display.lift, bench) if schedule is not None else ""


def for_kind(kind: PullKind, values: Mapping[str, str], bench: BenchSummary) -> dict[str, str]:
    """The form for this kind of run, with what it needs where nothing was said yet."""
    before = KINDS[values["kind"]]
    filled = dict(values) | {"kind": next(word for word, its in KINDS.items() if its == kind)}
    if before != kind and "leakage" in (before, kind):
        # the range that reads a head is too large for a leak, and the other way about
        filled["meter_range"] = options("meter_range", bench)[0]
    if kind == "leakage":
        filled["identifier"] = filled["identifier"] or "blank plate"
        filled["test_pressures_pa"] = filled["test_pressures_pa"] or leakage_pressures(bench)
    if kind == "plate":
        filled["test_pressures_pa"] = filled["test_pressures_pa"] or filled["test_pressure_pa"]
    return filled


def as_run(pull: ArchivedPull) -> PullRequest:
    """What was asked for, with the meter range that a run on a plate was read with in the end."""
    if pull.request.kind == "lift" or not pull.points:
        return pull.request
    return pull.request.model_copy(update={"meter_range": max(pull.points, key=lambda its: its.t_us).meter_range})


def leakage_pressures(bench: BenchSummary) -> str:
    """Three test pressures for a leakage run, so that a hole and a gap are told apart; as typed."""
    unit = bench.display.pressure
    reference = from_si(bench.reference.test_pressure_pa, unit, bench.water)
    return f"{reference / 3:.2g} {2 * reference / 3:.2g} {reference:.4g} {unit}"


def _written(table: Subject | Setup, prefix: str, bench: BenchSummary) -> dict[str, str]:
    values = {}
    for key, value in table:
        name = f"{prefix}_{key}" if key in BOTH else key
        its = FIELDS[name]
        if isinstance(value, bool):
            values[name] = YES if value else NO
        elif isinstance(value, ValveAndPort):
            values[name] = valve_text(value, bench)
        elif isinstance(value, dict):
            values[name] = "; ".join(f"{what}: {said}" for what, said in value.items())
        elif isinstance(value, float):
            values[name] = exact(value, usual_unit(its, bench), bench)
        else:
            values[name] = value or ""
    return values


def valve_text(its: ValveAndPort, bench: BenchSummary) -> str:
    """What is known of a seat and its port, as typed."""
    units = {"angle": "deg", "area": "in2" if bench.display.lift in ("in", "thou") else "mm2"}
    parts = []
    for name, key, kind in VALVE_PARTS:
        value = getattr(its, key)
        if value is not None and key in its.model_fields_set:
            said = str(value) if kind is None else exact(value, units.get(kind, bench.display.lift), bench)
            if key != "count" or value != 1:
                parts.append(f"{name}: {said}")
    return "; ".join(parts)


def from_request(request: PullRequest, bench: BenchSummary, *, same_head: bool) -> dict[str, str]:
    """The form as the last pull was asked for; the head only if it is the same."""
    values = blank(bench) | _written(request.setup, "setup", bench)
    if same_head:
        values |= _written(request.subject, "subject", bench)
    else:
        # heads of one batch share these
        values["model"] = request.subject.model
        known = _written(request.subject, "subject", bench)
        for name in (
            "intake_valve_diameter_m", "exhaust_valve_diameter_m", "intake_valve", "exhaust_valve", "order_reference",
        ):  # fmt: skip
            values[name] = known[name]
    values["kind"] = next(word for word, kind in KINDS.items() if kind == request.kind)
    values["direction"] = request.direction
    values["operator"] = request.operator
    if request.meter_range in bench.meter_ranges:
        values["meter_range"] = request.meter_range
    if request.test_pressures_pa:
        values["test_pressures_pa"] = exact_list(request.test_pressures_pa, bench.display.pressure, bench)
    _put_lifts(values, request.lifts_m, bench, request.schedule_name)
    return values


def from_template(template: Template, values: Mapping[str, str], bench: BenchSummary) -> dict[str, str]:
    """The form with a template's set-up, direction, range and lifts; the head stays.

    A run on a plate takes the set-up only: what is run, and which way, was chosen before, and a head's range is
    too large for a leak.
    """
    filled = dict(values) | _written(template.setup, "setup", bench)
    lift = KINDS[values["kind"]] == "lift"
    if lift:
        filled["direction"] = template.direction
    if lift and template.meter_range in bench.meter_ranges:
        filled["meter_range"] = template.meter_range
    _put_lifts(filled, template.lifts_m, bench, "")
    return filled


def from_subject(subject: Subject, values: Mapping[str, str], bench: BenchSummary) -> dict[str, str]:
    """The form with what is known of a head that was tested before."""
    known = _written(subject, "subject", bench)
    return dict(values) | {name: text for name, text in known.items() if text and name != "order_reference"}


def _put_lifts(values: dict[str, str], lifts_m: tuple[float, ...], bench: BenchSummary, named: str) -> None:
    if not lifts_m:
        return
    values["lifts_m"] = exact_list(lifts_m, bench.display.lift, bench)
    same = [name for name, schedule in bench.schedules.items() if _alike(schedule.lifts_m, lifts_m)]
    values["schedule"] = named if named in same else same[0] if same else TYPED


def _alike(some_m: tuple[float, ...], others_m: tuple[float, ...]) -> bool:
    """Whether two schedules are the same when typed."""
    return len(some_m) == len(others_m) and all(
        math.isclose(one, other, rel_tol=1e-9) for one, other in zip(some_m, others_m, strict=True)
    )


def template_of(name: str, request: PullRequest) -> Template:
    """A template with this request's set-up and schedule."""
    return Template(
        name=name,
        setup=request.setup,
        direction=request.direction,
        meter_range=request.meter_range,
        lifts_m=request.lifts_m,
    )
