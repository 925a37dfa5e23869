"""The published methods that the stabiliser is compared with give their published values."""

import numpy as np
import pytest

from tests.benchmarks.settling.methods import cao_rhinehart, mser, newey_west_slope, von_neumann


def test_cao_and_rhinehart_ratio_of_a_worked_sequence() -> None:
    # worked by hand from the recursions of J. Process Control 5 (1995) 363
    ratios = cao_rhinehart(np.array([10.0, 12, 11, 13, 12, 12]))
    assert ratios == pytest.approx([1.8, 1.5495652, 2.1481474, 2.0994702, 2.2483253], abs=1e-7)


def test_cao_and_rhinehart_ratio_of_a_pure_ramp_is_45() -> None:
    # (2 - l1) / l1^2 at l1 = 0.2, closed form
    assert cao_rhinehart(np.arange(400.0))[-1] == pytest.approx(45.0, rel=1e-6)


def test_von_neumann_ratio_of_independent_samples_has_the_known_spread() -> None:
    # variance 4 (n - 2) / ((n - 1)(n + 1)), J. von Neumann, Ann. Math. Stat. 12 (1941) 367
    rng = np.random.default_rng(3)
    ratios = [von_neumann(rng.standard_normal(25)) for _ in range(4000)]
    assert np.mean(ratios) == pytest.approx(2.0, abs=0.03)
    assert np.std(ratios) == pytest.approx(0.383974, abs=0.02)


def test_newey_west_error_grows_with_correlation_where_the_plain_one_does_not() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(300.0)
    shocks = rng.standard_normal(300)
    correlated = np.zeros(300)
    for i in range(1, 300):
        correlated[i] = 0.8 * correlated[i - 1] + 0.6 * shocks[i]
    _, plain = newey_west_slope(t, shocks)
    _, wide = newey_west_slope(t, correlated)
    assert wide > 1.5 * plain


def test_mser_cuts_a_beginning_that_does_not_belong() -> None:
    rng = np.random.default_rng(7)
    x = np.concatenate([np.linspace(5, 0, 40), np.zeros(160)]) + 0.1 * rng.standard_normal(200)
    assert 30 <= mser(x) <= 50
    assert mser(0.1 * rng.standard_normal(200)) < 60
