"""What was typed in the form before a pull, read: a request, or one sentence for each bad field. Pure."""

import math
import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from acquire.config import say_first
from acquire.records import BenchSummary, PullRequest, ValveAndPort
from acquire.ui.asked import BOTH, FIELDS, KINDS, SETUP, SUBJECT, TYPED, YES, FieldKind, applies, usual_unit
from acquire.ui.words import figure, read_quantity
from acquire.units import Kind, UnitError, factor, units_of

_UNIT_KINDS: dict[FieldKind, Kind] = {
    "length": "length",
    "lengths": "length",
    "volume": "volume",
    "pressure": "pressure",
    "pressures": "pressure",
}

# what a field can hold: a code scanned into the wrong one is thousands of inches
MOST_SI: dict[str, float] = {"lifts_m": 0.1}
MOST_SI_OF: dict[Kind, float] = {"length": 1.0, "pressure": 101325.0, "volume": 0.01}
_COMMA = re.compile(r"(?<=\d),(?=\d)")
_RANGE = re.compile(r"\s*(\S+)\s+to\s+(\S+)\s+(?:by|step)\s+(\S+)\s*")


def read_list(text: str, kind: Kind, unit: str, bench: BenchSummary) -> tuple[float, ...]:
    """Several quantities with one unit at the end: listed, or ``first to last by step``.

    Raises ``UnitError`` with one sentence.
    """
    body, its_unit = _decimal_points(text.strip()), unit
    for name in sorted(units_of(kind), key=len, reverse=True):
        if re.search(rf"(?:\s|\d){re.escape(name)}$", body):
            body, its_unit = body.removesuffix(name).strip(), name
            break
    spread = _RANGE.fullmatch(body)
    parts = list(spread.groups()) if spread else [part for part in re.split(r"[\s,;]+", body) if part]
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        wrong = next(part for part in parts if not _is_number(part))
        few, many = ("0.1 0.2 0.3", "0.1 to 0.8 by 0.1") if kind == "length" else ("10 20 28", "10 to 28 by 6")
        raise UnitError(f"{_short(wrong)} is not a number: write {few} {unit}, or {many} {unit}") from None
    if not all(map(math.isfinite, numbers)):
        raise UnitError(f"{_short(text)} holds a number without end: check it")
    if spread:
        first, last, by = numbers
        if by <= 0 or last < first or (last - first) / by > 200:
            raise UnitError(f"{first:g} to {last:g} by {by:g} gives no list that rises: check the three numbers")
        numbers = [
            first + i * by for i in range(round((last - first) / by + 1e-9) + 1) if first + i * by <= last + 1e-9
        ]
    return tuple(round(number * factor(its_unit, bench.water), 12) for number in numbers)


def _decimal_points(text: str) -> str:
    """The list with points for decimal commas: one between two digits is one where something else parts the numbers."""
    if "." in text or not _COMMA.search(text):
        return text
    if re.search(r"\d[\s;]+\d", text) or _RANGE.search(text):
        return _COMMA.sub(".", text)
    if len(_COMMA.findall(text)) == 1:
        raise UnitError(f"{_short(text)} could be one number or two: write a point in one, a blank between two")
    return text


def _short(text: str) -> str:
    """What was typed, in quotes, as far as a sentence has room for it."""
    return repr(text if len(text) <= 40 else f"{text[:40]}…")


def _is_number(part: str) -> bool:
    try:
        float(part)
    except ValueError:
        return False
    return True


