"""The ideal nozzle and expansibility against handbooks, ISO 5167 and fluids."""

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.flow.restriction import (
    choked_mass_flux,
    critical_pressure_ratio,
    ideal_mass_flux,
    nozzle_expansibility,
    plate_expansibility,
    plate_expansibility_uncertainty,
    pressure_drop_pa,
)

P0, RHO, DP = 101325.0, 101325.0 / (287.05 * 293.15), 28 * 249.08891


def test_mass_flux_agrees_with_heywood() -> None:
    # Heywood, Internal Combustion Engine Fundamentals, eq. C.8, worked by hand at 28 inH2O, 20 C dry
    assert ideal_mass_flux(P0, RHO, DP, 1.4) == pytest.approx(124.73008, rel=1e-6)
    # the incompressible root is 3.9 % too high
    assert (2 * RHO * DP) ** 0.5 / ideal_mass_flux(P0, RHO, DP, 1.4) == pytest.approx(1.039046, rel=1e-6)
    # CoolProp 8.0, real air along the isentrope: 124.7588
    assert ideal_mass_flux(P0, RHO, DP, 1.4) == pytest.approx(124.7588, rel=3e-4)


def test_choking_agrees_with_naca_1135() -> None:
    # NACA Report 1135: critical ratio 0.5283, mass flow function 0.6847 for 1.4
    assert critical_pressure_ratio(1.4) == pytest.approx(0.52828179, abs=1e-8)
    assert choked_mass_flux(P0, RHO, 1.4) == pytest.approx(239.17356, rel=1e-6)
    assert choked_mass_flux(1.0, 1.0, 1.4) == pytest.approx(0.68473146, abs=1e-7)


def test_beyond_choking_the_flux_stays_and_meets_the_other_branch() -> None:
    edge = P0 * (1 - critical_pressure_ratio(1.4))
    assert ideal_mass_flux(P0, RHO, edge * 1.3, 1.4) == choked_mass_flux(P0, RHO, 1.4)
    assert ideal_mass_flux(P0, RHO, edge * (1 - 1e-9), 1.4) == pytest.approx(choked_mass_flux(P0, RHO, 1.4), rel=1e-12)


# ISO 5167-2:2022 table A.12, kappa 1.2: (p2/p1, beta, eps)
@pytest.mark.parametrize(
    ("ratio", "beta", "eps"), [(0.75, 0.1, 0.9252), (0.75, 0.75, 0.8881), (0.98, 0.1, 0.9941), (0.98, 0.75, 0.9912)]
)
def test_plate_expansibility_agrees_with_iso_5167_2(ratio: float, beta: float, eps: float) -> None:
    assert plate_expansibility(ratio, 1.2, beta) == pytest.approx(eps, abs=5e-5)


# ISO 5167-4:2022 table A.1: (tau, kappa, beta, eps)
@pytest.mark.parametrize(
    ("ratio", "kappa", "beta", "eps"),
    [(0.75, 1.2, 0.75, 0.7690), (0.94, 1.4, 0.75, 0.9489), (0.98, 1.66, 0.3, 0.9908), (0.75, 1.4, 0.5623, 0.8402)],
)
def test_nozzle_expansibility_agrees_with_iso_5167_4(ratio: float, kappa: float, beta: float, eps: float) -> None:
    assert nozzle_expansibility(ratio, kappa, beta) == pytest.approx(eps, abs=5e-5)


@given(st.floats(0.75, 0.9999), st.floats(1.2, 1.66), st.floats(0.05, 0.75))
def test_expansibility_agrees_with_fluids(ratio: float, kappa: float, beta: float) -> None:
    p1, p2 = 1e5, 1e5 * ratio
    assert plate_expansibility(p2 / p1, kappa, beta) == pytest.approx(
        fluids.orifice_expansibility(1.0, beta, p1, p2, kappa), rel=1e-12
    )
    assert nozzle_expansibility(p2 / p1, kappa, beta) == pytest.approx(
        fluids.nozzle_expansibility(1.0, beta, p1, p2, kappa), rel=1e-8
    )


def test_a_chamber_wall_is_the_limit_of_no_beta() -> None:
    # by hand at 28 inH2O: nozzle 0.96242170, sharp edge 0.982568
    assert nozzle_expansibility(1 - DP / P0, 1.4) == pytest.approx(0.96242170, abs=1e-8)
    assert plate_expansibility(1 - DP / P0, 1.4) == pytest.approx(0.982568, abs=1e-6)
    assert nozzle_expansibility(1.0, 1.4) == plate_expansibility(1.0, 1.4) == 1.0


def test_the_doubt_in_expansibility_is_a_tenth_of_its_correction() -> None:
    ratio = 0.95
    assert plate_expansibility_uncertainty(ratio, 1.4) == pytest.approx(
        0.1 * (1 - plate_expansibility(ratio, 1.4)), rel=0.05
    )


@given(st.floats(1.0, 40000.0))
def test_the_pressure_drop_comes_back_from_the_flux(dp: float) -> None:
    flux = ideal_mass_flux(P0, RHO, dp, 1.4)
    assert pressure_drop_pa(P0, RHO, flux, 1.4) == pytest.approx(dp, rel=1e-8)


@given(st.floats(1.0, 47000.0), st.floats(1.0, 500.0))
def test_flux_rises_with_the_pressure_difference(dp: float, more: float) -> None:
    here, there = ideal_mass_flux(P0, RHO, dp, 1.4), ideal_mass_flux(P0, RHO, dp + more, 1.4)
    assert there > here or there == choked_mass_flux(P0, RHO, 1.4)


@pytest.mark.parametrize("flux", [-1.0, 240.0, float("nan")])
def test_a_flux_that_no_nozzle_passes_is_refused(flux: float) -> None:
    with pytest.raises(ValueError, match="not possible"):
        pressure_drop_pa(P0, RHO, flux, 1.4)
