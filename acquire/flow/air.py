"""Moist air: density, viscosity, isentropic exponent.

The kernels use only arithmetic and powers, so that they serve floats and the
traced numbers of the budget alike; they trust their arguments. Values that
come from outside pass :func:`check_air` first.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from acquire.flow.elementwise import N
from acquire.values import AirState

MOLAR_GAS_CONSTANT = 8.314472  # J/(mol K), as CIPM-2007 uses it
MOLAR_MASS_WATER = 18.01528e-3  # kg/mol
MOLAR_MASS_DRY_AIR = 28.96546e-3  # kg/mol, with 400 ppm of carbon dioxide

ISENTROPIC_EXPONENT = 1.4
"""Ratio of specific heats used everywhere; see ISENTROPIC_EXPONENT_HALF_WIDTH.

Dry air at 20 C and 1 atm has cp/cv = 1.402 (Lemmon et al. 2000), air of 35 C
and 60 % humidity 1.397: the constant is right within the half-width, and its
effect on an area is below 0.05 %.
"""
ISENTROPIC_EXPONENT_HALF_WIDTH = 0.004

_LOWEST_PRESSURE_PA, _HIGHEST_PRESSURE_PA = 20e3, 200e3
_LOWEST_TEMPERATURE_K, _HIGHEST_TEMPERATURE_K = 230.0, 370.0


def check_air(air: AirState) -> None:
    """Raise ``ValueError`` with one sentence if this cannot be a room's air."""
    pressure, temperature, humidity = air.pressure_pa, air.temperature_k, air.relative_humidity
    for name, value in (("pressure", pressure), ("temperature", temperature), ("relative humidity", humidity)):
        if not math.isfinite(value):
            raise ValueError(f"air {name} is {value}, not a number: check the instrument that measures it")
    if pressure <= 0:
        raise ValueError(f"air pressure {pressure:g} Pa is not above zero: give the absolute pressure")
    if not _LOWEST_PRESSURE_PA <= pressure <= _HIGHEST_PRESSURE_PA:
        raise ValueError(
            f"air pressure {pressure:g} Pa is not a room's: give the absolute station pressure in pascals, "
            "such as 101325 (1013.25 hPa, 29.92 inHg)"
        )
    if not _LOWEST_TEMPERATURE_K <= temperature <= _HIGHEST_TEMPERATURE_K:
        raise ValueError(f"air temperature {temperature:g} K is not a room's: give kelvins (20 C or 68 F is 293.15)")
    if not 0 <= humidity <= 1:
        raise ValueError(f"relative humidity {humidity:g} is not between 0 and 1: give a fraction (45 %RH is 0.45)")


