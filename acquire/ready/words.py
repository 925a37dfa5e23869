"""Values in the bench's display units, as the lines of a check print them."""

from acquire.flow.statement import Statement
from acquire.lifts import lift_digits
from acquire.records import BenchSummary
from acquire.units import from_si


class Words:
    """Numbers with their unit."""

    def __init__(self, bench: BenchSummary) -> None:
        self._display, self._water = bench.display, bench.water
        self._reference = bench.reference

    def pressure(self, pressure_pa: float, signed: bool = False) -> str:
        """A pressure, to the digit that a zero is read to."""
        return f"{self.bare_pressure(pressure_pa, signed)} {self._display.pressure}"

    def bare_pressure(self, pressure_pa: float, signed: bool = False) -> str:
        """The same without its unit."""
        digits = {"inH2O": 3, "mbar": 3, "hPa": 3, "kPa": 4, "Pa": 1, "mmH2O": 2}.get(self._display.pressure, 4)
        value = from_si(pressure_pa, self._display.pressure, self._water)
        return f"{value:{'+' if signed else ''}.{digits}f}"

    def test_pressure(self, pressure_pa: float) -> str:
        """A test pressure as it is asked for: ``"28 inH2O"``."""
        return f"{from_si(pressure_pa, self._display.pressure, self._water):.4g} {self._display.pressure}"

    def lift(self, lift_m: float) -> str:
        """A lift with its sign."""
        digits = lift_digits(self._display.lift, finer=1)
        return f"{from_si(lift_m, self._display.lift):+.{digits}f} {self._display.lift}"

    def length(self, length_m: float) -> str:
        """A bore."""
        digits = lift_digits(self._display.lift)
        return f"{from_si(length_m, self._display.lift):.{digits}f} {self._display.lift}"

    def flow(self, area_m2: float) -> str:
        """An effective area as the flow that states it."""
        return f"{from_si(Statement(self._reference).flow_m3_s(area_m2), self._display.flow):.2f} {self._display.flow}"
