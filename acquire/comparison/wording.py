"""A comparison as sentences and as a table in one bench's units."""

import json
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from acquire.comparison.compare import Comparison
from acquire.comparison.event import EventFinding
from acquire.comparison.regions import Unrest
from acquire.comparison.siblings import Siblings
from acquire.comparison.verdict import LiftVerdict
from acquire.config import BenchConfig
from acquire.lifts import lift_digits
from acquire.text import columns
from acquire.units import from_si


class Shown:
    """Numbers in the display units of one bench."""

    def __init__(self, config: BenchConfig) -> None:
        self.lift_unit, self.flow_unit = config.display.lift, config.display.flow

    def lift(self, value_m: float) -> str:
        """A lift without its unit."""
        return f"{from_si(value_m, self.lift_unit):.{lift_digits(self.lift_unit)}f}"

    def flow(self, value_m3_s: float) -> str:
        """A flow without its unit, one decimal for cfm and enough of them for others."""
        its = from_si(abs(value_m3_s), self.flow_unit)
        return f"{from_si(value_m3_s, self.flow_unit):.{1 if its >= 1.0 or self.flow_unit == 'cfm' else 4}f}"

    def signed(self, value_m3_s: float) -> str:
        """A difference of flows with its sign."""
        text = self.flow(value_m3_s)
        return text if text.startswith("-") else f"+{text}"


def names(its: Comparison) -> tuple[str, str]:
    """What the two are called: their identifiers, with the factor's value where it tells them apart."""
    a, b = its.a.identifier, its.b.identifier
    factor = its.way.factor
    if factor is not None:
        of_a, of_b = factor.values[0], factor.values[len(its.a.pulls)]
        return f"{a} ({of_a or 'not given'})", f"{b} ({of_b or 'not given'})"
    if a != b:
        return a, b
    first, second = its.a.pulls[-1], its.b.pulls[-1]
    if first.request.direction != second.request.direction:
        return f"{a} {first.request.direction}", f"{b} {second.request.direction}"
    return f"{a} (pull {first.id})", f"{b} (pull {second.id})"


def headline(its: Comparison) -> str:
    """The verdict in one plain sentence."""
    verdict = its.verdict
    if verdict is None:
        return its.no_verdict
    a, b = names(its)
    shown = Shown(its.a.pulls[-1].config)
    claimed = [at for at in verdict.at if at.verdict in ("A higher", "B higher")]
    where = _lifts([at.difference.lift_m for at in claimed], [at.difference.lift_m for at in verdict.at], shown)
    if verdict.verdict in ("A higher", "B higher"):
        who, other = (a, b) if verdict.verdict == "A higher" else (b, a)
        up_to = "up to " if len(claimed) > 1 else ""
        most = max(claimed, key=lambda at: abs(at.difference.value))
        return (
            f"{who} flows more than {other} {where}, by {up_to}{shown.flow(abs(most.difference.value))} "
            f"± {shown.flow(most.half_width_95)} {shown.flow_unit}."
        )
    if verdict.verdict == "crossing":
        spans = "; ".join(
            f"{shown.lift(low)} and {shown.lift(high)} {shown.lift_unit}" for low, high in verdict.crossings
        )
        first = a if claimed[0].verdict == "A higher" else b
        return f"The curves cross between {spans}: below it {first} flows more, above it the other."
    if verdict.verdict == "equal":
        return f"{a} and {b} flow the same, within {its.margin_rel * 100:.2g} % at every lift."
    could = max(verdict.at, key=lambda at: at.could_show / max(at.difference.margin, 1e-12))
    return (
        f"No difference between {a} and {b} was shown; one of {shown.flow(could.could_show)} {shown.flow_unit} "
        f"at {shown.lift(could.difference.lift_m)} {shown.lift_unit} would have been found in four of five comparisons."
    )


def _lifts(some: Sequence[float], every: Sequence[float], shown: Shown) -> str:
    if len(some) == len(every):
        return "at every lift" if len(every) > 1 else f"at {shown.lift(every[0])} {shown.lift_unit}"
    if len(some) > 1 and list(some) == [x for x in every if some[0] <= x <= some[-1]]:
        return f"from {shown.lift(some[0])} to {shown.lift(some[-1])} {shown.lift_unit}"
    return f"at {', '.join(shown.lift(x) for x in some)} {shown.lift_unit}"


_SAID = {"A higher": "A more", "B higher": "B more", "equal": "same", "not shown": "not shown"}
HEADINGS = ("lift", "A", "B", "A - B", "± 95 %", "A - B %", "could show", "verdict")


