"""The port's figures of a pull: against Heywood's relations, and a ratio that knows what cancels."""

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.flow.statement import Statement
from acquire.port.figures import PortFigures, exhaust_over_intake, port_figures, section_velocity
from acquire.port.geometry import Valve, coefficient, curtain_area_m2, head_area_m2, seat_area_m2
from acquire.port.text import port_json, port_text
from acquire.records import ArchivedPull, PullRequest, Subject
from acquire.units import CFM_M3_S, INCH_M
from acquire.values import Component
from tests.sheet import example

SEAT = {
    "seat_width": "1.2 mm", "seat_angle": "45 deg", "throat_diameter": "1.78 in", "stem_diameter": "8 mm",
    "minimum_section": "2.60 in2",
}  # fmt: skip
WHOLE = {"intake_valve": SEAT, "exhaust_valve": SEAT | {"throat_diameter": "1.4 in"}}


# the worked examples take dry air at 20 C as an ideal gas of 1.204118 kg/m3: real air has that density a little warmer
BOOK = example.bench(reference={"air_temperature": "293.25665 K"})


def test_the_air_of_the_worked_examples_has_their_density() -> None:
    assert Statement(BOOK.reference).density_kg_m3 == pytest.approx(1.204118, rel=1e-7)


def stating(flows: dict[float, float], **subject: Any) -> ArchivedPull:
    """An intake pull that states these flows, lift in inches to cfm, as the bench's convention has it."""
    pull = example.pull(lifts_in=tuple(flows), subject_changes=subject, config=BOOK)
    statement = Statement(pull.config.reference)
    points = []
    for point, cfm in zip(pull.points, flows.values(), strict=True):
        area = statement.area_m2(cfm * CFM_M3_S)
        points.append(replace(point, flow=replace(point.flow, flow_m3_s=cfm * CFM_M3_S, effective_area_m2=area)))
    return replace(pull, points=tuple(points))


# Heywood, Internal Combustion Engine Fundamentals, appendix C, worked by hand at 28 inH2O, 101.325 kPa, 20 C dry,
# kappa 1.4, valve 2.02 in: lift in, cfm, on the curtain, on the head
@pytest.mark.parametrize(
    ("lift", "cfm", "curtain", "head"), [(0.5, 250.0, 0.556407, 0.550898), (0.3, 180.0, 0.667689, 0.396647)]
)
def test_coefficients_of_a_stated_flow_agree_with_a_worked_example(
    lift: float, cfm: float, curtain: float, head: float
) -> None:
    (point,) = port_figures(stating({lift: cfm})).points
    assert point.on["curtain"].coefficient.value == pytest.approx(curtain, rel=2e-6)
    assert point.on["valve head"].coefficient.value == pytest.approx(head, rel=2e-6)
    assert point.lift_over_diameter == pytest.approx(lift / 2.02, rel=1e-12)
    assert point.flags == ()


# Heywood, appendix C: an ideal nozzle's throat at 28 inH2O below 101.325 kPa and 20 C, by hand
def test_a_section_as_large_as_the_effective_area_has_the_ideal_throat_s_velocity() -> None:
    found = section_velocity(Statement(BOOK.reference), 1e-3, 1e-3)
    assert found is not None
    assert found.velocity_m_s == pytest.approx(108.9997, rel=2e-6)
    assert found.mach == pytest.approx(0.320820, rel=2e-6)


# continuity with a density that hardly changes: velocity = flow / section, to the square of the Mach number
def test_a_slow_flow_is_volume_over_section() -> None:
    statement = Statement(example.bench().reference)
    found = section_velocity(statement, 1e-4, 5e-3)
    assert found is not None
    assert found.velocity_m_s == pytest.approx(statement.flow_m3_s(1e-4) / 5e-3, rel=1e-4)


@given(st.floats(1e-5, 1e-3), st.floats(1.05, 20.0))
def test_a_narrower_section_is_always_faster(area: float, wider: float) -> None:
    statement = Statement(example.bench().reference)
    narrow, wide = section_velocity(statement, area, area), section_velocity(statement, area, area * wider)
    assert narrow is not None
    assert wide is not None
    assert narrow.velocity_m_s > wide.velocity_m_s * wider * 0.99


def test_a_section_too_small_for_the_flow_has_no_velocity_and_a_flag() -> None:
    assert section_velocity(Statement(example.bench().reference), 1e-3, 0.5e-3) is None
    made = stating({0.5: 250.0}, intake_valve={"minimum_section": "0.8 in2"})
    (point,) = port_figures(made).points
    assert point.velocity is None
    assert "above 1 on the port section: check the minimum section" in point.flags[0]


# ---------------------------------------------------------------- geometry

