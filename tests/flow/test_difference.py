"""The difference of two readings: what is common cancels, everything else stays."""

import dataclasses
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.budget.difference import contributions_m3_s, difference
from acquire.budget.propagation import UNLIMITED_DOF, Input, monte_carlo
from acquire.flow.reading import Neighbour, Window, measurement
from acquire.values import Component, FlowResult
from tests.flow.bench import CHANNELS, INH2O, captured, evaluated, flow_model, leakage_law

TEST_PA = 28 * INH2O


def result(flow_m3_s: float, *parts: Component) -> FlowResult:
    """A flow stated as 100 m/s times its area, with that budget."""
    area = flow_m3_s / 100.0
    u = area * math.hypot(*(part.contribution_rel for part in parts))
    return FlowResult(0.1, area, u, 100.0, 2.0, flow_m3_s, 200.0 * u, 0.0, 0.0, parts)


def part(name: str, rel: float, *, shared: bool, dof: float = UNLIMITED_DOF) -> Component:
    return Component(name, 1.0, "1", abs(rel), "normal", dof, rel, shared)


def test_the_difference_of_two_heads_keeps_what_is_common_out() -> None:
    # u^2 = u1^2 + u2^2 - 2 r u1 u2 with u 1.0 % each and r 0.9: 0.4472 %, not 1.4142 %, by hand
    budget = (part("meter", -0.01 * math.sqrt(0.9), shared=True), part("reading", 0.01 * math.sqrt(0.1), shared=False))
    head = result(0.1, *budget)
    found = difference(head, head, {"meter"})
    assert found.standard_uncertainty_m3_s / 0.1 == pytest.approx(0.004472, abs=1e-6)
    assert found.standard_uncertainty_rel == pytest.approx(0.004472, abs=1e-6)
    apart = difference(head, head, set())
    assert apart.standard_uncertainty_m3_s / 0.1 == pytest.approx(0.014142, abs=1e-6)


@given(st.floats(1e-6, 0.99), st.floats(0.0, 0.05), st.floats(1e-4, 1.0))
def test_equal_heads_differ_by_nothing_however_wrong_the_meter_is(wrong: float, own: float, flow: float) -> None:
    head = result(flow, part("meter", -wrong, shared=True), part("reading", own, shared=False))
    found = difference(head, head, {"meter"})
    assert (found.value_m3_s, found.relative) == (0.0, 0.0)
    assert found.standard_uncertainty_m3_s == pytest.approx(own * math.sqrt(2.0) * flow, rel=1e-9)
    assert next(its.left_m3_s for its in found.parts if its.name == "meter") == 0.0


def test_a_common_relative_error_stays_in_the_difference_and_not_in_the_ratio() -> None:
    # a meter 1 % wrong makes 100 and 80 differ by 20.2 instead of 20, and their ratio stays
    scale = part("meter", 0.01, shared=True)
    found = difference(result(0.100, scale, part("r", -1e-9, shared=False)), result(0.080, scale), {"meter"})
    assert found.value_m3_s == pytest.approx(0.020)
    assert found.relative == pytest.approx(0.25)
    assert found.standard_uncertainty_m3_s == pytest.approx(0.01 * 0.020, rel=1e-6)
    assert found.standard_uncertainty_rel == pytest.approx(0.0, abs=1e-8)


def test_opposite_signs_add_where_a_common_error_moves_both_apart() -> None:
    first = result(0.1, part("lift", -0.003, shared=True))
    second = result(0.1, part("lift", 0.003, shared=True), part("test", -1e-9, shared=False))
    assert difference(first, second, {"lift"}).standard_uncertainty_m3_s == pytest.approx(0.0006, rel=1e-6)
    # budgets of the first version hold magnitudes: both are then taken to have the same sign
    unsigned = result(0.1, part("lift", 0.003, shared=True))
    assert difference(first, unsigned, {"lift"}).standard_uncertainty_m3_s == 0.0


