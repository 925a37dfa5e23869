"""The simulation's own physics against published values and general-purpose libraries."""

import math

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.air import (
    CFM_M3_S,
    INCH_M,
    INH2O_PA,
    density,
    nozzle_flux,
    plate_drop_pa,
    plate_expansibility,
    plate_mass_flow,
    vapour_share,
)

P0 = 101325.0
RHO0 = P0 / (287.05 * 293.15)


@pytest.mark.parametrize(
    ("celsius", "pressure_pa", "humidity", "published"),
    [  # CIPM-2007, Picard et al., Metrologia 45 (2008) 149
        (20.0, 101325.0, 0.0, 1.204557),
        (20.0, 101325.0, 0.50, 1.199314),
        (15.0, 101325.0, 0.0, 1.225521),
        (22.0, 98500.0, 0.45, 1.157704),
        (27.0, 100000.0, 0.80, 1.148520),
        (10.0, 84500.0, 0.30, 1.038337),
        (35.0, 95000.0, 0.60, 1.059842),
    ],
)
def test_moist_air_is_as_dense_as_the_cipm_formula_says(
    celsius: float, pressure_pa: float, humidity: float, published: float
) -> None:
    t = celsius + 273.15
    assert density(pressure_pa, t, vapour_share(pressure_pa, t, humidity)) == pytest.approx(published, rel=2e-4)


def test_humid_air_is_lighter_than_dry_air_by_the_tabulated_share() -> None:
    """CIPM-2007 at 35 C, 95 kPa, 60 %: taking it as dry is 1.34 % too dense."""
    wet = density(95000.0, 308.15, vapour_share(95000.0, 308.15, 0.6))
    assert density(95000.0, 308.15, 0.0) / wet == pytest.approx(1.0134, abs=3e-4)


def test_nozzle_flux_at_28_inches_of_water_is_the_handbook_value() -> None:
    """Heywood, Internal Combustion Engine Fundamentals, appendix C, worked by hand for kappa 1.4."""
    assert nozzle_flux(P0, RHO0, P0 - 28 * INH2O_PA) == pytest.approx(124.73008, rel=1e-6)
    per_square_inch = nozzle_flux(P0, RHO0, P0 - 28 * INH2O_PA) * INCH_M**2 / RHO0 / CFM_M3_S
    assert per_square_inch == pytest.approx(141.6041, rel=1e-6)


def test_nozzle_flux_stops_rising_where_it_chokes() -> None:
    """NACA 1135: C* = 0.6847 for kappa 1.4, at a pressure ratio of 0.5283."""
    assert nozzle_flux(P0, RHO0, 0.3 * P0) == pytest.approx(239.17356, rel=1e-6)
    assert nozzle_flux(P0, RHO0, 0.1 * P0) == nozzle_flux(P0, RHO0, 0.3 * P0)
    assert nozzle_flux(P0, RHO0, 0.53 * P0) < nozzle_flux(P0, RHO0, 0.5283 * P0)


@pytest.mark.parametrize(
    ("from_inh2o", "to_inh2o", "factor"), [(10, 28, 1.632076), (25, 28, 1.053816), (28, 10, 0.612716)]
)
def test_flow_moves_between_test_pressures_as_the_compressible_table_says(
    from_inh2o: float, to_inh2o: float, factor: float
) -> None:
    """Equal to the ratio of fluids' nozzle expansibilities times the root of the pressures."""
    ratio = nozzle_flux(P0, RHO0, P0 - to_inh2o * INH2O_PA) / nozzle_flux(P0, RHO0, P0 - from_inh2o * INH2O_PA)
    assert ratio == pytest.approx(factor, abs=1e-6)


def test_nothing_flows_without_a_pressure_difference() -> None:
    assert nozzle_flux(P0, RHO0, P0) == 0.0
    assert nozzle_flux(P0, RHO0, P0 + 1.0) == 0.0


@pytest.mark.parametrize("drop_pa", [50.0, 1000.0, 2500.0, 6975.0])
def test_plate_expansibility_is_that_of_iso_5167_for_a_plate_in_a_wall(drop_pa: float) -> None:
    expected = fluids.flow_meter.orifice_expansibility(D=1.0, Do=1e-6, P1=P0, P2=P0 - drop_pa, k=1.4)
    assert plate_expansibility(P0, drop_pa) == pytest.approx(expected, rel=1e-9)


def test_sharp_edge_at_28_inches_of_water_has_the_tabulated_expansibility() -> None:
    assert plate_expansibility(P0, 28 * INH2O_PA) == pytest.approx(0.982568, abs=1e-6)


@given(
    area_m2=st.floats(30e-6, 3e-3),
    drop_pa=st.floats(0.5, 6000.0),
    known_pa=st.floats(80000.0, 110000.0),
    known_is_upstream=st.booleans(),
)
def test_the_drop_found_for_a_mass_flow_passes_that_mass_flow(
    area_m2: float, drop_pa: float, known_pa: float, known_is_upstream: bool
) -> None:
    dense = density(known_pa, 295.0, 0.01)
    upstream_pa = known_pa if known_is_upstream else known_pa + drop_pa
    flow = plate_mass_flow(area_m2, upstream_pa, dense * upstream_pa / known_pa, drop_pa)
    assert plate_drop_pa(area_m2, flow, known_pa, dense, known_is_upstream) == pytest.approx(drop_pa, rel=1e-7)
    assert plate_drop_pa(area_m2, -flow, known_pa, dense, known_is_upstream) < 0.0


def test_an_impossible_flow_is_capped_instead_of_growing_without_end() -> None:
    drop_pa = plate_drop_pa(40e-6, 0.2, P0, RHO0, known_is_upstream=True)
    assert math.isfinite(drop_pa)
    assert drop_pa == pytest.approx(0.2 * P0)
