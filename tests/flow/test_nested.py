"""Mounts and pulls within a mount: against certified values and published examples, and on invented benches."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from acquire.repeat.nested import Nested, nested
from acquire.repeat.record import LiftRepeat
from acquire.repeat.smallest import found_ratio, smallest_difference_m3_s

NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


# NIST StRD, analysis of variance: certified F and residual standard deviation (data files as scipy carries them)
@pytest.mark.parametrize(
    ("name", "f", "sd", "tolerance"),
    [
        ("SiRstv", 1.18046237440255, 0.104076068334656, 1e-10),
        ("AtmWtAg", 15.9467335677930, 1.51048314446410e-5, 1e-7),
        ("SmLs01", 21.0, None, 1e-10),
        ("SmLs02", 201.0, None, 1e-10),
        ("SmLs04", 21.0, None, 1e-6),
        ("SmLs07", 21.0, None, 1e-3),
    ],
)
def test_mean_squares_agree_with_nist(name: str, f: float, sd: float | None, tolerance: float) -> None:
    lines = (NIST / f"{name}.dat").read_text().splitlines()[60:]
    groups: dict[str, list[float]] = {}
    for line in filter(str.strip, lines):
        group, value = line.split()
        groups.setdefault(group, []).append(float(value))
    study = nested(list(groups.values()))
    assert study.f == pytest.approx(f, rel=tolerance)
    if sd is not None:
        assert study.s_within == pytest.approx(sd, rel=tolerance)


def test_days_as_mounts_agree_with_gum_h5() -> None:
    # JCGM 100:2008 H.5: ten days with five readings each, means in uV over 10 V and their standard deviations
    means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0]
    deviations = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0]
    # five readings with exactly that mean and standard deviation
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    study = nested([(m + s * shape).tolist() for m, s in zip(means, deviations, strict=True)])
    assert (study.groups, study.values, study.per_group) == (10, 50, 5.0)
    assert study.mean == pytest.approx(97.0, abs=0.5)
    assert study.s_within == pytest.approx(85.0, abs=0.5)
    assert math.sqrt(study.ms_between / 5.0) == pytest.approx(57.0, abs=0.5)
    assert study.f == pytest.approx(2.25, abs=0.03)
    assert study.s_between == pytest.approx(43.0, abs=0.5)
    # of the mean over ten days of five readings: 18 uV with the nine degrees of freedom of the days
    variance, dof = study.of_mean(10, 5)
    assert math.sqrt(variance) == pytest.approx(18.0, abs=0.2)
    assert dof == pytest.approx(9.0)


def test_parts_as_mounts_agree_with_the_gauge_study_of_aiag() -> None:
    # AIAG MSA, 4th ed., tables III-B 7 and 8: ten parts, nine values each; SS of parts 88.3619 (9); what is left of
    # the total 94.6471 (89) is 6.2852 (80)
    rows = """
        .29 .41 .64 .08 .25 .07 .04 -.11 -.15 | -.56 -.68 -.58 -.47 -1.22 -.68 -1.38 -1.13 -.96 |
        1.34 1.17 1.27 1.19 .94 1.34 .88 1.09 .67 | .47 .50 .64 .01 1.03 .20 .14 .20 .11 |
        -.80 -.92 -.84 -.56 -1.20 -1.28 -1.46 -1.07 -1.45 | .02 -.11 -.21 -.20 .22 .06 -.29 -.67 -.49 |
        .59 .75 .66 .47 .55 .83 .02 .01 .21 | -.31 -.20 -.17 -.63 .08 -.34 -.46 -.56 -.49 |
        2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87 | -1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
    """
    study = nested([[float(value) for value in row.split()] for row in rows.split("|")])
    assert study.ms_between * 9.0 == pytest.approx(88.3619, abs=1e-4)
    assert study.ms_within * 80.0 == pytest.approx(94.6471 - 88.3619, abs=2e-4)
    assert (study.dof_between, study.dof_within) == (9.0, 80.0)


def test_unequal_groups_agree_with_scipy_and_the_expected_mean_squares() -> None:
    groups = [[10.1, 10.3, 9.9], [11.0, 11.4], [9.5, 9.6, 9.9, 9.4], [10.4]]
    study = nested(groups)
    assert study.f == pytest.approx(scipy.stats.f_oneway(*groups).statistic, rel=1e-12)
    # n0 by hand: (10 - (9 + 4 + 16 + 1)/10) / 3
    assert study.per_group == pytest.approx(7.0 / 3.0)
    assert study.s_between**2 * study.per_group + study.ms_within == pytest.approx(study.ms_between)


def test_a_negative_estimate_between_mounts_counts_as_zero_and_is_said() -> None:
    study = nested([[1.0, 3.0], [1.1, 2.9], [1.05, 3.0]])
    assert study.negative
    assert (study.s_between, study.s_between_dof) == (0.0, 2.0)
    assert study.of_mean(2, 3) == (study.ms_within / 6.0, 2.0)


@given(st.lists(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=5), min_size=2, max_size=6), st.floats(-1e4, 1e4))
def test_moving_all_values_moves_the_mean_alone(groups: list[list[float]], by: float) -> None:
    if all(len(group) == 1 for group in groups):
        groups = [*groups, [0.0, 1.0]]
    here, there = nested(groups), nested([[value + by for value in group] for group in groups])
    assert there.mean == pytest.approx(here.mean + by, abs=1e-6)
    assert there.s_within == pytest.approx(here.s_within, abs=1e-4)
    assert there.ms_between == pytest.approx(here.ms_between, rel=1e-6, abs=1e-4)


def test_equal_values_scatter_by_nothing() -> None:
    study = nested([[2.0, 2.0], [2.0]])
    assert (study.s_within, study.s_between, study.f, study.of_mean()[0]) == (0.0, 0.0, 1.0, 0.0)
    assert nested([[2.0, 2.0], [3.0]]).f == math.inf


@pytest.mark.parametrize(
    ("groups", "said"),
    [([[1.0, 2.0]], "one group"), ([[1.0], [2.0]], "one value in each group"), ([[], [1.0, 2.0]], "one group")],
)
def test_what_is_no_study_is_refused(groups: list[list[float]], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        nested(groups)


# ------------------------------------------------------------ invented benches, whose scatter is known

WITHIN, BETWEEN = 0.4, 0.8


def _studies(count: int, sizes: tuple[int, ...], seed: int) -> list[Nested]:
    random = np.random.default_rng(seed)
    return [
        nested([(200.0 + random.normal(0, BETWEEN) + random.normal(0, WITHIN, n)).tolist() for n in sizes])
        for _ in range(count)
    ]


def _covers(estimate: float, dof: float, truth: float) -> bool:
    low, high = scipy.stats.chi2.ppf((0.025, 0.975), dof)
    return bool(estimate**2 * dof / high <= truth**2 <= estimate**2 * dof / low)


@pytest.mark.parametrize("sizes", [(3,) * 8, (4, 2, 3, 5, 2, 3, 1, 4)])
def test_the_estimates_cover_the_truth_with_their_degrees_of_freedom(sizes: tuple[int, ...]) -> None:
    studies = _studies(1000, sizes, 5)
    within = np.mean([_covers(s.s_within, s.dof_within, WITHIN) for s in studies])
    between = np.mean([_covers(s.s_between, s.s_between_dof, BETWEEN) for s in studies if not s.negative])
    of_one = np.mean([_covers(math.sqrt(s.of_mean()[0]), s.of_mean()[1], math.hypot(WITHIN, BETWEEN)) for s in studies])
    # 0.95 within three standard errors of 1000 studies; sums of mean squares only nearly follow chi squared,
    # and that between unequal mounts less so: 0.92
    assert within == pytest.approx(0.95, abs=0.021)
    assert between == pytest.approx(0.95, abs=0.03)
    assert of_one == pytest.approx(0.95, abs=0.02 if len(set(sizes)) == 1 else 0.04)
    # unbiased
    assert np.mean([s.ms_within for s in studies]) == pytest.approx(WITHIN**2, rel=0.03)
    components = [(s.ms_between - s.ms_within) / s.per_group for s in studies]
    assert np.mean(components) == pytest.approx(BETWEEN**2, rel=0.07)


@pytest.mark.parametrize("pulls", [1, 3])
def test_the_smallest_difference_is_found_in_about_eight_of_ten_cases_when_it_is_there(pulls: int) -> None:
    random = np.random.default_rng(pulls)
    found = wrong = 0
    studies = _studies(120, (3,) * 10, 17 + pulls)
    each = 50
    for study in studies:
        smallest = smallest_difference_m3_s(LiftRepeat.of(0.01, study), pulls)
        variance, dof = study.of_mean()
        limit = scipy.stats.t.ppf(0.975, dof + 2 * (pulls - 1))
        for truth in (smallest, 0.0):
            heads = random.normal(0.0, math.hypot(WITHIN, BETWEEN), (each, 2, pulls))
            heads[:, 0] += truth
            own = ((heads - heads.mean(axis=2, keepdims=True)) ** 2).sum(axis=(1, 2))
            pooled = (variance * dof + own) / (dof + 2 * (pulls - 1))
            apart = heads[:, 0].mean(axis=1) - heads[:, 1].mean(axis=1)
            claimed = int((np.abs(apart) > limit * np.sqrt(2.0 * pooled / pulls)).sum())
            if truth:
                found += claimed
            else:
                wrong += claimed
    assert found / (each * len(studies)) == pytest.approx(0.80, abs=0.04)
    assert wrong / (each * len(studies)) == pytest.approx(0.05, abs=0.02)


@pytest.mark.parametrize("mounts", [2, 3, 5])
@pytest.mark.parametrize("between", [0.0, 0.4, 0.8])
def test_few_mounts_do_not_let_more_false_claims_pass(mounts: int, between: float) -> None:
    random = np.random.default_rng(8)
    passed = []
    truth = math.hypot(WITHIN, between)
    for _ in range(600):
        groups = [(random.normal(0, between) + random.normal(0, WITHIN, 3)).tolist() for _ in range(mounts)]
        variance, dof = nested(groups).of_mean()
        limit = scipy.stats.t.ppf(0.975, max(dof, 1.0)) * math.sqrt(variance)
        # two equal heads, one pull each: how often their difference is beyond the limit
        passed.append(2.0 * scipy.stats.norm.sf(limit / truth))
    assert np.mean(passed) <= 0.065


def test_the_power_is_that_of_the_noncentral_t_distribution() -> None:
    study = Nested(6, 18, 3.0, 100.0, 2.0, 0.5)
    its = LiftRepeat.of(0.01, study)
    for pulls, remounted in ((1, True), (4, True), (3, False)):
        variance, dof = study.of_mean(pulls, 1) if remounted else study.of_mean(1, pulls)
        dof += 2 * (pulls - 1) if remounted else 0
        limit = scipy.stats.t.ppf(0.975, dof)
        apart = smallest_difference_m3_s(its, pulls, remounted=remounted) / math.sqrt(2.0 * variance)
        assert scipy.stats.nct.sf(limit, dof, apart) == pytest.approx(0.80, abs=1e-3)
    # the handbook's 2.80 with many degrees of freedom
    assert found_ratio(1e6) == pytest.approx(2.80, abs=0.005)


@pytest.mark.parametrize("dof", [1.0, 1.3, 2.0, 7.7, 60.0, 5000.0])
def test_a_ratio_is_found_for_any_degrees_of_freedom(dof: float) -> None:
    assert found_ratio(dof) >= found_ratio(dof + 1.0) > 2.8


def test_pulls_without_remounting_cannot_better_the_mounting() -> None:
    its = LiftRepeat.of(0.01, Nested(6, 18, 3.0, 100.0, 2.0, 0.5))
    assert smallest_difference_m3_s(its, 10) < 0.4 * smallest_difference_m3_s(its, 1)
    assert smallest_difference_m3_s(its, 1000, remounted=False) > 0.8 * smallest_difference_m3_s(its, 1)
