"""Individuals and moving-range charts against the published example and the published run lengths."""

import numpy as np
import pytest

from acquire.ready.control_chart import BASE, LEAST_BEFORE, Limits, judge_last, limits_of, moving_ranges, signals_of

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rate of ten batches; data and limits from memory
FLOW_RATES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
UNIT = Limits(0.0, 1.0, -3.0, 3.0, 1.128, 3.267 * 1.128, 20)


def test_the_published_example_gives_its_published_limits() -> None:
    limits = limits_of(FLOW_RATES)
    assert limits.centre == pytest.approx(50.81, abs=5e-3)
    assert limits.range_centre == pytest.approx(1.8778, abs=5e-5)
    assert limits.high == pytest.approx(55.8041, abs=5e-5)
    assert limits.low == pytest.approx(45.8159, abs=5e-5)
    assert limits.range_high == pytest.approx(3.267 * 1.8778, abs=5e-4)
    # the handbook finds the process in control
    assert signals_of(FLOW_RATES, limits) == []


def test_moving_ranges_are_those_of_the_published_example() -> None:
    assert moving_ranges(FLOW_RATES) == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])


def test_the_limits_are_2_66_and_3_267_mean_ranges() -> None:
    # the factors that textbooks print for these charts: 3 / d2 = 2.66, D4 = 3.267
    limits = limits_of([1.0, 3.0, 2.0, 4.0])
    assert limits.high - limits.centre == pytest.approx(2.66 * limits.range_centre, rel=1e-3)
    assert limits.range_high == pytest.approx(3.267 * limits.range_centre)


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ([0.1, -0.2, 3.1], "beyond 3 sigma"),
        ([0.1, -0.2, -3.1], "beyond 3 sigma"),
        ([2.1, -0.1, 2.1], "2 of 3 beyond 2 sigma on one side"),
        ([1.1, 1.2, -0.5, 1.3, 1.1], "4 of 5 beyond 1 sigma on one side"),
        ([0.2, 0.5, 0.1, 0.6, 0.2, 0.7, 0.1, 0.4], "8 in a row on one side"),
        ([-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], "6 in a row rising or falling"),
        ([0.5, 0.3, 0.1, -0.1, -0.3, -0.5], "6 in a row rising or falling"),
        ([0.1 * (-1) ** n for n in range(14)], "14 in a row up and down by turns"),
    ],
)
def test_each_rule_is_broken_by_its_pattern_and_by_nothing_shorter(values: list[float], rule: str) -> None:
    found = signals_of(values, UNIT)
    assert [(its.index, its.rule) for its in found] == [(len(values) - 1, rule)]
    assert signals_of(values[1:], UNIT) == [] or rule == "beyond 3 sigma"


@pytest.mark.parametrize(
    "values",
    [
        [2.1, -2.1, 0.0],
        [1.1, 1.2, -1.3, 0.2, 1.1],
        [0.2, 0.5, 0.1, -0.6, 0.2, 0.7, 0.1, 0.4],
        [0.1, 0.2, 0.3, 0.3, 0.4, 0.5],
    ],
)
def test_near_misses_break_no_rule(values: list[float]) -> None:
    assert signals_of(values, UNIT) == []


def test_the_four_western_electric_rules_cry_wolf_once_in_92_values() -> None:
    # e-Handbook 6.3.2: 91.75 values on average (Champ & Woodall, Technometrics 29, 1987); the 3-sigma limits alone 371
    chance = np.random.default_rng(5)
    lengths = []
    for _ in range(250):
        values: list[float] = []
        while True:
            values.append(float(chance.normal()))
            recent = values[-8:]
            rules = {its.rule for its in signals_of(recent, UNIT) if its.index == len(recent) - 1}
            if rules - {"6 in a row rising or falling", "14 in a row up and down by turns"}:
                break
        lengths.append(len(values))
    # standard error of the mean of 250 lengths is about 5.7
    assert np.mean(lengths) == pytest.approx(91.75, abs=17)


def test_nothing_is_said_before_there_is_a_history() -> None:
    assert judge_last([1.0] * LEAST_BEFORE) is None
    assert judge_last([1.0, 1.1] * (LEAST_BEFORE // 2) + [1.0]) is not None


def test_the_last_value_is_judged_by_those_before_it() -> None:
    history = FLOW_RATES
    judged = judge_last([*history, 58.0])
    assert judged is not None
    limits, signals = judged
    assert limits == limits_of(history)
    assert {its.rule for its in signals} >= {"beyond 3 sigma"}
    judged = judge_last([*history, 52.0])
    assert judged is not None
    assert judged[1] == []


def test_a_step_beyond_the_moving_range_is_told() -> None:
    judged = judge_last([*FLOW_RATES[:-1], 54.0, 47.0])
    assert judged is not None
    assert [its.rule for its in judged[1]] == ["a step beyond the limit of the moving range"]


def test_a_slow_drift_does_not_carry_its_limits_along() -> None:
    chance = np.random.default_rng(2)
    base = [float(chance.normal()) for _ in range(BASE)]
    drifting = base + [0.15 * n for n in range(1, 31)]
    judged = judge_last(drifting)
    assert judged is not None
    assert judged[0] == limits_of(base)
    assert "beyond 3 sigma" in {its.rule for its in judged[1]}


def test_values_that_never_differ_make_any_difference_a_signal() -> None:
    assert signals_of([1.0] * 9, limits_of([1.0] * 9)) == []
    judged = judge_last([1.0] * 9 + [1.001])
    assert judged is not None
    assert "beyond 3 sigma" in {its.rule for its in judged[1]}


def test_too_few_values_or_no_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        limits_of([1.0])
    with pytest.raises(ValueError, match="not a number"):
        limits_of([1.0, float("nan")])
