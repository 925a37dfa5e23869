"""Values as JSON and back, equal to the last bit, and times as UTC text.

JSON has no infinity: infinite degrees of freedom (a value known exactly, or
from a certificate) are written as the text ``"Infinity"``. Any other number
that is not finite is refused.
"""

import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import cache

from pydantic import BaseModel, TypeAdapter

from acquire.store.errors import ArchiveError, RefusedRecordError
from acquire.values import Point


def point_text(point: Point) -> str:
    """A complete point. Raises ``RefusedRecordError`` for a number that is not finite."""
    return _dumps(dataclasses.asdict(point), f"the point of step {point.step}")


def point_from(text: str) -> Point:
    """The equal point. Raises ``pydantic.ValidationError``."""
    return _points().validate_json(text)


def model_text(model: BaseModel) -> str:
    """A record, by field names. Raises ``RefusedRecordError`` for a number that is not finite."""
    return _dumps(model.model_dump(), f"the {type(model).__name__}")


def utc_text(text: str) -> str:
    """An ISO time of UTC as ``2026-01-01T12:00:00.000Z``, so that text sorts as time."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError as error:
        raise ArchiveError(f"the archive takes times such as 2026-01-01T12:00:00Z, not {text!r}") from error
    if time.utcoffset() != timedelta(0):
        raise ArchiveError(f"the archive takes UTC times such as 2026-01-01T12:00:00Z, not {text!r}")
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@cache
def _points() -> TypeAdapter[Point]:
    return TypeAdapter(Point)


def _dumps(value: object, where: str) -> str:
    return json.dumps(_plain(value, where), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: object, where: str) -> object:
    if isinstance(value, Mapping):
        return {
            key: "Infinity" if key == "dof" and item == math.inf else _plain(item, f"{where}, {key}")
            for key, item in value.items()
        }
    if isinstance(value, (list, tuple)):
        return [_plain(item, where) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        raise RefusedRecordError(f"{where} is {value}, not a number: it was not kept, please report this fault")
    return value