def table(its: Comparison) -> list[tuple[str, ...]]:
    """Rows by lift under :data:`HEADINGS`; units as in the heading line made by the caller."""
    shown = Shown(its.a.pulls[-1].config)
    verdicts: dict[float, LiftVerdict] = {at.difference.lift_m: at for at in its.verdict.at} if its.verdict else {}
    rows: list[tuple[str, ...]] = []
    for at in its.differences.at:
        judged = verdicts.get(at.lift_m)
        mean = 0.5 * (at.a_m3_s + at.b_m3_s)
        rows.append(
            (
                shown.lift(at.lift_m),
                shown.flow(at.a_m3_s),
                shown.flow(at.b_m3_s),
                shown.signed(at.a_m3_s - at.b_m3_s),
                shown.flow(judged.half_width_95) if judged else "-",
                f"{(at.a_m3_s - at.b_m3_s) / mean * 100:+.2f}" if mean > 0 else "-",
                shown.flow(judged.could_show) if judged else "-",
                _SAID[judged.verdict] if judged else "-",
            )
        )
    return rows


PORT_HEADINGS = ("L/D", "Cd A", "Cd B", "noise A %", "noise B %")


def port_table(its: Comparison) -> list[tuple[str, ...]]:
    """Rows by lift under :data:`PORT_HEADINGS`: coefficient on the curtain, noise of the flow signal."""
    rows: list[tuple[str, ...]] = []
    for a, b in zip(its.port_a, its.port_b, strict=True):
        numbers = [(a.lift_over_diameter, 3), (a.coefficient, 3), (b.coefficient, 3)]
        cells = ["-" if value is None else f"{value:.{places}f}" for value, places in numbers]
        rows.append((*cells, f"{a.noise_rel * 100:.2f}", f"{b.noise_rel * 100:.2f}"))
    return rows


def comparison_text(its: Comparison) -> str:
    """``steadydraw compare``, for a terminal."""
    a, b = names(its)
    shown = Shown(its.a.pulls[-1].config)
    lines = [_wrapped(headline(its)), "", f"A: {_side(a, its.a.pulls)}", f"B: {_side(b, its.b.pulls)}"]
    if its.a.pulls[-1].simulated or its.b.pulls[-1].simulated:
        lines.append("SIMULATED BENCH: not a measurement.")
    lines += [
        "",
        columns([(f"lift {shown.lift_unit}", f"A {shown.flow_unit}", *HEADINGS[2:]), *table(its)], right=True),
    ]
    ports = [(lift, *row) for (lift, *_), row in zip(table(its), port_table(its), strict=True)]
    lines += ["", columns([(f"lift {shown.lift_unit}", *PORT_HEADINGS), *ports], right=True)]
    lines += ["", *map(_wrapped, remarks(its))]
    return "\n".join(lines)


def _wrapped(sentence: str) -> str:
    return textwrap.fill(sentence, 79, subsequent_indent="  ")


def remarks(its: Comparison) -> list[str]:
    """Everything beside the table, a sentence each."""
    return list(_remarks(its))


def _remarks(its: Comparison) -> Iterator[str]:
    a, b = names(its)
    shown = Shown(its.a.pulls[-1].config)
    sources = sorted({at.from_ for at in its.differences.at if at.difference is not None})
    if sources:
        mounts = "each mount counted once" if its.with_mounts else "every pull counted as a mount of its own"
        yield f"Interval from {' or '.join(sources)}, {mounts}."
        yield "What the bench gets wrong for both heads alike drops out."
    if its.verdict is not None:
        yield (
            f"At {len(its.verdict.at)} lifts together a difference that is none is claimed in at most 5 of 100 "
            f"comparisons. Same: within {its.margin_rel * 100:.2g} %, a margin fixed beforehand."
        )
    for attribute in its.way.overridden:
        yield f"OVERRIDDEN: {attribute.name} differs ({' / '.join(dict.fromkeys(attribute.values))})."
    for attribute in (*its.way.stopping, *its.way.listed):
        values = " / ".join(its_value or "not given" for its_value in dict.fromkeys(attribute.values))
        yield f"Differs: {attribute.name}: {values}."
    for out in its.left_out:
        yield f"Left out: pull {out.pull_id} of {out.identifier}: {out.reason}."
    for who, lifts in ((a, its.differences.only_a_m), (b, its.differences.only_b_m)):
        if lifts:
            yield f"Only {who} was flowed at {', '.join(shown.lift(x) for x in lifts)} {shown.lift_unit}: not compared."
    for region in its.regions:
        if region.higher:
            who = {"A": f"{a} flows more", "B": f"{b} flows more", "both": "both ways"}[region.higher]
            yield (
                f"{region.region.capitalize()} lift: {who}, {abs(region.mean_rel) * 100:.1f} % on average; "
                f"this usually points to {region.points_to} (common practice)."
            )
    if its.verdict is not None and not its.regions:
        yield "Without one valve diameter for both heads it is not said in which region of lift they differ."
    for who, found in ((a, its.unrest_a), (b, its.unrest_b)):
        yield from _unrest(who, found, shown)
    if its.event is not None:
        yield from event_lines(its.event, a, b)


