"""A sheet from its pulls: gather the printed data, draw the curve, set the page."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from acquire.flow.convention import flow_unit_said
from acquire.records import ArchivedPull
from acquire.sheet import measured, words
from acquire.sheet.curve import LOOKS, draw_curve
from acquire.sheet.data import (
    MARK_MEANINGS,
    SheetError,
    Units,
    arrange,
    flags_of,
    rows_of,
    series_of,
    started,
    units_of_sheet,
    valve_diameter_m,
)
from acquire.sheet.figures import printed_unit
from acquire.sheet.points_csv import digest_of, payload_of, points_csv
from acquire.sheet.typeset import Job, Page, Space

Paper = Literal["a4", "us-letter"]
LEAST_CURVE_MM = 42.0


@dataclass(frozen=True, slots=True)
class Sheet:
    """A finished flow sheet: ``pdf`` (PDF/A-3b with the points attached) and ``png()``."""

    pdf: bytes
    page: Page

    def png(self, ppi: float = 144.0) -> bytes:
        """The same page as a picture."""
        return self.page.png(ppi)


def sheet_data(pulls: Sequence[ArchivedPull], units: Units, csv_bytes: bytes) -> dict[str, Any]:
    """All that the template prints, as text. ``pulls`` as :func:`arrange` gives them."""
    used = "".join(sorted({mark for row in rows_of(pulls, units) for cell in row.cells if cell for mark in cell.marks}))
    return {
        "shop": words.shop_of(pulls[0].config),
        "attachment": {"name": "points.csv", "description": "The points of this sheet in SI units, full precision"},
        "identifier": words.or_not_given(pulls[0].request.subject.identifier),
        "date": " and ".join(sorted({started(pull).date().isoformat() for pull in pulls})),
        "stamp": words.simulated_stamp(pulls),
        "notices": words.notices_of(pulls, units),
        "head": words.head_of(pulls, units),
        "setup": words.setup_of(pulls, units),
        "measured": measured.measured_of(pulls, units),
        "directions": [pull.request.direction for pull in pulls],
        "colours": [LOOKS[pull.request.direction].colour for pull in pulls],
        "largest": [measured.largest_of(pull, units) for pull in pulls],
        "with_coefficient": [valve_diameter_m(pull) is not None for pull in pulls],
        "units": {
            "lift": printed_unit(units.display.lift),
            "flow": flow_unit_said(printed_unit(units.display.flow), pulls[0].config.reference.convention),
            "pressure": printed_unit(units.display.pressure),
            "held": "test" if any("test_pressure" in p.typed for pull in pulls for p in pull.points) else "held",
        },
        "rows": [asdict(row) for row in rows_of(pulls, units)],
        "marks": [[letter, MARK_MEANINGS[letter]] for letter in used],
        "flags": flags_of(pulls, units),
        "convention": measured.convention_of(pulls[0].config),
        "method": measured.method_of(pulls),
        "sources": [measured.sources_of(pull) for pull in pulls],
        "uids": [pull.uid for pull in pulls],
        "digest": digest_of(csv_bytes),
        "payload": payload_of(pulls, csv_bytes),
        "qr": qr_svg(payload_of(pulls, csv_bytes)),
    }


def qr_svg(payload: str) -> str:
    """The payload as a QR code (ISO/IEC 18004, error correction M), SVG without a date."""
    import segno

    return str(segno.make_qr(payload, error="m").svg_inline(border=0, scale=4))


def make_sheet(pulls: Sequence[ArchivedPull], paper: Paper = "a4") -> Sheet:
    """The flow sheet of one intake pull, one exhaust pull, or both of the same head.

    The same pulls give the same bytes, on every run. Raises
    :class:`SheetError` with one sentence for pulls that no sheet can hold.
    """
    ordered = arrange(pulls)
    units = units_of_sheet(ordered)
    csv_bytes = points_csv(ordered, units)
    data = sheet_data(ordered, units, csv_bytes)
    job = Job("sheet.typ", data, paper, max(started(pull) for pull in ordered))
    series = [series_of(pull, units) for pull in ordered]

    def draw(space: Space) -> str:
        return draw_curve(series, data["units"]["lift"], data["units"]["flow"], space.width_mm, space.height_mm)

    refusal = f"{len(data['rows'])} lifts are more than one page holds: " + (
        "print the intake and the exhaust pull each on its own sheet"
        if len(ordered) == 2
        else "take the points from an export instead"
    )
    page = job.fit(LEAST_CURVE_MM, draw, csv_bytes.decode("utf-8"), refusal)
    return Sheet(page.pdf(), page)


def write_sheet(pulls: Sequence[ArchivedPull], path: Path, paper: Paper = "a4", ppi: float = 200.0) -> None:
    """Write the sheet as ``path``'s suffix says: .pdf or .png."""
    check_suffix(path)
    write_page(make_sheet(pulls, paper), path, ppi)


def check_suffix(path: Path) -> None:
    """Refuse a path that is neither a PDF nor a PNG before any work is done."""
    if path.suffix.lower() not in (".pdf", ".png"):
        raise SheetError(f"{path} ends neither in .pdf nor in .png: name the page with one of them")


def write_page(sheet: Sheet, path: Path, ppi: float) -> None:
    """Write a finished page as PDF or PNG. Raises :class:`SheetError`."""
    made = sheet.pdf if path.suffix.lower() == ".pdf" else sheet.png(ppi)
    try:
        path.write_bytes(made)
    except OSError as error:
        raise SheetError(f"{path} cannot be written ({error.strerror}): choose another folder") from error
