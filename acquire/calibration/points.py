"""Reference points from a file: CSV with the columns reference and reading, or TOML with everything."""

import csv
import tomllib
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from acquire.config import Table, say_first
from acquire.records import Refused


class PointsFile(Table):
    """What a file may hold; options on the command line come first.

    ``points``: pairs of reference (a number in ``unit``, by default the
    channel's, or a string with its own) and reading as the instrument sends it.
    """

    points: tuple[tuple[float | str, float | str], ...] = Field(min_length=1)
    unit: str = ""
    standard: str = ""
    standard_uncertainty: str = ""
    certificate: str = ""
    fit: str = ""
    due: str = ""
    by: str = ""
    remarks: str = ""


def read_points(path: Path) -> PointsFile:
    """Read a file of points. Raises ``Refused`` with one sentence."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise Refused(f"{path} cannot be read ({error.strerror}): check the path.") from error
    except UnicodeDecodeError as error:
        raise Refused(f"{path} is no text (byte {error.start + 1} is not UTF-8): check the path.") from error
    data: dict[str, Any]
    if path.suffix.lower() == ".toml":
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise Refused(f"{path} is not valid TOML: {error}.") from error
        # a date may stand in TOML without quotes
        data = {key: str(value) if key == "due" else value for key, value in data.items()}
    else:
        data = {"points": _rows(path, text)}
    try:
        return PointsFile.model_validate(data)
    except ValidationError as error:
        raise Refused(f"{path}: {say_first(error, PointsFile)}.") from error


def _rows(path: Path, text: str) -> list[tuple[str, str]]:
    delimiter = ";" if ";" in text.split("\n", 1)[0] else ","
    rows = csv.DictReader((line for line in text.splitlines() if line.strip()), delimiter=delimiter)
    names = [name.strip().lower() for name in rows.fieldnames or ()]
    if "reference" not in names or "reading" not in names:
        raise Refused(f"{path}: its first line must name the columns reference and reading.")
    found = []
    for row in rows:
        cells = {name: (cell or "").strip() for name, cell in zip(names, list(row.values())[: len(names)], strict=True)}
        if not cells["reference"] or not cells["reading"]:
            raise Refused(f"{path}, line {rows.line_num}: a reference or a reading is missing.")
        found.append((cells["reference"], cells["reading"]))
    return found
