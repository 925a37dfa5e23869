"""How uncertain a calibrated reading is: pure."""

import math
from dataclasses import dataclass

from acquire.budget.propagation import NORMAL_95, UNLIMITED_DOF, coverage_factor
from acquire.calibration.record import Calibration

ZEROED = ("test_pressure", "meter_pressure", "lift")
"""Channels that are read with the bench off, and that reading is subtracted."""


@dataclass(frozen=True, slots=True)
class CalibrationDoubt:
    """Standard uncertainties at one reading, in the calibration's unit, and their sum with its degrees of freedom."""

    fit: float
    residual: float
    standard: float
    hysteresis: float
    dof: float

    @property
    def u(self) -> float:
        """All of them in quadrature."""
        return math.hypot(self.fit, self.residual, self.standard, self.hysteresis)

    @property
    def half_width_95(self) -> float:
        """Student's t times their sum."""
        return coverage_factor(self.dof) * self.u


def number_for(calibration: Calibration, quantity: float) -> float:
    """The number that the instrument sends for a quantity: the calibration turned round.

    Of the two roots of a quadratic the one on the branch that was calibrated.
    """
    c0, c1, *rest = calibration.coefficients
    if not rest or rest[0] == 0.0:
        return (quantity - c0) / c1
    (bend,) = rest
    inside = c1 * c1 - 4.0 * bend * (c0 - quantity)
    if inside <= 0.0:
        return -c1 / (2.0 * bend)  # beyond its turn: as near as it comes
    numbers = [point.number for point in calibration.points]
    middle = 0.5 * (min(numbers) + max(numbers)) if numbers else 0.0
    rising = c1 + 2.0 * bend * middle
    root = math.copysign(math.sqrt(inside), rising)
    # two forms of the same root: the one in which nothing cancels
    return 2.0 * (quantity - c0) / (c1 + root) if c1 * root > 0.0 else (root - c1) / (2.0 * bend)


def doubt_at(calibration: Calibration, quantity: float, from_zero: bool = False) -> CalibrationDoubt:
    """How uncertain a reading of ``quantity`` (in the calibration's unit) is.

    The curve by the covariance of its coefficients; one reading's deviation
    from it by the residual standard deviation; the reference by its 95 %
    figure; hysteresis as a rectangle of its whole width (the residuals hold
    part of it too: counted twice rather than not at all). Curve and residuals
    share their degrees of freedom (Welch-Satterthwaite, JCGM 100, G.4).

    ``from_zero``: the reading at no pressure (or lift) is subtracted from
    this one, with the curve's error there: the offset cancels, and the
    deviations at both ends count. Beyond the references that were covered,
    residuals and hysteresis grow with the distance d as 1 + 2 d / span.
    """
    g = _powers(number_for(calibration, quantity), len(calibration.coefficients))
    if from_zero:
        zero = _powers(number_for(calibration, 0.0), len(calibration.coefficients))
        g = [a - b for a, b in zip(g, zero, strict=True)]
    variance = sum(
        a * b * cell for a, row in zip(g, calibration.covariance, strict=False) for b, cell in zip(g, row, strict=False)
    )
    grown = _beyond(calibration, quantity)
    fit = math.sqrt(max(variance, 0.0))
    residual = calibration.residual_sd * math.hypot(grown, 1.0 if from_zero else 0.0)
    standard = calibration.standard_half_width(quantity) / NORMAL_95
    width = calibration.hysteresis * grown / (2.0 * math.sqrt(3.0))
    drawn, all_of_it = math.hypot(fit, residual), math.hypot(fit, residual, standard, width)
    dof = UNLIMITED_DOF if drawn == 0.0 else min(calibration.dof * (all_of_it / drawn) ** 4, UNLIMITED_DOF)
    return CalibrationDoubt(fit, residual, standard, width, dof)


def _powers(number: float, terms: int) -> list[float]:
    return [number**power for power in range(terms)]


def _beyond(calibration: Calibration, quantity: float) -> float:
    low, high = calibration.low, calibration.high
    if low is None or high is None or not high > low:
        return 1.0
    return 1.0 + 2.0 * max(low - quantity, quantity - high, 0.0) / (high - low)
