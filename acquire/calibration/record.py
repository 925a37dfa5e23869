"""Calibration of one channel against a reference, as it is kept."""

from datetime import datetime
from typing import ClassVar, Literal

from acquire.bench_records import BenchRecord
from acquire.quantity import Table

Fit = Literal["line", "quadratic"]


class ReferencePoint(Table):
    """What the reference said, in the calibration's unit, and the number that the instrument sent for it.

    ``falling``: taken on the way down. ``scatter``: standard deviation of the
    ``n`` numbers whose mean was taken.
    """

    reference: float
    number: float
    falling: bool = False
    scatter: float = 0.0
    n: int = 1


class Referenced(BenchRecord):
    """What a calibration and a mere check have in common.

    ``standard`` is the reference's name, ``certificate`` its certificate, and
    ``standard_uncertainty`` (in ``unit``) with ``standard_percent`` (of the
    reading) its 95 % figure. ``as_found``: reading minus reference at each
    point with what was in force before, in ``unit``; ``before_id`` the number
    of that calibration, None where the configuration held.
    """

    bench: str = ""
    channel: str
    instrument: str
    unit: str
    points: tuple[ReferencePoint, ...] = ()
    standard: str = ""
    certificate: str = ""
    standard_uncertainty: float = 0.0
    standard_percent: float = 0.0
    as_found: tuple[float, ...] = ()
    before_id: int | None = None
    remarks: str = ""

    @property
    def key(self) -> str:
        """The channel."""
        return self.channel

    def standard_half_width(self, quantity: float) -> float:
        """The reference's 95 % half-width at a reading, in ``unit``."""
        return self.standard_uncertainty + self.standard_percent / 100.0 * abs(quantity)


class CalibrationCheck(Referenced):
    """An instrument held against a reference without changing anything: only its errors as found."""

    KIND: ClassVar[str] = "calibration check"


class Calibration(Referenced):
    """What the instrument's numbers mean: quantity = sum of coefficients[i] * number^i, in ``unit``.

    Takes the place of the configuration's scale and offset for its channel
    and instrument. ``covariance`` is that of the coefficients; ``residual_sd``
    that of the reference points about the curve, with ``dof``.
    ``hysteresis``: the largest difference between up and down at one
    reference, ``low`` and ``high`` the references covered, all in ``unit``.
    ``as_left``: reading minus reference at each point with this calibration.
    """

    KIND: ClassVar[str] = "calibration"

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...] = ()
    residual_sd: float = 0.0
    dof: float = 1e6
    due_utc: str = ""
    fit: Fit = "line"
    hysteresis: float = 0.0
    low: float | None = None
    high: float | None = None
    as_left: tuple[float, ...] = ()

    def quantity(self, number: float) -> float:
        """The quantity in ``unit`` for a number as received."""
        return sum(its * number**power for power, its in enumerate(self.coefficients))

    def expired(self, utc: str) -> bool:
        """Whether it was due before ``utc`` (ISO 8601)."""
        return bool(self.due_utc) and datetime.fromisoformat(self.due_utc) < datetime.fromisoformat(utc)
