"""From the sheet's data to PDF and PNG: one template, bundled fonts, no network, no dates of now."""

import functools
import json
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from acquire.sheet.data import SheetError

FOLDER = Path(__file__).parent
# roomy first: the first that leaves the picture its least height on one page is used
DENSITIES = ("roomy", "close", "tight")


@dataclass(frozen=True, slots=True)
class Space:
    """The room that the text leaves for a picture on one page."""

    width_mm: float
    height_mm: float


def _typst() -> Any:
    try:
        import typst
    except ImportError as error:
        raise SheetError(
            "this machine has no typesetter (the package typst): print the sheet on another machine"
        ) from error
    return typst


@functools.cache
def _fonts() -> Any:
    return _typst().Fonts(include_system_fonts=False, font_paths=[str(FOLDER / "fonts")])


@functools.cache
def _characters() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    sets = [set(FT2Font(str(path)).get_charmap()) for path in sorted((FOLDER / "fonts").glob("*.ttf"))]
    return frozenset(set.intersection(*sets))


def printable(value: Any) -> Any:
    """Any data with its text made printable: a character that the font lacks becomes "?"."""
    if isinstance(value, str):
        known = _characters()
        composed = unicodedata.normalize("NFC", value)
        return "".join(
            character if ord(character) in known else " " if character.isspace() else "?"
            for character in composed
            if unicodedata.category(character) not in ("Cf", "Cc", "Mn") or character.isspace()
        )
    if isinstance(value, dict):
        return {key: printable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [printable(item) for item in value]
    return value


@dataclass(frozen=True, slots=True)
class Job:
    """One page to set: a template's name, its data, its paper and its moment."""

    template: str
    data: dict[str, Any]
    paper: str
    moment: datetime

    def _inputs(self, density: str, picture: str, attachment: str) -> dict[str, str]:
        return {
            "data": json.dumps(printable(self.data), ensure_ascii=False, allow_nan=False),
            "paper": self.paper,
            "density": density,
            "picture": picture,
            "attachment": attachment,
        }

    def space(self, density: str) -> Space | None:
        """The room left for the picture; None where the text needs more than one page."""
        found = _typst().query(
            self._source(),
            "<space>",
            field="value",
            one=True,
            root=str(FOLDER),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs=self._inputs(density, "", ""),
        )
        seen = json.loads(found)
        return Space(seen["width"], seen["height"]) if seen["pages"] == 1 else None

    def _source(self) -> bytes:
        return (FOLDER / self.template).read_bytes()

    def fit(self, least_height_mm: float, draw: Callable[[Space], str], attachment: str, refusal: str) -> "Page":
        """Set the page at the roomiest density that fits, else refuse with ``refusal``."""
        for density in DENSITIES:
            space = self.space(density)
            if space is not None and space.height_mm >= least_height_mm:
                return Page(self, self._inputs(density, draw(space), attachment))
        raise SheetError(refusal)


@dataclass(frozen=True, slots=True)
class Page:
    """A page that fits, ready to become PDF or PNG."""

    job: Job
    inputs: dict[str, str]

    def pdf(self) -> bytes:
        """PDF/A-3b: the attached points are part of it."""
        return self._compile(format="pdf", pdf_standards="a-3b", timestamp=int(self.job.moment.timestamp()))

    def png(self, ppi: float) -> bytes:
        return self._compile(format="png", ppi=ppi)

    def _compile(self, **options: Any) -> bytes:
        compiler = _typst().Compiler(
            self.job._source(),
            root=str(FOLDER),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs=self.inputs,
        )
        made, warnings = compiler.compile_with_warnings(**options)
        if warnings:
            raise SheetError(f"the sheet could not be typeset cleanly: {warnings[0].message}")
        if not isinstance(made, bytes):
            raise SheetError(f"the sheet came out as {len(made)} pages instead of one")
        return made
