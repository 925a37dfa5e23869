"""The evidence page: did the test pressure hold? One trace and its figures for each point."""

import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acquire.hold import INSIDE_SHARE_WANTED
from acquire.records import ArchivedPull
from acquire.sheet import words
from acquire.sheet.curve import LOOKS
from acquire.sheet.data import SheetError, Units, started, units_of_sheet
from acquire.sheet.figures import NOT_GIVEN, number, printed_unit, quantity, signed
from acquire.sheet.make import Paper, Sheet, check_suffix, write_page
from acquire.sheet.trace import draw_trace
from acquire.sheet.typeset import Job, Space
from acquire.steadiness.one_pull import in_the_flow
from acquire.values import Point

if TYPE_CHECKING:  # the store is not needed to print what was read from it
    from acquire.steadiness.one_pull import PointHold, PullHold

TRACE_SHARE = 0.40
LEAST_ROW_MM = 7.4
MOST_ROW_MM = 24.0


def make_steady_page(pull: ArchivedPull, held: "PullHold", paper: Paper = "a4") -> Sheet:
    """The evidence for one pull, its traces attached as CSV. Same input, same bytes.

    Raises :class:`SheetError` where there is no point, or more than one page holds.
    """
    if not held.points:
        raise SheetError(f"pull {pull.id} has no point taken: there is nothing to judge")
    units = units_of_sheet([pull])
    job = Job("steady.typ", steady_data(pull, held, units), paper, started(pull))
    count = len(held.points)

    def draw(space: Space) -> str:
        height = min(space.height_mm / count, MOST_ROW_MM) - 1.4
        colour = LOOKS[pull.request.direction].colour
        width = space.width_mm * TRACE_SHARE
        return json.dumps(
            [draw_trace(one.t_s, one.pressure_pa, one.hold, colour, width, height) for one in held.points]
        )

    refusal = f"{count} points are more than one page holds: take the traces from an export instead"
    page = job.fit(LEAST_ROW_MM * count, draw, traces_csv(held).decode("utf-8"), refusal)
    return Sheet(page.pdf(), page)


def write_steady_page(
    pull: ArchivedPull, held: "PullHold", path: Path, paper: Paper = "a4", ppi: float = 200.0
) -> None:
    """Write the page as ``path``'s suffix says: .pdf or .png."""
    check_suffix(path)
    write_page(make_steady_page(pull, held, paper), path, ppi)


def steady_data(pull: ArchivedPull, held: "PullHold", units: Units) -> dict[str, Any]:
    """All that the template prints, as text."""
    direction = pull.request.direction
    kind = {"lift": "lift pull", "leakage": "leakage run", "plate": "reference plate run"}[pull.request.kind]
    unit = printed_unit(units.display.pressure)
    answer = "Yes, it held" if held.held else "Not measured" if held.unwitnessed else "No, it did not hold"
    return {
        "shop": words.shop_of(pull.config),
        "identifier": words.or_not_given(pull.request.subject.identifier),
        "date": started(pull).date().isoformat(),
        "stamp": words.simulated_stamp([pull]),
        "notices": [],
        "directions": [direction],
        "colour": LOOKS[direction].colour,
        "what": f"{direction} {kind}, pull {pull.uid}",
        "held": held.held,
        "verdict": f"{answer}: {words.pascals_in_units(held.reason, units)}.",
        "target": words.one_or_many([units.pressure_unit(one.hold.target_pa) for one in held.points]),
        "band": words.one_or_many([f"±{quantity(units.pressure(one.hold.band_pa), unit)}" for one in held.points]),
        "unit": unit,
        "lift_unit": printed_unit(units.display.lift) if pull.request.kind == "lift" else "",
        "rows": [_row(one, units) for one in held.points],
        "criterion": (
            f"A point held when the mean, both ends of the straight line through the samples, and at least "
            f"{quantity(number(100 * INSIDE_SHARE_WANTED, 0), '%')} of the samples lie inside the band. "
            "Zeros subtracted. Traces: shaded is the band, the thin line its target, dashed the mean; "
            "samples outside the band are marked in red."
        ),
        "in_the_flow": in_the_flow([one.point for one in held.points]),
        "source": f"Test pressure from {pull.sources.get('test_pressure', NOT_GIVEN)}; "
        f"{words.or_not_given(pull.config.name)}, steadydraw {words.or_not_given(pull.version)}.",
        "attachment": {"name": "traces.csv", "description": "The test pressure of every point, s and Pa"},
        "trace_share": 100 * TRACE_SHARE,
        "most_row_mm": MOST_ROW_MM,
    }


def _row(one: "PointHold", units: Units) -> dict[str, Any]:
    hold, typed = one.hold, "test_pressure" in one.point.typed
    return {
        "lift": _where(one.point, units),
        "target": units.pressure(hold.target_pa),
        "mean": units.pressure(hold.mean_pa),
        "deviation": signed(units.pressure(hold.deviation_pa)),
        "sd": "–" if typed else units.pressure(hold.sd_pa),
        "slope": "–" if typed else signed(units.pressure(60 * hold.slope_pa_per_s)),
        "farthest": "–" if typed else signed(units.pressure(hold.largest_excursion_pa)),
        "inside": "–" if typed else quantity(number(100 * hold.inside_share, 0), "%"),
        "held": hold.held,
        "verdict": "held" if hold.held else "typed" if hold.unwitnessed else "did not hold",
        "reason": words.pascals_in_units(
            words.or_not_given(hold.reason).removeprefix("held ").removeprefix("typed "), units
        ),
    }


def _where(point: Point, units: Units) -> str:
    return f"step {point.step + 1}" if point.step_lift_m is None else units.lift(point.step_lift_m)


def traces_csv(held: "PullHold") -> bytes:
    """Every sample: step (from 0), seconds from the reading's start, test pressure in Pa."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(("step", "t_s", "test_pressure_pa"))
    for one in held.points:
        for t_s, pressure_pa in zip(one.t_s.tolist(), one.pressure_pa.tolist(), strict=True):
            writer.writerow((one.point.step, t_s, pressure_pa))
    return out.getvalue().encode("utf-8")
