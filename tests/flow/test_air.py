"""Moist air against CIPM-2007 values, reference equations and published tables."""

import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.flow.air import (
    air_column,
    column_of,
    density_kg_m3,
    station_pressure_pa,
    sutherland_viscosity_pa_s,
    vapour_fraction,
    viscosity_pa_s,
)
from acquire.values import AirState

# t C, p Pa, RH, density by an independent coding of CIPM-2007 (Picard et al., Metrologia 45 (2008) 149),
# and by CoolProp 8.0 HumidAir (Hyland & Wexler type reference equations)
DENSITIES = [
    (20, 101325, 0.00, 1.204557, 1.204603),
    (20, 101325, 0.50, 1.199314, 1.199359),
    (15, 101325, 0.00, 1.225521, 1.225567),
    (22, 98500, 0.45, 1.157704, 1.157747),
    (27, 100000, 0.80, 1.148520, 1.148564),
    (10, 84500, 0.30, 1.038337, 1.038372),
    (35, 95000, 0.60, 1.059842, 1.059881),
]


@pytest.mark.parametrize(("t", "p", "humidity", "cipm", "coolprop"), DENSITIES)
def test_density_agrees_with_cipm_2007_and_the_reference_equations(
    t: float, p: float, humidity: float, cipm: float, coolprop: float
) -> None:
    density = density_kg_m3(AirState(p, t + 273.15, humidity))
    assert density == pytest.approx(cipm, rel=1e-6)
    assert density == pytest.approx(coolprop, rel=5e-5)


