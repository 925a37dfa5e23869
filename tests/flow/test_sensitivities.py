"""Budgets against GTC, the uncertain numbers of the Measurement Standards Laboratory of New Zealand."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, get_args

import GTC
import pytest
from GTC import reporting
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.budget.propagation import UNLIMITED_DOF, Input, Propagated, coverage_factor, propagate
from acquire.budget.sensitivities import sensitivities
from acquire.flow import air
from acquire.flow.reading import FlowModel, Neighbour, Window, measurement
from acquire.values import AirState, Convention, Direction
from tests.flow.bench import CHANNELS, INH2O, bench_config, captured, leakage_law
from tests.flow.test_meters import ALL_KINDS

Formula = Callable[[Mapping[str, Any]], Any]
BENCHES = {
    (kind, convention): bench_config(
        {"ranges": {"large": {"kind": kind, **its}}},
        reference={"convention": convention},
    )
    for kind, its in ALL_KINDS.items()
    for convention in get_args(Convention)
}


@pytest.fixture(autouse=True)
def _logarithm_of_uncertain_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    ours = air._natural_log
    monkeypatch.setattr(air, "_natural_log", lambda x: GTC.log(x) if hasattr(x, "u") else ours(x))


def by_gtc(
    formula: Formula, inputs: Sequence[Input], r: Mapping[tuple[str, str], float] | None = None
) -> tuple[float, float, float, list[float]]:
    """Value, standard uncertainty, degrees of freedom, and the signed part of each input."""
    tied = {name for pair in r or {} for name in pair}
    numbers = {
        its.name: GTC.ureal(
            its.value,
            its.standard_uncertainty,
            df=math.inf if its.name in tied else min(max(its.dof, 1.0), UNLIMITED_DOF),
            independent=its.name not in tied,
        )
        for its in inputs
    }
    for (first, second), coefficient in (r or {}).items():
        GTC.set_correlation(coefficient, numbers[first], numbers[second])
    result = formula(numbers)
    parts = [float(reporting.u_component(result, numbers[its.name])) for its in inputs]
    return float(result.x), float(result.u), min(float(result.df), UNLIMITED_DOF), parts


def assert_same(ours: Propagated, theirs: tuple[float, float, float, list[float]], rel: float = 1e-9) -> None:
    value, u, dof, parts = theirs
    assert ours.value == pytest.approx(value, rel=1e-14)
    assert ours.standard_uncertainty == pytest.approx(u, rel=rel)
    assert ours.dof == pytest.approx(dof, rel=rel)
    scale = max(abs(value), u)
    # what cancels to less than a billionth of the whole is rounding
    assert [its.contribution_rel for its in ours.components] == pytest.approx(
        [part / scale for part in parts], rel=rel, abs=1e-9 * u / scale
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(sorted(BENCHES)),
    st.sampled_from(get_args(Direction)),
    st.builds(AirState, st.floats(70e3, 105e3), st.sampled_from((273.15, 288.0, 310.0)), st.sampled_from((0.0, 0.6))),
    st.floats(1.5, 15.0),
    st.sampled_from((None, leakage_law())),
    st.booleans(),
)
def test_the_budget_of_every_kind_of_meter_and_convention_is_that_of_a_metrology_library(
    bench: tuple[str, Convention],
    direction: Direction,
    room: AirState,
    meter_inh2o: float,
    leakage: Any,
    thermometer: bool,
) -> None:
    model = FlowModel(BENCHES[bench], direction, "large", room, room.temperature_k + 2.0)
    meter_pa = (meter_inh2o if bench[0] != "critical_nozzle" else 45.0 + meter_inh2o) * INH2O
    if bench[0] == "critical_nozzle" and not model.effective_area_m2(meter_pa, 28 * INH2O) > 0.0:
        meter_pa = 60.0 * INH2O
    window = Window(28 * INH2O, meter_pa, 0.0100, 0.0101)
    capture = captured(model.effective_area_m2(meter_pa, 28 * INH2O))
    channels = {name: its for name, its in CHANNELS.items() if thermometer or name != "meter_temperature"}
    its = measurement(model, capture, window, Neighbour(0.008, 0.8 * capture.area_m2), leakage, channels)
    ours = propagate(its.area_m2, its.inputs)
    assert [c.name for c in ours.components] == [i.name for i in its.inputs]
    assert_same(ours, by_gtc(its.area_m2, its.inputs))


def test_a_reading_at_no_flow_and_one_beyond_choking_have_the_budget_of_a_metrology_library() -> None:
    # kinks: the meter's root near zero, the port beyond its critical ratio
    for meter_pa, test_pa in ((1e-3, 28 * INH2O), (8 * INH2O, 60e3)):
        model = FlowModel(BENCHES["plate", "by mass"], "intake", "large", AirState(99e3, 293.15, 0.4), 293.15)
        window = Window(test_pa, meter_pa, None, None)
        its = measurement(model, captured(model.effective_area_m2(meter_pa, test_pa)), window, None, None, CHANNELS)
        assert_same(propagate(its.area_m2, its.inputs), by_gtc(its.area_m2, its.inputs))


OPERATIONS: dict[str, Formula] = {
    "sum": lambda x: x["a"] + x["b"] + 3.0 + (2.0 + x["a"]),
    "difference": lambda x: (x["a"] - x["b"]) - 3.0 + (2.0 - x["b"]),
    "product": lambda x: x["a"] * x["b"] * 3.0 * (2.0 * x["a"]),
    "quotient": lambda x: x["a"] / x["b"] / 3.0 + 2.0 / x["a"],
    "power": lambda x: x["a"] ** x["b"] + x["a"] ** 0.3 + 0.7 ** x["b"] + x["a"] ** 2,
    "sign": lambda x: -x["a"] * x["b"] - (-x["b"]) ** 3,
    "used again and again": lambda x: math.prod([x["a"] + n * x["b"] for n in range(9)]) / x["a"],
    "one that does not count": lambda x: x["a"] * 2.0 + 0.0 * x["b"],
    "an input itself": lambda x: x["b"],
    "a kink, by its side": lambda x: max(x["a"], x["b"]) * (x["a"] if x["a"] < x["b"] else 2.0 * x["b"]),
}


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize(("a", "b"), [(1.7, 2.3), (2.3, 0.4)])
def test_every_operation_has_the_derivatives_of_a_metrology_library(operation: str, a: float, b: float) -> None:
    inputs = [Input("a", a, "1", 0.02, "t", 4.0), Input("b", b, "1", 0.03, "t", 7.5)]
    assert_same(propagate(OPERATIONS[operation], inputs), by_gtc(OPERATIONS[operation], inputs))


def test_derivatives_by_hand_where_a_base_is_zero_and_beside_plain_numbers() -> None:
    def formula(x: Mapping[str, Any]) -> Any:
        return x["zero"] ** 2 + 5.0 * x["zero"] + x["zero"] ** 0 + abs(x["below"]) + x["plain"]

    value, slopes = sensitivities(formula, {"zero": 0.0, "below": -3.0, "plain": 7.0}, ["below", "zero"])
    assert (value, slopes) == (11.0, {"below": -1.0, "zero": 5.0})
    value, slopes = sensitivities(lambda x: x["e"].log(), {"e": math.e}, ["e"])
    assert (value, slopes["e"]) == pytest.approx((1.0, 1.0 / math.e))
    assert sensitivities(lambda x: 2.0, {"unused": 1.0}, ["unused"]) == (2.0, {"unused": 0.0})


@pytest.mark.parametrize("own", [0.0, 0.4])
@pytest.mark.parametrize("r", [-1.0, -0.6, 0.3, 1.0])
def test_correlated_inputs_have_the_uncertainty_of_a_metrology_library(r: float, own: float) -> None:
    inputs = [Input("a", 3.0, "1", 0.2), Input("b", 2.0, "1", 0.1), Input("c", 1.0, "1", own, "t", 6.0)]
    pairs = {("a", "b"): r}

    def formula(x: Mapping[str, Any]) -> Any:
        return x["a"] * x["b"] + x["c"]

    assert_same(propagate(formula, inputs, pairs), by_gtc(formula, inputs, pairs))


# of the second pair the rounded squares sum to less than nothing
@pytest.mark.parametrize(("slope", "u"), [(1.0, 0.1), (0.5624564191977101, 0.77)])
def test_correlated_inputs_that_cancel_leave_nothing(slope: float, u: float) -> None:
    inputs = [Input("a", 3.0, "1", u), Input("b", 2.0, "1", u / slope)]
    result = propagate(lambda x: x["a"] - slope * x["b"], inputs, {("a", "b"): 1.0})
    assert result.standard_uncertainty == 0.0
    assert result.dof == UNLIMITED_DOF


def test_an_input_known_exactly_moves_nothing() -> None:
    result = propagate(lambda x: x["a"] * x["b"], [Input("a", 3.0, "1", 0.0), Input("b", 2.0, "1", 0.1)])
    assert [its.contribution_rel for its in result.components] == [0.0, pytest.approx(0.05)]


@pytest.mark.parametrize("u", [math.nan, math.inf, -0.1])
def test_an_uncertainty_that_cannot_be_is_refused_in_one_sentence(u: float) -> None:
    with pytest.raises(ValueError, match="uncertainty of a cannot be"):
        propagate(lambda x: x["a"], [Input("a", 1.0, "1", u)])


def test_a_result_that_is_no_number_is_refused_in_one_sentence() -> None:
    with pytest.raises(ValueError, match="not a number"):
        propagate(lambda x: x["a"] * 1e308, [Input("a", 1e9, "1", 0.1)])


def test_coverage_factors_are_those_of_a_metrology_library() -> None:
    for dof in (1, 2, 3, 4.9, 7, 16, 33, 120, 1e3, 99_999, 1e5, 100_001, 1e6, math.inf):
        assert coverage_factor(dof) == pytest.approx(reporting.k_factor(math.floor(min(dof, 1e6)), 95), rel=1e-12)