def read_field(name: str, text: str, bench: BenchSummary) -> Any:
    """A field's text as the request wants it; None for an empty quantity. Raises ``ValueError`` with one sentence."""
    its, text = FIELDS[name], text.strip()
    if its.kind == "yesno":
        return text == YES
    if its.kind == "details":
        return _read_details(text, its.hint)
    if its.kind == "valve":
        return _read_valve(_read_details(text, its.hint), bench)
    if its.kind not in _UNIT_KINDS:
        return text
    kind, unit = _UNIT_KINDS[its.kind], usual_unit(its, bench)
    most = MOST_SI.get(name, MOST_SI_OF[kind])
    too_much = f"{_short(text)} is too much: at most {figure(most, unit, bench)} {unit}"
    if its.kind in ("lengths", "pressures"):
        values = read_list(text, kind, unit, bench) if text else ()
        if its.kind == "pressures" and min(values, default=1.0) <= 0:
            raise UnitError(f"{_short(text)}: each test pressure must be above zero")
        if max(values, default=0.0) > most:
            raise UnitError(too_much)
        return values
    if not text:
        return None
    value = read_quantity(text, kind, unit, bench)
    if value <= 0:
        raise UnitError(f"{text} must be above zero")
    if value > most:
        raise UnitError(too_much)
    return value


def _read_details(text: str, hint: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for part in filter(None, (part.strip() for part in text.split(";"))):
        name, colon, value = (piece.strip() for piece in part.partition(":"))
        if not (name and colon and value):
            raise ValueError(f"{_short(part)} has no name and value: write {hint}")
        if name in found:
            raise ValueError(f"{_short(name)} is given twice: keep one of them")
        found[name] = value
    return found


def _read_valve(parts: Mapping[str, str], bench: BenchSummary) -> ValveAndPort:
    written = {name.lower().replace(" ", "_"): value for name, value in parts.items()}
    try:
        return ValveAndPort.model_validate(written, context={"water": bench.water, "text": True})
    except ValidationError as error:
        raise ValueError(say_first(error, ValveAndPort)) from error


def read_form(values: Mapping[str, str], bench: BenchSummary) -> tuple[PullRequest | None, dict[str, str]]:
    """The request, or for each bad field one sentence."""
    read: dict[str, Any] = {}
    faults: dict[str, str] = {}
    for name in FIELDS:
        if not applies(name, values):
            continue
        try:
            read[name] = read_field(name, values.get(name, ""), bench)
        except ValueError as error:
            faults[name] = str(error)
    if not read.get("identifier"):
        faults["identifier"] = "Every pull belongs to a head or plate: scan or type its identifier"
    if not read.get("meter_range"):
        smallest = ": a leak needs the smallest" if KINDS.get(values["kind"]) == "leakage" else ""
        faults["meter_range"] = f"Choose the meter range that is in use, with Left or Right{smallest}"
    for name, what in (("lifts_m", "lifts"), ("test_pressures_pa", "test pressures")):
        if name in read and not read[name] and name not in faults:
            faults[name] = f"Give the {what} to measure at, such as {FIELDS[name].hint}"
    if read.get("test_pressure_pa", 0.0) is None:
        faults["test_pressure_pa"] = "Give the test pressure to hold, such as 28 inH2O"
    if faults:
        return None, faults
    return _build(values, read)


def _build(values: Mapping[str, str], read: dict[str, Any]) -> tuple[PullRequest | None, dict[str, str]]:
    subject = {its.name.removeprefix("subject_"): read[its.name] for its in SUBJECT if its.name in read}
    setup = {its.name.removeprefix("setup_"): read[its.name] for its in SETUP if its.name in read}
    lift = KINDS[values["kind"]] == "lift"
    if not lift:
        setup["test_pressure_pa"] = max(read["test_pressures_pa"])
    asked = {
        "kind": KINDS[values["kind"]],
        "direction": values["direction"],
        "subject": subject,
        "setup": setup,
        "meter_range": read["meter_range"],
        "lifts_m": read.get("lifts_m", ()),
        "test_pressures_pa": read.get("test_pressures_pa", ()),
        "schedule_name": "" if not lift or values["schedule"] == TYPED else values["schedule"],
        "operator": read["operator"],
    }
    try:
        return PullRequest.model_validate(asked), {}
    except ValidationError as error:
        first = error.errors()[0]
        name = str(first["loc"][-1]) if first["loc"] else ("lifts_m" if lift else "test_pressures_pa")
        both = next((part for part in first["loc"] if part in BOTH), None)
        if both is not None:
            name = f"{first['loc'][0]}_{both}"
        return None, {name if name in FIELDS else "identifier": first["msg"].removeprefix("Value error, ")}
