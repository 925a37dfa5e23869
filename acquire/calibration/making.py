"""From reference points to a record: what is asked for, what is refused, what the instrument was off by."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Any

from acquire.bench_records import Kept
from acquire.budget.propagation import NORMAL_95
from acquire.calibration.curve import directed, fit_points
from acquire.calibration.doubt import ZEROED, doubt_at
from acquire.calibration.record import Calibration, CalibrationCheck, Fit, ReferencePoint
from acquire.calibration.words import said
from acquire.records import Refused
from acquire.scaling import CalibratedSettings, calibrated, line_of
from acquire.units import UnitError, Water, factor, from_si, kind_of, to_si
from drivers.base import ChannelSettings

# one digit of a reading is a rectangle of that width: its standard deviation
_DIGIT = 12.0**-0.5


@dataclass(frozen=True, slots=True)
class Target:
    """The channel to be calibrated: on which bench, how it is configured, what is in force now."""

    bench: str
    water: Water
    channel: str
    instrument: str
    settings: ChannelSettings
    before: Kept[Calibration] | None = None

    @property
    def in_force(self) -> ChannelSettings:
        """The settings with the calibration in force."""
        return calibrated(self.settings, self.before.record, self.water) if self.before else self.settings

    @property
    def unit(self) -> str:
        """The channel's unit; an inch of water that says which."""
        return f"inH2O@{self.water}" if self.settings.unit == "inH2O" else self.settings.unit


@dataclass(frozen=True, slots=True)
class Taken:
    """One pair as it was taken: the reference in the channel's unit, the number as received, its scatter."""

    reference: float
    number: float
    scatter: float = 0.0
    n: int = 1


@dataclass(frozen=True, slots=True)
class Asked:
    """What goes with the points; ``uncertainty`` (channel's unit) and ``percent``: the reference's 95 % figure."""

    standard: str
    uncertainty: float
    percent: float
    certificate: str = ""
    fit: Fit = "line"
    due_utc: str = ""
    made_by: str = ""
    remarks: str = ""


def in_channels_unit(target: Target, text: str, unit: str = "") -> float:
    """A reference such as ``"10"`` or ``"10 inH2O"`` in the channel's unit. Raises ``Refused``."""
    number, own = _split(text)
    return reference_in_unit(target, number, own or unit)


def reference_in_unit(target: Target, value: float, unit: str) -> float:
    """A value in ``unit`` (empty: the channel's) in the channel's unit. Raises ``Refused``."""
    its = target.settings.unit
    if not unit or unit == its:
        return value
    _same_kind(target, unit)
    return from_si(to_si(value, unit, target.water), its, target.water)


def half_width(target: Target, text: str) -> tuple[float, float]:
    """``"0.01 inH2O"``, ``"0.02 %"`` or both with a plus: a 95 % figure in the channel's unit, and in % of reading."""
    own = percent = 0.0
    for part in text.split("+"):
        value, unit = _split(part)
        if value < 0.0:
            raise Refused(f"The reference's uncertainty {text!r} is below zero: give its 95 % half-width.")
        if unit == "%":
            percent += value
            continue
        if unit:
            _same_kind(target, unit)
        own += value * factor(unit or target.settings.unit, target.water) / factor(target.settings.unit, target.water)
    if own == percent == 0.0:
        raise Refused("A reference without uncertainty cannot be: give the 95 % figure of its certificate.")
    return own, percent


def due_text(date: str, now: datetime) -> str:
    """The end of a day (``2027-11-25``) as ISO 8601, UTC. Raises ``Refused`` for one in the past."""
    try:
        day = datetime.strptime(date.strip(), "%Y-%m-%d").date()
    except ValueError as error:
        raise Refused(
            f"The due date {date!r} is not a date: write it as year-month-day, such as 2027-11-25."
        ) from error
    due = datetime.combine(day, time(23, 59, 59), UTC)
    if due < now:
        raise Refused(f"The due date {date} is in the past: give the day until which the calibration holds.")
    return due.isoformat()


def make_calibration(target: Target, taken: Sequence[Taken], asked: Asked, utc: str) -> Calibration:
    """The calibration that the points give. Raises ``Refused`` with one sentence."""
    points = _points(target, taken)
    line = line_of(target.settings)
    try:
        # the digit in the unit in which the numbers come out
        found = fit_points(points, asked.fit, target.settings.resolution * _DIGIT)
    except ValueError as error:
        raise Refused(f"{said(target.channel).capitalize()}: {error}.") from error
    middle = 0.5 * (min(p.number for p in points) + max(p.number for p in points))
    slope = found.coefficients[1] + (2.0 * found.coefficients[2] * middle if asked.fit == "quadratic" else 0.0)
    if slope * line.scale < 0.0:
        raise Refused(
            f"{said(target.channel).capitalize()}: the readings {'fall' if slope < 0 else 'rise'} while the reference "
            "rises, against the configured sign: swap hoses or leads, or correct the sign of the instrument's scale."
        )
    references = [point.reference for point in points]
    return Calibration(
        **_common(target, points, asked, utc),
        coefficients=found.coefficients,
        covariance=found.covariance,
        residual_sd=found.residual_sd,
        dof=float(found.dof),
        due_utc=asked.due_utc,
        fit=asked.fit,
        hysteresis=found.hysteresis,
        low=min(references),
        high=max(references),
        as_left=found.residuals,
    )


