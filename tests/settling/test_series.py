"""Published values."""

from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import t as student

from acquire.series import MAD_TO_SIGMA, lag_one, line, n_effective, t_factor


@pytest.mark.parametrize(
    ("n", "f", "expected"), [(100, 0.5, 33.78378), (50, 0.9, 3.242846), (600, 0.95, 15.90106), (30, -0.3, 54.51613)]
)
def test_effective_size_is_that_of_the_covariance_matrix(n: int, f: float, expected: float) -> None:
    # the variance of the mean, summed over the AR(1) covariance matrix element by element
    i = np.arange(n)
    by_matrix = n * n / float(np.sum(f ** np.abs(i[:, None] - i[None, :])))
    assert n_effective(n, f) == pytest.approx(expected, rel=1e-6)
    assert n_effective(n, f) == pytest.approx(by_matrix, rel=1e-9)


def test_a_correlation_of_one_is_refused() -> None:
    with pytest.raises(ValueError, match="between -1 and 1"):
        n_effective(10, 1.0)


def test_the_mad_constant_is_that_of_the_normal_distribution() -> None:
    # F. R. Hampel, J. Am. Stat. Assoc. 69 (1974) 383
    assert pytest.approx(1 / NormalDist().inv_cdf(0.75), abs=1e-12) == MAD_TO_SIGMA


@pytest.mark.parametrize(("dof", "factor"), [(1, 12.71), (4, 2.78), (9, 2.26), (16, 2.12)])
def test_t_factors_are_those_of_the_guide_to_uncertainty_table_g2(dof: float, factor: float) -> None:
    assert t_factor(dof) == pytest.approx(factor, abs=0.005)


@pytest.mark.parametrize("dof", [2.0, 2.5, 3.3, 5.0, 12.7, 80.0, 5e6])
def test_t_factors_of_real_degrees_of_freedom_agree_with_scipy(dof: float) -> None:
    assert t_factor(dof) == pytest.approx(student.ppf(0.975, dof), rel=1e-3)


def test_lag_one_of_an_alternating_row_is_minus_one() -> None:
    # NIST StRD NumAcc4: certified lag-1 coefficient -0.999
    x = np.array([10000000.2] + [10000000.1, 10000000.3] * 500)
    assert lag_one(x) == pytest.approx(-0.999, abs=1e-6)
    assert lag_one(np.ones(9)) == 0.0


def test_a_line_gives_its_mean_and_slope() -> None:
    mean, slope = line(np.array([0.0, 1.0, 2.0, 4.0]), np.array([1.0, 3.0, 5.0, 9.0]))
    assert mean == pytest.approx(4.5)
    assert slope == pytest.approx(2.0)
