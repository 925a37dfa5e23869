"""Whether the bench was ready to test, as it is kept."""

from typing import ClassVar

from acquire.bench_records import BenchRecord


class Readiness(BenchRecord):
    """One check of the whole bench: every line with its verdict."""

    KIND: ClassVar[str] = "readiness"

    ready: bool