def make_check(target: Target, taken: Sequence[Taken], asked: Asked, utc: str) -> CalibrationCheck:
    """The errors as found, for the record: nothing changes. Raises ``Refused`` with one sentence."""
    if not taken:
        raise Refused("No point was given: a check needs at least one.")
    return CalibrationCheck(**_common(target, _points(target, taken), asked, utc))


def warnings(target: Target, made: Calibration) -> list[str]:
    """What does not forbid a calibration, but must be known."""
    unit, settings, found = target.settings.unit, target.settings, []
    top = max(abs(point.reference) for point in made.points)
    stated = settings.accuracy + settings.accuracy_percent_of_reading / 100.0 * top
    reference = made.standard_half_width(top)
    if 0.0 < stated < reference:
        found.append(
            f"the reference (±{reference:.3g} {unit}) is less accurate than the instrument's configured "
            f"±{stated:.3g} {unit}: a better one would help"
        )
    if not any(point.falling for point in made.points):
        found.append("no points on the way down: hysteresis is not known, and not counted")
    if stated and NORMAL_95 * made.residual_sd > stated:
        worst = max(range(len(made.points)), key=lambda i: abs(made.as_left[i]))
        found.append(f"the points scatter more than the configured accuracy: look at point {worst + 1}")
    if not made.due_utc:
        found.append("no due date: it never expires")
    return found


def stated_half_width(target: Target, quantity: float) -> float:
    """The 95 % half-width of a reading with what is in force, in the channel's unit."""
    its = target.in_force
    if isinstance(its, CalibratedSettings):
        at = reference_in_other(its.calibration.unit, target, quantity)
        scale = factor(its.calibration.unit, target.water) / factor(its.unit, target.water)
        return doubt_at(its.calibration, at, target.channel in ZEROED).half_width_95 * scale
    return its.accuracy + its.accuracy_percent_of_reading / 100.0 * abs(quantity)


def reference_in_other(unit: str, target: Target, quantity: float) -> float:
    """A quantity of the channel in another unit of its kind."""
    return from_si(to_si(quantity, target.settings.unit, target.water), unit, target.water)


def _points(target: Target, taken: Sequence[Taken]) -> tuple[ReferencePoint, ...]:
    its = target.settings
    for one in taken:
        if (its.low is not None and one.reference < its.low) or (its.high is not None and one.reference > its.high):
            low, high = ("-" if end is None else f"{end:g}" for end in (its.low, its.high))
            raise Refused(
                f"The reference {one.reference:g} {its.unit} lies outside the instrument's range ({low} to {high} "
                f"{its.unit}): leave it out, or correct the instrument's 'low' and 'high'."
            )
    try:
        ways = directed([(one.reference, one.number) for one in taken])
    except ValueError as error:
        raise Refused(f"{said(target.channel).capitalize()}: {error}.") from error
    return tuple(
        ReferencePoint(reference=one.reference, number=one.number, falling=falling, scatter=one.scatter, n=one.n)
        for one, (_, _, falling) in zip(taken, ways, strict=True)
    )


def _common(target: Target, points: tuple[ReferencePoint, ...], asked: Asked, utc: str) -> dict[str, Any]:
    found = tuple(target.in_force.quantity(point.number) - point.reference for point in points)
    return {
        "made_utc": utc,
        "made_by": asked.made_by,
        "bench": target.bench,
        "channel": target.channel,
        "instrument": target.instrument,
        "unit": target.unit,
        "points": points,
        "standard": asked.standard,
        "certificate": asked.certificate,
        "standard_uncertainty": asked.uncertainty,
        "standard_percent": asked.percent,
        "as_found": found,
        "before_id": target.before.id if target.before else None,
        "remarks": asked.remarks,
    }


_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S*)\s*")


def _split(text: str) -> tuple[float, str]:
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise Refused(f"{text.strip()!r} is not a number with or without a unit, such as '10' or '10 inH2O'.")
    return float(match.group(1)), match.group(2)


def _same_kind(target: Target, unit: str) -> None:
    try:
        kind = kind_of(unit)
    except UnitError as error:
        raise Refused(f"{str(error).capitalize()}: give it in {target.settings.unit}.") from error
    if kind != kind_of(target.settings.unit):
        raise Refused(
            f"{unit} measures {kind}, but {said(target.channel)} is a {kind_of(target.settings.unit)}: "
            f"give it in {target.settings.unit}."
        )
