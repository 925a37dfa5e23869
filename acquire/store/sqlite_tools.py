"""The one import of sqlite-utils, which would otherwise load pandas (70 MB, 0.2 s) into the daemon."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Database", "Migrations"]


@contextmanager
def _without_pandas() -> Iterator[None]:
    if "pandas" in sys.modules:
        yield
        return
    sys.modules["pandas"] = None  # type: ignore[assignment]  # makes its import fail, which sqlite-utils allows for
    try:
        yield
    finally:
        del sys.modules["pandas"]


with _without_pandas():
    from sqlite_utils import Database, Migrations