@pytest.mark.parametrize(("t", "p", "humidity"), [row[:3] for row in DENSITIES])
def test_density_agrees_with_the_ideal_gas_of_psychrolib(t: float, p: float, humidity: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    volume = psychrolib.GetMoistAirVolume(t, psychrolib.GetHumRatioFromRelHum(t, humidity, p), p)
    ratio = psychrolib.GetHumRatioFromRelHum(t, humidity, p)
    assert density_kg_m3(AirState(p, t + 273.15, humidity)) == pytest.approx((1 + ratio) / volume, rel=5e-4)


# mass-metrology handbook tables, as quoted in the tests of the R package masscor
@pytest.mark.parametrize(("t", "mmhg", "humidity", "density"), [(10, 730, 0.4, 1.19569), (40, 760, 0.4, 1.1150)])
def test_density_agrees_with_handbook_tables(t: float, mmhg: float, humidity: float, density: float) -> None:
    assert density_kg_m3(AirState(mmhg * 133.322387415, t + 273.15, humidity)) == pytest.approx(density, abs=1e-4)


def test_humidity_ratio_agrees_with_ashrae_psychrometrics() -> None:
    # PsychroLib 2.5: 35 C, 60 %, 95 kPa -> 0.022921
    x = vapour_fraction(95000, 308.15, 0.6)
    assert 0.621945 * x / (1 - x) == pytest.approx(0.022921, rel=6e-3)
    # saturation pressure at 25 C: 3169.7 Pa, ASHRAE Handbook 2017 table (f is the enhancement of CIPM-2007)
    assert vapour_fraction(101325, 298.15, 1.0) * 101325 / 1.00415 == pytest.approx(3169.7, rel=3e-4)


def test_the_vapour_fraction_is_conserved_when_the_air_moves_on() -> None:
    # a mole fraction does not know pressure: dry density ratio at half the pressure is half, within compressibility
    column = column_of(AirState(100000, 295.0, 0.5))
    assert column.density_kg_m3(50000) == pytest.approx(0.5 * column.density_kg_m3(100000), rel=3e-4)
    assert column.density_kg_m3(100000) == density_kg_m3(AirState(100000, 295.0, 0.5))


# Lemmon & Jacobsen (2004) as CoolProp 8.0 computes it, 101.325 kPa
@pytest.mark.parametrize(("t", "viscosity"), [(15, 1.79615e-5), (20, 1.82057e-5), (35, 1.89278e-5)])
def test_viscosity_of_dry_air_agrees_with_the_reference_equation(t: float, viscosity: float) -> None:
    assert viscosity_pa_s(101325, t + 273.15) == pytest.approx(viscosity, rel=5e-6)


def test_viscosity_agrees_with_the_published_dilute_gas_value() -> None:
    # Lemmon & Jacobsen (2004), table V, 300 K, zero density: 18.5230 uPa s
    assert viscosity_pa_s(1e-6, 300.0) == pytest.approx(18.5230e-6, rel=3e-6)


def test_viscosity_of_humid_air_agrees_with_the_reference_equations() -> None:
    # CoolProp 8.0 HumidAir, 35 C, 60 %, 95 kPa: 1.87014e-5, 1.2 % below dry air
    x = vapour_fraction(95000, 308.15, 0.6)
    assert viscosity_pa_s(95000, 308.15, x) == pytest.approx(1.87014e-5, rel=2e-3)


# U.S. Standard Atmosphere 1976, Sutherland's formula
@pytest.mark.parametrize(("t", "viscosity"), [(15, 1.78938e-5), (20, 1.81341e-5), (35, 1.88431e-5)])
def test_sutherland_viscosity_agrees_with_the_standard_atmosphere(t: float, viscosity: float) -> None:
    assert sutherland_viscosity_pa_s(t + 273.15) == pytest.approx(viscosity, rel=5e-6)


def test_station_pressure_agrees_with_the_standard_atmosphere() -> None:
    # U.S. Standard Atmosphere 1976: 84556 Pa at 1500 m
    assert station_pressure_pa(101325, 1500) == pytest.approx(84556, rel=3e-6)
    assert station_pressure_pa(102000, 0) == pytest.approx(102000, rel=1e-12)


@pytest.mark.parametrize(
    ("sea_level", "altitude", "part"),
    [
        (1013.25, 100, "sea-level"),
        (101325, 9000, "altitude"),
        (math.nan, 0, "sea-level"),
        (101325, math.nan, "altitude"),
    ],
)
def test_a_barometer_setting_that_cannot_be_is_refused(sea_level: float, altitude: float, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        station_pressure_pa(sea_level, altitude)


@pytest.mark.parametrize(
    ("air", "part"),
    [
        (AirState(101325, 293.15, 45.0), "0.45"),
        (AirState(101325, 20.0, 0.4), "kelvins"),
        (AirState(101325, 68.0, 0.4), "kelvins"),
        (AirState(1013.25, 293.15, 0.4), "pascals"),
        (AirState(29.92, 293.15, 0.4), "pascals"),
        (AirState(0.0, 293.15, 0.4), "not above zero"),
        (AirState(-5.0, 293.15, 0.4), "not above zero"),
        (AirState(math.nan, 293.15, 0.4), "pressure is nan"),
        (AirState(101325, math.inf, 0.4), "temperature is inf"),
        (AirState(101325, 293.15, math.nan), "humidity is nan"),
        (AirState(101325, 293.15, -0.1), "between 0 and 1"),
    ],
)
def test_air_that_cannot_be_is_refused_in_one_sentence(air: AirState, part: str) -> None:
    with pytest.raises(ValueError, match=part) as caught:
        density_kg_m3(air)
    assert "\n" not in str(caught.value)


@given(st.floats(60e3, 110e3), st.floats(278, 313), st.floats(0, 1))
def test_humid_air_is_lighter_and_warm_air_too(p: float, t: float, humidity: float) -> None:
    density = density_kg_m3(AirState(p, t, humidity))
    assert 0.6 < density < 1.5
    assert density <= density_kg_m3(AirState(p, t, 0.0))
    assert density > density_kg_m3(AirState(p, t + 1, humidity))


def test_a_column_is_the_same_air_at_every_pressure() -> None:
    assert air_column(293.15, 0.0).density_kg_m3(101325) == pytest.approx(1.204557, rel=1e-6)