def vapour_fraction(pressure_pa: float, temperature_k: float, relative_humidity: float) -> float:
    """Mole fraction of water vapour; conserved when the air moves on dry walls.

    Source: CIPM-2007 (Picard et al., Metrologia 45 (2008) 149), appendix A.
    """
    t = temperature_k - 273.15
    saturation_pa: float = math.e ** (
        1.2378847e-5 * temperature_k**2 - 1.9121316e-2 * temperature_k + 33.93711047 - 6.3431645e3 / temperature_k
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t**2
    return relative_humidity * enhancement * saturation_pa / pressure_pa


def station_pressure_pa(sea_level_pa: float, altitude_m: float) -> float:
    """Absolute pressure of a place from a barometer set to read sea-level pressure.

    Inverts the altimeter setting of the standard atmosphere. Check: 101325 Pa
    at 1500 m -> 84556 Pa. Raises ``ValueError`` outside -500 to 5000 m, or for
    a setting that no weather has.
    """
    if not -500.0 <= altitude_m <= 5000.0:
        raise ValueError(f"an altitude of {altitude_m:g} m is not a workshop's: give it between -500 and 5000 m")
    if not 85e3 <= sea_level_pa <= 110e3:
        raise ValueError(f"a sea-level pressure of {sea_level_pa:g} Pa is no weather's: give about 101325 Pa")
    n = 0.190263
    pressure: float = (sea_level_pa**n - 101325.0**n * 0.0065 / 288.15 * altitude_m) ** (1.0 / n)
    return pressure


def sea_level_pressure_pa(station_pa: float, altitude_m: float) -> float:
    """What a barometer set to read sea-level pressure shows: the inverse of :func:`station_pressure_pa`."""
    n = 0.190263
    pressure: float = (station_pa**n + 101325.0**n * 0.0065 / 288.15 * altitude_m) ** (1.0 / n)
    return pressure


# weather at sea level rarely leaves these bounds (common practice, no source)
_LOWEST_WEATHER_PA, _HIGHEST_WEATHER_PA = 94e3, 105e3


def check_station(station_pa: float, altitude_m: float) -> None:
    """Raise ``ValueError`` if no weather gives this pressure at that altitude.

    Mostly it was read from a barometer that is set to sea level.
    """
    if not -500.0 <= altitude_m <= 5000.0:
        raise ValueError(f"an altitude of {altitude_m:g} m is not a workshop's: give it between -500 and 5000 m")
    at_sea_pa = sea_level_pressure_pa(station_pa, altitude_m)
    if not _LOWEST_WEATHER_PA <= at_sea_pa <= _HIGHEST_WEATHER_PA:
        usual_pa = station_pressure_pa(101325.0, altitude_m)
        raise ValueError(
            f"a pressure of {_barometer(station_pa)} is no station pressure at {altitude_m:g} m (about "
            f"{_barometer(usual_pa)}): if the barometer is set to sea level, give it as the sea-level pressure"
        )


def _barometer(pressure_pa: float) -> str:
    return f"{pressure_pa / 100:.0f} hPa ({pressure_pa / 3386.389:.2f} inHg)"


def check_entered(
    pressure_pa: float | None, temperature_k: float | None, humidity: float | None, altitude_m: float | None = None
) -> None:
    """Raise ``ValueError`` with one sentence if these cannot be what a workshop's instruments say."""
    if pressure_pa is not None and not 50e3 <= pressure_pa <= 110e3:
        raise ValueError(
            f"a room pressure of {_barometer(pressure_pa)} is no workshop's: "
            "give the absolute station pressure, such as 29.92 inHg or 1013 hPa"
        )
    if pressure_pa is not None and altitude_m is not None:
        check_station(pressure_pa, altitude_m)
    if temperature_k is not None and not 243.15 <= temperature_k <= 323.15:
        raise ValueError(
            f"a room temperature of {temperature_k - 273.15:.4g} C ({temperature_k:.4g} K) is no workshop's: "
            "check the number and its unit, such as 20 C or 68 F"
        )
    if humidity is not None and not 0.0 <= humidity <= 1.0:
        raise ValueError(f"a humidity of {100 * humidity:g} %RH does not lie between 0 and 100 %RH: read it again")


@dataclass(frozen=True)
class AirColumn:
    """Air of one temperature and vapour fraction, at whatever pressure.

    ``per_pa`` is M/(R T); the compressibility factor at pressure p is
    1 - linear p + square p^2. Everything here is computed once, and the
    density at a pressure costs a few multiplications.
    """

    temperature_k: float
    vapour_fraction: float
    per_pa: float
    linear: float
    square: float

    def density_kg_m3(self, pressure_pa: N) -> N:
        """Density at an absolute pressure, or at each of many."""
        return self.per_pa * pressure_pa / (1.0 - pressure_pa * (self.linear - self.square * pressure_pa))

    @cached_property
    def viscosity_pa_s(self) -> float:
        """Dynamic viscosity at one atmosphere; it moves by 0.08 % with another."""
        return viscosity_pa_s(101325.0, self.temperature_k, self.vapour_fraction)


def air_column(temperature_k: float, vapour_fraction: float, formula: float = 1.0) -> AirColumn:
    """Air of one temperature and vapour fraction, by CIPM-2007.

    ``formula`` is a factor of the density that stands for the formula's own
    doubt, see :func:`density_formula_doubt_rel`.
    """
    t, x = temperature_k - 273.15, vapour_fraction
    return AirColumn(
        temperature_k=temperature_k,
        vapour_fraction=x,
        per_pa=formula
        * MOLAR_MASS_DRY_AIR
        * (1.0 - x * (1.0 - MOLAR_MASS_WATER / MOLAR_MASS_DRY_AIR))
        / (MOLAR_GAS_CONSTANT * temperature_k),
        linear=(
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * x
            + (1.9898e-4 - 2.376e-6 * t) * x**2
        )
        / temperature_k,
        square=(1.83e-11 - 0.765e-8 * x**2) / temperature_k**2,
    )


def within_stated_range(pressure_pa: float, temperature_k: float) -> bool:
    """Whether CIPM-2007 is stated for this air: 600 to 1100 hPa, 15 to 27 C."""
    return 60e3 <= pressure_pa <= 110e3 and 288.15 <= temperature_k <= 300.15


def density_formula_doubt_rel(pressure_pa: float, temperature_k: float) -> float:
    """Relative standard uncertainty of the density formula itself.

    Within its stated range 22e-6 (Picard et al. 2008, 4.1). Outside, from
    comparisons with the reference equations for humid air (CoolProp 8.0
    HumidAir, 600 to 1100 hPa, 0 to 100 % humidity): from 0 to 40 C the
    difference is the same as within the range to 2e-5, and at most 5e-5 in
    all; from -25 to 50 C at most 2e-4.
    """
    if within_stated_range(pressure_pa, temperature_k):
        return 22e-6
    return 5e-5 if 60e3 <= pressure_pa <= 110e3 and 273.15 <= temperature_k <= 313.15 else 2e-4


def column_of(air: AirState) -> AirColumn:
    """The room's air as a column. Raises ``ValueError``, see :func:`check_air`."""
    check_air(air)
    return air_column(air.temperature_k, vapour_fraction(air.pressure_pa, air.temperature_k, air.relative_humidity))


def density_kg_m3(air: AirState) -> float:
    """Density of moist air by CIPM-2007. Raises ``ValueError``, see :func:`check_air`."""
    return column_of(air).density_kg_m3(air.pressure_pa)


def viscosity_pa_s(pressure_pa: float, temperature_k: float, vapour_fraction: float = 0.0) -> float:
    """Dynamic viscosity of moist air.

    Dry air: Lemmon & Jacobsen, Int. J. Thermophys. 25 (2004) 21, dilute gas
    plus the terms of the residual that matter below 2 bar (300 K, zero
    density: 18.5230 uPa s). Steam: dilute-gas term of IAPWS R12-08. Mixture:
    rule of Herning & Zipperer (1936), within 0.2 % of the reference equations
    at 35 C and 60 %.
    """
    air: float = _dry_air_viscosity(pressure_pa, temperature_k)
    reduced = temperature_k / 647.096
    steam = 1e-4 * reduced**0.5 / (1.67752 + (2.20462 + (0.6366564 - 0.241605 / reduced) / reduced) / reduced)
    dry_share = (1.0 - vapour_fraction) * MOLAR_MASS_DRY_AIR**0.5
    steam_share = vapour_fraction * MOLAR_MASS_WATER**0.5
    mixture: float = (dry_share * air + steam_share * steam) / (dry_share + steam_share)
    return mixture


def sutherland_viscosity_pa_s(temperature_k: float) -> float:
    """Dynamic viscosity of dry air, U.S. Standard Atmosphere 1976.

    For certificates that were written with it: it lies 0.4 % below
    :func:`viscosity_pa_s`. Check: 288.15 K -> 1.7894e-5 (table value).
    """
    viscosity: float = 1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4)
    return viscosity


def _dry_air_viscosity(pressure_pa: float, temperature_k: float) -> float:
    reduced = temperature_k / 103.3
    log = _natural_log(reduced)
    collision = math.e ** (0.431 + log * (-0.4623 + log * (0.08406 + log * (0.005341 - log * 0.00331))))
    dilute = 0.0266958 * (28.9586 * temperature_k) ** 0.5 / (0.360**2 * collision)
    tau = 132.6312 / temperature_k
    delta = pressure_pa / (MOLAR_GAS_CONSTANT * temperature_k) / 10447.7
    residual = 10.72 * tau**0.2 * delta - 8.876 * tau**0.6 * delta * math.e ** (-delta)
    viscosity: float = (dilute + residual) * 1e-6
    return viscosity


def _natural_log(x: Any) -> Any:
    return math.log(x) if isinstance(x, (int, float)) else x.log()
