"""Propagation of uncertainty against the worked examples of the GUM and its supplement."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest

from acquire.budget.propagation import (
    UNLIMITED_DOF,
    Input,
    confirm,
    coverage_factor,
    monte_carlo,
    normal,
    numerical_tolerance,
    propagate,
    rectangular,
)


def _total(x: Mapping[str, Any]) -> Any:
    return sum(x.values())


def _product(x: Mapping[str, Any]) -> Any:
    return math.prod(x.values())


def test_the_end_gauge_has_the_uncertainty_of_gum_h1() -> None:
    # JCGM 100:2008 H.1: components in nm with their degrees of freedom -> u_c 32 nm, nu_eff 16
    parts = [("standard", 25.0, 18.0), ("comparator", 9.7, 25.6), ("expansion", 2.9, 50.0), ("temperature", 16.6, 2.0)]
    inputs = [Input(name, 0.0, "nm", u, "t", dof) for name, u, dof in parts]
    result = propagate(_total, inputs)
    assert result.standard_uncertainty == pytest.approx(31.66, abs=0.06)
    assert result.dof == pytest.approx(16.75, abs=0.1)
    # t at 16, rounded down: table G.2
    assert result.coverage_factor == pytest.approx(2.12, abs=0.005)


def test_effective_degrees_of_freedom_agree_with_gum_g4() -> None:
    # JCGM 100:2008 G.4.1 example: relative 0.25, 0.57, 0.82 % with n 10, 5, 15 -> 1.03 %, nu_eff 19.0, U 2.2 %
    parts = [(0.0025, 9.0), (0.0057, 4.0), (0.0082, 14.0)]
    inputs = [Input(str(n), 1.0, "1", u, "t", dof) for n, (u, dof) in enumerate(parts)]
    result = propagate(_product, inputs)
    assert result.standard_uncertainty == pytest.approx(0.0103, abs=5e-5)
    assert result.dof == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=0.005)
    assert result.standard_uncertainty * coverage_factor(19.0) == pytest.approx(0.022, abs=5e-4)


# JCGM 100:2008 table G.2, 95 %
@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 12.71), (4, 2.78), (9, 2.26), (16, 2.12), (16.99, 2.12), (0.3, 12.71), (20, 2.09), (50, 2.01), (1e6, 1.96)],
)
def test_coverage_factors_agree_with_table_g2(dof: float, factor: float) -> None:
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.006)


# JCGM 100:2008 H.2: five simultaneous readings of V, I and phi (V, mA, rad); means correlated as the readings are
_V = (5.007, 4.994, 5.005, 4.990, 4.999)
_I = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
_PHI = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def _sine(angle: Any) -> Any:
    # its power series: formulas have arithmetic and powers only
    return sum((-1) ** n * angle ** (2 * n + 1) / math.factorial(2 * n + 1) for n in range(14))


@pytest.mark.parametrize(
    ("formula", "value", "u", "u_without"),
    [
        (lambda x: x["V"] / x["I"] * _sine(x["phi"] + math.pi / 2), 127.732, 0.071, 0.195),
        (lambda x: x["V"] / x["I"] * _sine(x["phi"]), 219.847, 0.295, 0.201),
        (lambda x: x["V"] / x["I"], 254.260, 0.236, 0.204),
    ],
)
def test_correlated_inputs_have_the_uncertainty_of_gum_h2(
    formula: Callable[[Mapping[str, Any]], Any], value: float, u: float, u_without: float
) -> None:
    readings = {"V": np.array(_V), "I": np.array(_I), "phi": np.array(_PHI)}
    inputs = [Input(k, float(v.mean()), "1", float(v.std(ddof=1)) / math.sqrt(5.0)) for k, v in readings.items()]
    pairs = [("V", "I"), ("V", "phi"), ("I", "phi")]
    r = {(a, b): float(np.corrcoef(readings[a], readings[b])[0, 1]) for a, b in pairs}
    result = propagate(formula, inputs, r)
    assert result.value == pytest.approx(value, abs=0.001)
    assert result.standard_uncertainty == pytest.approx(u, abs=0.001)
    assert propagate(formula, inputs).standard_uncertainty == pytest.approx(u_without, abs=0.001)


def test_correlated_inputs_must_have_unlimited_degrees_of_freedom() -> None:
    inputs = [Input("a", 1.0, "1", 0.1, "t", 4.0), Input("b", 1.0, "1", 0.1)]
    with pytest.raises(ValueError, match="a is correlated"):
        propagate(_total, inputs, {("a", "b"): 0.5})


def test_contributions_keep_the_sign_of_their_sensitivity() -> None:
    result = propagate(lambda x: x["a"] / x["b"], [Input("a", 2.0, "1", 0.02), Input("b", 4.0, "1", 0.04)])
    assert [c.contribution_rel for c in result.components] == pytest.approx([0.01, -0.01])


# JCGM 101:2008, 7.9.2, examples (from memory): u 0.000 35 with two digits, rounded to one, and 2 K
@pytest.mark.parametrize(("u", "digits", "tolerance"), [(0.00035, 2, 5e-6), (0.00035, 1, 5e-5), (2.0, 1, 0.5)])
def test_the_numerical_tolerance_is_half_of_the_last_digit(u: float, digits: int, tolerance: float) -> None:
    assert numerical_tolerance(u, digits) == pytest.approx(tolerance)
    assert numerical_tolerance(0.0, digits) == 0.0


def test_first_order_is_told_to_hold_or_not_as_supplement_1_tells_it() -> None:
    # JCGM 101:2008 9.2.2: four normal inputs, first order holds; 9.2.4: one rectangle ten times the others, it does not
    gauss = [Input(str(n), 0.0, "1", 1.0) for n in range(4)]
    wide = [Input(str(n), 0.0, "1", 10.0 if n == 3 else 1.0, "rectangular") for n in range(4)]
    for inputs, holds in ((gauss, True), (wide, False)):
        result = propagate(_total, inputs)
        drawn = monte_carlo(_total, inputs, 100_000)
        found = confirm(result.value, result.standard_uncertainty, result.coverage_factor, drawn, 2)
        assert found.holds is holds
        assert found.tolerance == pytest.approx(0.05 if holds else 0.5)
        # the interval of first order in 9.2.4: +-19.9
        assert found.high_95 == pytest.approx(3.92 if holds else 19.9, abs=0.05)


def test_unlimited_degrees_of_freedom_are_a_finite_number() -> None:
    result = propagate(_total, [normal("a", 1.0, "1", 0.1, shared=True)])
    assert result.dof == UNLIMITED_DOF
    assert result.coverage_factor == pytest.approx(1.96, abs=1e-4)
    assert result.components[0].dof == UNLIMITED_DOF


def test_a_difference_keeps_what_is_common_out() -> None:
    # u^2 = u1^2 + u2^2 - 2 r u1 u2 with r 0.9: 0.4472 % and not 1.4142 %, by hand
    inputs = [
        Input("common", 0.0, "%", math.sqrt(0.9)),
        Input("first", 0.0, "%", math.sqrt(0.1)),
        Input("second", 0.0, "%", math.sqrt(0.1)),
    ]
    difference = propagate(lambda x: (x["common"] + x["first"]) - (x["common"] + x["second"]), inputs)
    assert difference.standard_uncertainty == pytest.approx(0.4472, abs=1e-4)


def test_a_result_of_zero_has_a_budget_too() -> None:
    result = propagate(lambda x: x["a"] - x["b"], [Input("a", 1.0, "1", 0.1), Input("b", 1.0, "1", 0.1)])
    assert result.value == 0.0
    assert [c.contribution_rel for c in result.components] == pytest.approx([1 / math.sqrt(2), -1 / math.sqrt(2)])
    nothing = propagate(lambda x: x["a"] * 0.0, [Input("a", 1.0, "1", 0.1)])
    assert (nothing.standard_uncertainty, nothing.components[0].contribution_rel) == (0.0, 0.0)


def test_repeated_propagation_gives_the_same_bits() -> None:
    inputs = [Input(str(n), 1.0 + n, "1", 0.01 * (n + 1), "t", 3.0 + n) for n in range(12)]
    assert propagate(_product, inputs) == propagate(_product, inputs)


# JCGM 101:2008 9.2.2 to 9.2.4: sums of four
def test_monte_carlo_agrees_with_supplement_1_on_sums() -> None:
    gauss = monte_carlo(_total, [Input(str(n), 0.0, "1", 1.0) for n in range(4)], 200_000)
    assert gauss.standard_deviation == pytest.approx(2.00, abs=0.02)
    assert (gauss.low_95, gauss.high_95) == pytest.approx((-3.92, 3.92), abs=0.04)
    flat = [Input(str(n), 0.0, "1", 1.0, "rectangular") for n in range(4)]
    rectangles = monte_carlo(_total, flat, 200_000)
    # exact Irwin-Hall: 3.8794
    assert (rectangles.low_95, rectangles.high_95) == pytest.approx((-3.88, 3.88), abs=0.03)
    wide = monte_carlo(_total, [*flat[:3], Input("3", 0.0, "1", 10.0, "rectangular")], 200_000)
    assert wide.standard_deviation == pytest.approx(10.149, abs=0.05)
    assert (wide.low_95, wide.high_95) == pytest.approx((-17.0, 17.0), abs=0.1)


def test_monte_carlo_finds_what_first_order_misses_in_the_mass_of_supplement_1() -> None:
    # JCGM 101:2008 9.3: first order u 0.0539 mg, Monte Carlo 0.0754 mg and 1.083..1.383 mg
    def excess(x: Mapping[str, Any]) -> Any:
        return (x["m_r"] + x["dm_r"]) * (1 + (x["air"] - 1.2) * (1 / x["w"] - 1 / x["r"])) - 100_000.0

    inputs = [
        Input("m_r", 100_000.0, "mg", 0.050),
        Input("dm_r", 1.234, "mg", 0.020),
        rectangular("air", 1.2, "kg/m3", 0.1, shared=True),
        rectangular("w", 8000.0, "kg/m3", 1000.0, shared=True),
        rectangular("r", 8000.0, "kg/m3", 50.0, shared=True),
    ]
    first_order, drawn = propagate(excess, inputs), monte_carlo(excess, inputs, 200_000)
    assert first_order.standard_uncertainty == pytest.approx(0.0539, abs=1e-4)
    assert drawn.standard_deviation == pytest.approx(0.0754, abs=0.001)
    assert (drawn.low_95, drawn.high_95) == pytest.approx((1.083, 1.383), abs=0.004)


def test_monte_carlo_repeats_with_its_seed_and_refuses_too_few_draws() -> None:
    inputs = [Input("a", 1.0, "1", 0.1, "t", 5.0)]
    assert monte_carlo(_total, inputs, 2000, 7) == monte_carlo(_total, inputs, 2000, 7)
    assert monte_carlo(_total, inputs, 2000, 8) != monte_carlo(_total, inputs, 2000, 7)
    with pytest.raises(ValueError, match="too few"):
        monte_carlo(_total, inputs, 10)
