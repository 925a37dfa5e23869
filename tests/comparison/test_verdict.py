"""Verdicts on differences: published examples, and the error rates that they promise."""

import numpy as np
import pytest
from scipy.stats import t

from acquire.comparison.verdict import Difference, difference_p, holm, judge, smallest_shown, tost_p


def difference(
    value: float, u: float = 1.0, dof: float = 30.0, margin: float = 1.0, lift_m: float = 0.005
) -> Difference:
    return Difference(lift_m, value, u, dof, margin)


def test_two_one_sided_tests_of_a_published_example() -> None:
    # test of the R package TOSTER: means 5.25 and 5.22, sd 0.95 and 0.83, n 95 and 89, bounds +-0.384, Welch
    u = (0.95**2 / 95 + 0.83**2 / 89) ** 0.5
    its = Difference(0.005, 5.25 - 5.22, u, 181.1344, 0.384)
    assert tost_p(its) == pytest.approx(3.838994e-3, rel=1e-5)


def test_welch_s_test_of_a_published_example() -> None:
    # NIST/SEMATECH e-Handbook 7.3.1 (from memory): t 2.2694, dof 15.5325, p 0.03788
    a = np.array([32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42.0])
    b = np.array([36, 31, 30, 31, 34, 36, 29, 32, 31.0])
    u = float(np.sqrt(a.var(ddof=1) / a.size + b.var(ddof=1) / b.size))
    its = Difference(0.005, float(a.mean() - b.mean()), u, 15.5325, 0.0)
    assert its.value / u == pytest.approx(2.2694, abs=5e-5)
    assert difference_p(its) == pytest.approx(0.03788, abs=5e-6)


def test_holm_s_correction_of_a_worked_example() -> None:
    # by hand, Holm's rule: 0.01 x 4, 0.02 x 3, 0.03 x 2, 0.04 x 1, none below the one before
    assert holm([0.03, 0.01, 0.04, 0.02]) == pytest.approx([0.06, 0.04, 0.06, 0.06])
    assert holm([0.9, 0.8]) == pytest.approx([1.0, 1.0])


def test_with_many_degrees_of_freedom_the_smallest_difference_is_the_handbook_s() -> None:
    # z(0.975) + z(0.80) = 1.959964 + 0.841621
    assert smallest_shown(1.0, 1e6) == pytest.approx(2.801585, abs=2e-3)


@pytest.mark.parametrize("dof", [4.0, 12.0])
def test_the_stated_smallest_difference_is_found_in_four_of_five_next_comparisons(dof: float) -> None:
    random = np.random.default_rng(5)
    this, other = np.sqrt(random.chisquare(dof, (2, 40_000)) / dof)
    values = random.standard_normal(40_000) + smallest_shown(1.0, dof) * this
    assert np.mean(np.abs(values / other) > t.ppf(0.975, dof)) == pytest.approx(0.80, abs=0.01)


def test_each_verdict() -> None:
    assert judge([difference(9.0)]).verdict == "A higher"
    assert judge([difference(-9.0)]).verdict == "B higher"
    assert judge([difference(0.0, u=0.1)]).verdict == "equal"
    assert judge([difference(0.5)]).verdict == "not shown"


def test_a_difference_beyond_doubt_is_claimed_even_inside_the_margin() -> None:
    assert judge([difference(0.5, u=0.05)]).at[0].verdict == "A higher"


def test_curves_that_cross_say_between_which_lifts() -> None:
    lifts = (0.002, 0.004, 0.006, 0.008)
    found = judge([difference(v, lift_m=lift) for v, lift in zip((9.0, 3.0, -3.0, -9.0), lifts, strict=True)])
    assert found.verdict == "crossing"
    ((low, high),) = found.crossings
    assert 0.002 < low < 0.005 < high < 0.008
    assert low + high == pytest.approx(0.010)


def test_over_ten_lifts_a_difference_is_falsely_claimed_in_at_most_one_of_twenty() -> None:
    random, dof = np.random.default_rng(7), 8.0
    false = 0
    for _ in range(1500):
        u = np.sqrt(random.chisquare(dof, 10) / dof)
        values = random.standard_normal(10)
        found = judge([difference(float(v), float(s), dof) for v, s in zip(values, u, strict=True)])
        false += any(its.verdict.endswith("higher") for its in found.at)
    assert 0.02 < false / 1500 <= 0.065  # 5 % and three standard errors


def test_what_cannot_be_judged_is_said() -> None:
    with pytest.raises(ValueError, match="no lift that both"):
        judge([])
    with pytest.raises(ValueError, match="uncertainty above zero"):
        judge([difference(1.0, u=0.0)])