valves = st.builds(
    lambda head, seat, angle, port, stem: Valve(head, seat * head, angle, port * head, stem * port * head),
    st.floats(0.02, 0.06), st.floats(0.005, 0.08), st.floats(0.26, 1.05), st.floats(0.5, 0.95), st.floats(0.0, 0.5),
)  # fmt: skip


@given(valves, st.floats(0.0, 0.03))
def test_the_smallest_passage_is_never_larger_than_the_port_less_the_stem(valve: Valve, lift: float) -> None:
    assert 0.0 <= valve.minimum_area_m2(lift) <= valve.port_area_m2


@given(valves, st.floats(0.0, 0.03))
def test_the_three_stages_are_one_continuous_rise(valve: Valve, lift: float) -> None:
    step = 1e-9
    here, there = valve.minimum_area_m2(lift), valve.minimum_area_m2(lift + step)
    # no passage can grow faster than its own circumference
    assert 0.0 <= there - here + 1e-15 <= 1.2 * math.pi * valve.head_diameter_m * step


@given(st.floats(0.02, 0.06), st.floats(1e-5, 2e-3))
def test_curtain_and_head_give_the_same_coefficient_at_a_quarter(head: float, area: float) -> None:
    on_curtain = coefficient(area, curtain_area_m2(0.25 * head, head), "curtain").value
    assert on_curtain == pytest.approx(coefficient(area, head_area_m2(head), "valve head").value, rel=1e-12)


# pi/4 of 46 mm squared: Heywood's example valve, head 50 mm with a seat of 2 mm
def test_the_seat_area_is_that_of_its_inside_diameter() -> None:
    assert seat_area_m2(0.050, 0.002) * 1e6 == pytest.approx(1661.9025, rel=1e-7)
    with pytest.raises(ValueError, match="seat must be narrower"):
        seat_area_m2(0.05, 0.025)


def test_parts_that_cannot_fit_are_refused_with_their_valve() -> None:
    table = {"identifier": "H", "intake_valve_diameter": "50 mm"}
    with pytest.raises(ValueError, match="intake_valve: the seat must be narrower"):
        Subject.model_validate(table | {"intake_valve": {"seat_width": "26 mm"}})
    with pytest.raises(ValueError, match="intake_valve: the port under the seat must be narrower"):
        Subject.model_validate(table | {"intake_valve": SEAT | {"throat_diameter": "51 mm"}})
    with pytest.raises(ValueError, match="exhaust_valve: the seat angle must lie between 0 and 90 deg"):
        Subject.model_validate(table | {"exhaust_valve": {"seat_angle": "90 deg"}})


# ---------------------------------------------------------------- what is known, and what is not


def figures(**subject: Any) -> PortFigures:
    return port_figures(example.pull(subject_changes=subject))


def test_what_needs_a_dimension_that_was_not_given_is_absent_and_named_once() -> None:
    bare = figures(intake_valve_diameter=None)
    assert bare.points[0].on == {}
    assert bare.points[0].lift_over_diameter is None
    assert bare.missing[0] == "intake valve diameter"
    assert list(figures().points[0].on) == ["curtain", "valve head"]
    assert list(figures(intake_valve={"seat_width": "1 mm"}).points[0].on) == ["curtain", "valve head", "seat"]
    whole = figures(**WHOLE)
    assert list(whole.points[0].on) == ["curtain", "valve head", "seat", "minimum", "port section"]
    assert whole.missing == ()
    assert (whole.points[0].narrowest, whole.points[-1].narrowest) == ("ring", "port")


def test_two_valves_that_open_together_halve_every_coefficient_on_the_valve() -> None:
    one, two = figures(**WHOLE), figures(intake_valve=SEAT | {"count": 2})
    for single, double in zip(one.points, two.points, strict=True):
        for name in ("curtain", "valve head", "seat", "minimum"):
            assert double.on[name].coefficient.value == pytest.approx(single.on[name].coefficient.value / 2, rel=1e-12)
        assert double.on["port section"] == single.on["port section"]


def test_a_coefficient_above_one_is_flagged_where_it_is() -> None:
    found = figures(intake_valve_diameter="1.0 in")
    flagged = [point.lift_m / INCH_M for point in found.points if point.on["curtain"].coefficient.flag]
    assert flagged == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
    assert "how many valves were open" in found.points[0].flags[0]
    said = port_text([example.pull(subject_changes={"intake_valve_diameter": "1.0 in"})])
    assert "1.905 !" in said
    assert "Coefficient above 1 on the curtain area: check the valve diameter" in said


def test_a_run_without_a_valve_is_refused() -> None:
    pull = example.pull()
    asked = pull.request.model_dump() | {"kind": "leakage", "lifts_m": (), "test_pressures_pa": (7000.0,)}
    with pytest.raises(ValueError, match="leakage run, not a lift pull"):
        port_figures(replace(pull, request=PullRequest.model_validate(asked)))


# ---------------------------------------------------------------- exhaust over intake


