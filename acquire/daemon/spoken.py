"""Quantities, points and reasons as they are said at one bench: in its units, with the digits that mean something."""

from collections.abc import Mapping

from acquire.config import Display
from acquire.flow.convention import flow_unit_said
from acquire.lifts import lift_digits
from acquire.units import Water, from_si
from acquire.values import Missing, Point, Standing

# what is left of an approach is overstated beyond: of 25 to 40 s, 5 s passed (9,000 looks at virtual pulls)
_FORESEEN_S = 6.0


class Spoken:
    """Words for what was measured, in one bench's display units."""

    def __init__(self, display: Display, water: Water, typed_units: Mapping[str, str] | None = None) -> None:
        self._display = display
        self._water: Water = water
        self._units = typed_units or {}

    def named(self, channel: str) -> str:
        """A typed channel with the unit that its number is typed in."""
        unit = self._units.get(channel, "")
        return f"{channel.replace('_', ' ')} in {'inches' if unit == 'in' else unit}"

    def taken(self, point: Point) -> str:
        """The acknowledgement of a point that is safely kept."""
        unit = self._display.flow
        half = _written(from_si(point.flow.half_width_95_m3_s, unit), 1)
        # both with the digits that the half-width needs
        flow = f"{from_si(point.flow.flow_m3_s, unit):.{len(half.partition('.')[2])}f}"
        at = "" if point.step_lift_m is None else f" at {self.lift(point.step_lift_m)}"
        how = ", typed" if point.read_by_eye else "" if point.settled else ", not settled"
        return f"Taken{at}: {flow} {flow_unit_said(unit, point.flow.convention)} ± {half}{how}."

    def lift(self, lift_m: float) -> str:
        """A lift with its unit."""
        return f"{self._bare_lift(lift_m)} {self._display.lift}"

    def _bare_lift(self, lift_m: float) -> str:
        return _written(from_si(lift_m, self._display.lift), lift_digits(self._display.lift))

    def pressure(self, pressure_pa: float) -> str:
        """A pressure with its unit."""
        return f"{self._bare_pressure(pressure_pa)} {self._display.pressure}"

    def _bare_pressure(self, pressure_pa: float) -> str:
        digits = {"inH2O": 1, "mbar": 1, "hPa": 1, "kPa": 3, "Pa": 0}.get(self._display.pressure, 2)
        return _written(from_si(pressure_pa, self._display.pressure, self._water), digits)


_MISSING: dict[Missing, str] = {
    "lift": "lift not yet still",
    "test pressure": "test pressure not yet still",
    "drift": "flow still settling",
    "noise": "averaging unsteady flow",
    "hunting": "test pressure not yet still",
    "readings": "collecting readings",
    "frozen": "a reading has not changed at all: check its instrument",
    "signal": "waiting for readings",
}


def missing_said(missing: tuple[Missing, ...]) -> str:
    """The first thing that is waited for; empty where nothing is."""
    return _MISSING[missing[0]] if missing else ""


def left_said(standing: Standing) -> str:
    """For how long still, where that is known: averaging follows a law, the end of an approach is only seen nearby."""
    left_s = standing.remaining_s or 0.0
    if left_s < 1.0 or (left_s > _FORESEEN_S and "noise" not in standing.missing):
        return ""
    # a long wait is no countdown
    return f", about {left_s if left_s < 10.0 else 5.0 * round(left_s / 5.0):.0f} s"


def _written(value: float, digits: int) -> str:
    """With these digits; with one more where they would say zero of something that is not."""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0 and abs(value) >= 0.5 * 10.0 ** -(digits + 1):
        return f"{value:.{digits + 1}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def cure_first(fault: str) -> str:
    """A fault ends with what to do about it: that is read first."""
    cause, _, cure = fault.rstrip(".").rpartition(": ")
    said = f"{cure}: {cause}" if cause else cure
    return f"{said[0].upper()}{said[1:]}."