def _unrest(who: str, found: Unrest, shown: Shown) -> Iterator[str]:
    if found.falls_after_m:
        at = ", ".join(shown.lift(x) for x in found.falls_after_m)
        yield f"{who}: the flow falls above {at} {shown.lift_unit}; that usually is separation (common practice)."
    if found.noisy_at_m:
        at = ", ".join(shown.lift(x) for x in found.noisy_at_m)
        yield f"{who}: the flow is restless at {at} {shown.lift_unit}; that usually is separation (common practice)."


def event_lines(its: EventFinding, a: str, b: str) -> Iterator[str]:
    """What the engine sees, a sentence each."""
    share = its.difference_m2 / (0.5 * (its.a.mean_area_m2 + its.b.mean_area_m2)) * 100
    half = its.half_width_95_m2 / (0.5 * (its.a.mean_area_m2 + its.b.mean_area_m2)) * 100
    yield (
        f"Under the cam ({its.remark}): mean effective area {its.a.mean_area_m2 * 1e6:.1f} mm2 for {a}, "
        f"{its.b.mean_area_m2 * 1e6:.1f} mm2 for {b}; difference {share:+.2f} % ± {half:.2f} %."
    )
    if its.degrees is not None:
        low, middle, high = its.degrees
        yield f"The valve spends {low:.0f} degrees at low, {middle:.0f} at middle and {high:.0f} at high lift."
    for who, seen in ((a, its.a), (b, its.b)):
        if seen.knee_rpm is not None:
            index = f" (index {seen.mach_index:.3f} at the speed given)" if seen.mach_index is not None else ""
            yield f"{who}: the inlet Mach index reaches 0.6 at {seen.knee_rpm:.0f} rpm{index}."


def comparison_json(its: Comparison) -> str:
    """The findings for a machine, SI units."""
    record: dict[str, Any] = {
        "headline": headline(its),
        "a": {"identifier": its.a.identifier, "pulls": [pull.id for pull in its.a.pulls]},
        "b": {"identifier": its.b.identifier, "pulls": [pull.id for pull in its.b.pulls]},
        "margin_rel": its.margin_rel,
        "verdict": asdict(its.verdict) if its.verdict else None,
        "no_verdict": its.no_verdict,
        "differences": asdict(its.differences),
        "way": asdict(its.way),
        "left_out": [asdict(out) for out in its.left_out],
        "regions": [asdict(region) for region in its.regions],
        "unrest": {"a": asdict(its.unrest_a), "b": asdict(its.unrest_b)},
        "port": {"a": [asdict(one) for one in its.port_a], "b": [asdict(one) for one in its.port_b]},
        "event": asdict(its.event) if its.event else None,
    }
    return json.dumps(record, indent=2)


def siblings_text(its: Siblings, config: BenchConfig) -> str:
    """``steadydraw siblings``, for a terminal."""
    shown = Shown(config)
    out = [at for at in its.at if at.falls_out]
    if out:
        said = ", ".join(f"{at.falls_out} at {shown.lift(at.lift_m)} {shown.lift_unit}" for at in out)
        first = f"{its.identifier} falls out of {len(its.heads)} other heads of model {its.model}: {said}."
    else:
        first = f"{its.identifier} lies among {len(its.heads)} other heads of model {its.model}."
    rows = [(f"lift {shown.lift_unit}", f"flow {shown.flow_unit}", "mean", "95 % of such heads", "heads", "")]
    rows += [
        (
            shown.lift(at.lift_m),
            shown.flow(at.flow_m3_s),
            shown.flow(at.mean_m3_s),
            f"{shown.flow(at.low_m3_s)} to {shown.flow(at.high_m3_s)}",
            str(at.heads),
            {"low": "LOW", "high": "HIGH", "": ""}[at.falls_out],
        )
        for at in its.at
    ]
    worst = max(at.could_show_rel for at in its.at) * 100
    few = f"; {len(its.heads)} heads can tell no less" if len(its.heads) < 12 else ""
    lines = [first, "", columns(rows, right=True), ""]
    lines.append(f"Of twenty sound heads one is flagged; one that is {worst:.1f} % off is found in 4 of 5 cases{few}.")
    lines += [f"Left out: pull {pull_id}: {reason}." for pull_id, reason in its.left_out]
    return "\n".join(line if "\n" in line else _wrapped(line) for line in lines)


def _side(name: str, pulls: Sequence[Any]) -> str:
    numbers = ", ".join(str(pull.id) for pull in pulls)
    return f"{name}, {pulls[-1].request.direction}, pull{'s' if len(pulls) > 1 else ''} {numbers}"
