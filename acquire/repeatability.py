"""How well this bench repeats, as it is kept."""

from typing import ClassVar

from acquire.bench_records import BenchRecord


class Repeatability(BenchRecord):
    """Standard deviations within a mount and between mounts, by lift."""

    KIND: ClassVar[str] = "repeatability"