def test_what_is_not_marked_shared_never_cancels() -> None:
    head = result(0.1, part("reading", -0.01, shared=False))
    expected = pytest.approx(0.01 * math.sqrt(2.0) * 0.1)
    assert difference(head, head, {"reading"}).standard_uncertainty_m3_s == expected
    lone = result(0.1, part("other", 0.01, shared=True))
    assert difference(head, lone, {"reading", "other"}).standard_uncertainty_m3_s == expected


def test_degrees_of_freedom_follow_what_is_left() -> None:
    # Welch-Satterthwaite for two equal parts with 10 each: 20, by hand; the common one does not count
    head = result(0.1, part("meter", -0.05, shared=True, dof=3.0), part("reading", 0.01, shared=False, dof=10.0))
    found = difference(head, head, {"meter"})
    assert [found.dof, found.dof_rel] == pytest.approx([20.0, 20.0])
    # t at 20, JCGM 100 table G.2
    assert found.coverage_factor == pytest.approx(2.09, abs=0.005)
    assert found.half_width_95_m3_s == pytest.approx(found.coverage_factor * found.standard_uncertainty_m3_s)
    exact = result(0.1)
    assert difference(exact, exact, set()).dof == UNLIMITED_DOF


def test_a_difference_from_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="second reading is zero"):
        difference(result(0.1), result(0.0), set())


def test_the_difference_of_two_real_budgets_agrees_with_monte_carlo() -> None:
    # both formulas on the same draws of what is common: JCGM 101 with the covariance left to the draws
    model = flow_model()
    heads = []
    for meter_pa, below in ((8 * INH2O, 3.6e-4), (7 * INH2O, 3.3e-4)):
        capture = captured(model.effective_area_m2(meter_pa, TEST_PA), dof=80.0)
        window, neighbour = Window(TEST_PA, meter_pa, 0.0100, 0.0101), Neighbour(0.008, below)
        its = measurement(model, capture, window, neighbour, leakage_law(), CHANNELS)
        stated = evaluated(
            model,
            capture=capture,
            meter_pa=meter_pa,
            lift_m=0.0100,
            step_lift_m=0.0101,
            neighbour=neighbour,
            leakage=leakage_law(),
        )
        heads.append((its, stated))
    (a, first), (b, second) = heads
    common = {its.name for its in first.budget if its.shared}
    # what is common is drawn once, as a deviation from each reading's own value
    inputs: list[Input] = []
    for its, tag in ((a, "a"), (b, "b")):
        for one in its.inputs:
            if one.name in common and tag == "b":
                continue
            inputs.append(dataclasses.replace(one, name=one.name if one.name in common else f"{tag} {one.name}"))
    by_name = {one.name: one for one in a.inputs}

    def apart(x: Any) -> float:
        of_a = {one.name: x[one.name] if one.name in common else x[f"a {one.name}"] for one in a.inputs}
        of_b = {}
        for one in b.inputs:
            if one.name in common:
                its = by_name[one.name]
                z = (x[one.name] - its.value) / its.standard_uncertainty
                of_b[one.name] = one.value + z * one.standard_uncertainty
            else:
                of_b[one.name] = x[f"b {one.name}"]
        return float(a.area_m2(of_a) - b.area_m2(of_b))

    drawn = monte_carlo(apart, inputs, 4_000)
    found = difference(first, second, common)
    speed = model.stated_flow_m3_s(1.0)
    assert found.value_m3_s == pytest.approx(drawn.mean * speed, rel=2e-3)
    assert found.standard_uncertainty_m3_s == pytest.approx(drawn.standard_deviation * speed, rel=0.04)
    assert found.standard_uncertainty_m3_s < 0.75 * math.hypot(
        *(r.half_width_95_m3_s / r.coverage_factor for r in (first, second))
    )


def test_contributions_sum_to_the_stated_uncertainty() -> None:
    found = evaluated(lift_m=0.01, step_lift_m=0.0101)
    assert math.hypot(*contributions_m3_s(found)) == pytest.approx(
        found.half_width_95_m3_s / found.coverage_factor, rel=1e-9
    )
