"""The comparison page: the verdict in one sentence, both curves, their difference, how they were flowed."""

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from acquire.comparison.compare import Comparison, Side
from acquire.comparison.differences import AtLift
from acquire.comparison.wording import Shown, headline, names, port_table, remarks, table
from acquire.sheet import words
from acquire.sheet.comparison_figure import LOOKS, Drawn, draw_comparison
from acquire.sheet.data import started
from acquire.sheet.figures import printed_unit
from acquire.sheet.make import Paper, Sheet, check_suffix, write_page
from acquire.sheet.measured import convention_of
from acquire.sheet.typeset import Job, Space
from acquire.units import from_si

LEAST_PICTURE_MM = 62.0


def make_comparison_page(its: Comparison, paper: Paper = "a4") -> Sheet:
    """The page, its figures attached as CSV. Raises ``SheetError`` where it does not fit one page."""
    job = Job("comparison.typ", comparison_data(its), paper, max(started(p) for p in (*its.a.pulls, *its.b.pulls)))

    def draw(space: Space) -> str:
        return draw_comparison(drawn(its), space.width_mm, space.height_mm)

    refusal = "these set-ups and lifts are more than one page holds: shorten the remarks, or take --json instead"
    page = job.fit(LEAST_PICTURE_MM, draw, differences_csv(its).decode("utf-8"), refusal)
    return Sheet(page.pdf(), page)


def write_comparison_page(its: Comparison, path: Path, paper: Paper = "a4", ppi: float = 200.0) -> None:
    """Write the page as ``path``'s suffix says: .pdf or .png."""
    check_suffix(path)
    write_page(make_comparison_page(its, paper), path, ppi)


def comparison_data(its: Comparison) -> dict[str, Any]:
    """All that the template prints, as text."""
    pulls = (*its.a.pulls, *its.b.pulls)
    config = its.a.pulls[-1].config
    shown = Shown(config)
    flow_unit, lift_unit = printed_unit(shown.flow_unit), printed_unit(shown.lift_unit)
    sides = [(its.a, 0), (its.b, len(its.a.pulls))]
    rows: list[list[str]] = [
        [
            attribute.name,
            *(attribute.values[place] or "not given" for _, place in sides),
            "factor" if attribute is its.way.factor else "differs" if attribute.differs else "same",
        ]
        for attribute in its.way.attributes
        if attribute.differs or any(attribute.values)
    ]
    return {
        "shop": words.shop_of(config),
        "identifier": " and ".join(names(its)),
        "date": max(started(pull).date() for pull in pulls).isoformat(),
        "stamp": words.simulated_stamp(pulls),
        "notices": [],
        "directions": [its.a.pulls[-1].request.direction],
        "verdict": headline(its),
        "given": its.verdict is not None,
        "names": list(names(its)),
        "colours": [look.colour for look in LOOKS],
        "pulls": [
            ", ".join(f"{pull.uid} of {started(pull).date().isoformat()}" for pull in side.pulls) for side, _ in sides
        ],
        "headings": [
            f"lift\n{lift_unit}",
            f"A\n{flow_unit}",
            f"B\n{flow_unit}",
            f"A − B\n{flow_unit}",
            f"±95 %\n{flow_unit}",
            "A − B\n%",
            f"could show\n{flow_unit}",
            "L/D\nof A",
            "Cd A\ncurtain",
            "Cd B\ncurtain",
            "noise A\n%",
            "noise B\n%",
            "verdict",
        ],
        "rows": [
            [cell.replace("-", "−") if cell != "-" else "" for cell in (*row[:-1], *port, row[-1])]
            for row, port in zip(table(its), port_table(its), strict=True)
        ],
        "setups": rows,
        "remarks": remarks(its),
        "convention": convention_of(config),
        "source": f"{words.or_not_given(config.name)}, steadydraw {its.a.pulls[-1].version}.",
        "attachment": {"name": "differences.csv", "description": "Flows and differences by lift in SI units"},
    }


def drawn(its: Comparison) -> Drawn:
    """The picture's numbers in display units."""
    shown = Shown(its.a.pulls[-1].config)
    verdicts = {at.difference.lift_m: at for at in its.verdict.at} if its.verdict else {}
    at = its.differences.at

    def flow(value: float) -> float:
        return from_si(value, shown.flow_unit)

    judged = [verdicts.get(one.lift_m) for one in at]
    a, b = names(its)
    return Drawn(
        names=(f"A  {a}", f"B  {b}"),
        lift=tuple(from_si(one.lift_m, shown.lift_unit) for one in at),
        flows=(tuple(flow(one.a_m3_s) for one in at), tuple(flow(one.b_m3_s) for one in at)),
        bands=(_own_bands(its.a, at, flow), _own_bands(its.b, at, flow)),
        difference=tuple(flow(one.a_m3_s - one.b_m3_s) for one in at),
        half_width=tuple(flow(one.half_width_95) if one else None for one in judged),
        margin=tuple(flow(its.margin_rel * 0.5 * (one.a_m3_s + one.b_m3_s)) for one in at),
        claimed=tuple(one is not None and one.verdict in ("A higher", "B higher") for one in judged),
        lift_unit=printed_unit(shown.lift_unit),
        flow_unit=printed_unit(shown.flow_unit),
    )


def _own_bands(side: Side, at: Sequence[AtLift], flow: Callable[[float], float]) -> tuple[float, ...]:
    """The stated half-width of the newest pull's point at each lift."""
    return tuple(flow(side.point_at(one.lift_m).flow.half_width_95_m3_s) for one in at)


def differences_csv(its: Comparison) -> bytes:
    """One row a lift, SI units, full precision."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(("lift_m", "a_m3_s", "b_m3_s", "difference_m3_s", "half_width_95_m3_s", "verdict"))
    verdicts = {at.difference.lift_m: at for at in its.verdict.at} if its.verdict else {}
    for one in its.differences.at:
        judged = verdicts.get(one.lift_m)
        difference = one.a_m3_s - one.b_m3_s
        half, verdict = (judged.half_width_95, judged.verdict) if judged else ("", "")
        writer.writerow((one.lift_m, one.a_m3_s, one.b_m3_s, difference, half, verdict))
    return out.getvalue().encode("utf-8")