def with_budget(pull: ArchivedPull, *budget: Component, **changes: Any) -> ArchivedPull:
    u = math.sqrt(sum(part.contribution_rel**2 for part in budget))
    points = tuple(
        replace(
            p,
            flow=replace(p.flow, budget=budget, standard_uncertainty_m2=u * p.flow.effective_area_m2),
            **changes,
        )
        for p in pull.points
    )
    return replace(pull, points=points)


def part(name: str, relative: float, shared: bool) -> Component:
    return Component(name, 1.0, "1", abs(relative), "normal", 1e6, relative, shared)


def test_what_the_bench_is_wrong_by_in_both_directions_drops_out_of_the_ratio() -> None:
    budget = (part("meter calibration", 0.004, True), part("reading", 0.001, False))
    intake, exhaust = with_budget(example.pull(), *budget), with_budget(example.pull("exhaust"), *budget)
    ratios = exhaust_over_intake([exhaust, intake])
    assert [its.lift_m for its in ratios] == pytest.approx([lift * INCH_M for lift in example.LIFTS_IN])
    for its in ratios:
        assert its.value == pytest.approx(its.exhaust_m3_s / its.intake_m3_s, rel=1e-9)
        # two independent readings of 0.1 %
        assert its.standard_uncertainty / its.value == pytest.approx(0.001 * math.sqrt(2), rel=1e-9)
        assert its.half_width_95 == pytest.approx(1.96 * its.standard_uncertainty, rel=1e-3)
        assert its.cancelled == ("meter calibration",)


@pytest.mark.parametrize(
    ("name", "second", "changes", "left"),
    [
        ("test pressure", -0.004, {}, 0.008),  # of opposite sign: it adds up
        ("test pressure", 0.004, {"meter_range": "small"}, 0.0),  # the gauge is the same on any range
        ("meter calibration", 0.004, {"meter_range": "small"}, 0.004 * math.sqrt(2)),
        ("leakage", 0.004, {}, 0.004 * math.sqrt(2)),  # each direction has its own blank-plate run
        ("meter temperature (not measured)", 0.004, {}, 0.004 * math.sqrt(2)),
    ],
)
def test_only_what_is_truly_common_drops_out(name: str, second: float, changes: dict[str, Any], left: float) -> None:
    intake = with_budget(example.pull(), part(name, 0.004, True), part("reading", 1e-6, False))
    exhaust = with_budget(example.pull("exhaust"), part(name, second, True), part("reading", 1e-6, False), **changes)
    law = exhaust.leakage
    assert law is not None
    exhaust = replace(exhaust, leakage=law.model_copy(update={"pull_id": 40}))
    first = exhaust_over_intake([intake, exhaust])[0]
    assert first.standard_uncertainty / first.value == pytest.approx(left, abs=2e-6)


def test_nothing_drops_out_between_two_benches() -> None:
    budget = (part("meter calibration", 0.004, True),)
    intake, exhaust = with_budget(example.pull(), *budget), with_budget(example.pull("exhaust"), *budget)
    other = replace(exhaust, config=example.bench(name="Bench 2"))
    first = exhaust_over_intake([intake, other])[0]
    assert first.standard_uncertainty / first.value == pytest.approx(0.004 * math.sqrt(2), rel=1e-9)
    assert first.cancelled == ()


@pytest.mark.parametrize(
    ("pulls", "sentence"),
    [
        ([example.pull(), example.pull()], "one intake and one exhaust"),
        ([example.pull(), example.pull("exhaust", subject_changes={"identifier": "X"})], "both directions of one head"),
        ([example.pull(lifts_in=(0.1,)), example.pull("exhaust", lifts_in=(0.2,))], "no lift in common"),
        (
            [example.pull(), example.pull("exhaust", config=example.bench(reference={"test_pressure": "10 inH2O"}))],
            "different reference conditions",
        ),
    ],
)
def test_a_pair_without_a_ratio_is_refused_in_one_sentence(pulls: list[ArchivedPull], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        exhaust_over_intake(pulls)


def test_text_and_json_say_the_same() -> None:
    pulls = [example.pull(subject_changes=WHOLE), example.pull("exhaust", subject_changes=WHOLE)]
    said, made = port_text(pulls), json.loads(port_json(pulls))
    assert max(map(len, said.splitlines())) <= 80
    intake = made["pulls"][0]["points"][4]
    assert f"{intake['on']['curtain']['coefficient']['value']:.3f}" in said
    assert f"{intake['velocity']['velocity_m_s'] / 0.3048:.0f}" in said
    assert f"{100 * made['exhaust_over_intake'][4]['value']:.1f}" in said
    assert "Not given" not in said
    metric = example.bench(display={"lift": "mm"})
    assert "m/s: mean velocity over the minimum section, 1677 mm2" in port_text(
        [example.pull(subject_changes=WHOLE, config=metric)]
    )
