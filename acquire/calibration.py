"""Calibration of one channel against a reference, as it is kept."""

from typing import ClassVar

from acquire.bench_records import BenchRecord


class Calibration(BenchRecord):
    """What the instrument's numbers mean: quantity = sum of coefficients[i] * number^i, in ``unit``.

    Takes the place of the configuration's scale and offset for its channel
    and instrument. ``covariance`` is that of the coefficients; ``residual_sd``
    that of the reference points about the line, with ``dof``.
    """

    KIND: ClassVar[str] = "calibration"

    channel: str
    instrument: str
    unit: str
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...] = ()
    residual_sd: float = 0.0
    dof: float = 1e6
    certificate: str = ""
    due_utc: str = ""

    @property
    def key(self) -> str:
        """The channel."""
        return self.channel
