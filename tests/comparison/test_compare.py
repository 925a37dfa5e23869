"""Whole comparisons of invented heads: what is found, left out and said."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acquire.comparison.cam import cam_from_card
from acquire.comparison.compare import Asked, compare
from acquire.comparison.differences import Spread, differences
from acquire.comparison.event import Engine
from acquire.comparison.wording import comparison_json, comparison_text, headline
from acquire.records import ArchivedPull
from acquire.units import CFM_M3_S, INCH_M
from acquire.values import Mark, Point
from tests.sheet.example import LIFTS_IN, pull


class Known:
    """A bench on which a pull of its own mount scatters by 0.25 %."""

    def at(self, lift_m: float) -> Spread | None:
        return Spread(0.0025, 36.0)


def scaled(point: Point, factor: float) -> Point:
    flow = replace(
        point.flow,
        flow_m3_s=point.flow.flow_m3_s * factor,
        effective_area_m2=point.flow.effective_area_m2 * factor,
    )
    return replace(point, flow=flow)


def head(name: str, number: int, factors: Sequence[float] | float = 1.0, **changes: Any) -> ArchivedPull:
    made = pull(subject_changes={"identifier": name} | changes)
    each = [factors] * len(LIFTS_IN) if isinstance(factors, float) else factors
    points = tuple(scaled(p, f) for p, f in zip(made.points, each, strict=True))
    return replace(made, id=number, uid=f"u{number}", points=points)


def pulls_of(name: str, first: int, shift: Sequence[float], random: np.random.Generator) -> list[ArchivedPull]:
    mounts = 1.0 + 0.0025 * random.standard_normal(3)
    return [head(name, first + i, [m * (1 + s) for s in shift]) for i, m in enumerate(mounts)]


def test_a_difference_at_low_lift_is_found_there_and_told_in_one_sentence() -> None:
    higher = [1.05, 1.05, *[1.0] * 6]
    a = [head("N-2", 1, higher, details={"plug position": "raised"})]
    b = [head("N-1", 2, details={"plug position": "straight"})]
    found = compare(a, b, Known(), Asked(factor="plug position"))
    assert found.verdict is not None
    assert [at.verdict for at in found.verdict.at[:3]] == ["A higher", "A higher", "not shown"]
    said = headline(found)
    assert said.startswith("N-2 (raised) flows more than N-1 (straight) from 0.100 to 0.200 in, by up to ")
    text = comparison_text(found)
    assert max(map(len, text.splitlines())) < 80
    words = " ".join(text.split())
    assert "Low lift: N-2 (raised) flows more" in words
    assert "seat and valve angles" in words


def test_shared_calibration_errors_drop_out_and_equal_heads_differ_by_nothing() -> None:
    for wrong in (0.9, 1.0, 1.1):
        a, b = [head("N-1", 1, wrong)], [head("N-2", 2, wrong)]
        found = compare(a, b, Known(), Asked(margin_rel=0.02))
        assert all(at.a_m3_s == at.b_m3_s for at in found.differences.at)
        assert found.verdict is not None
        assert found.verdict.verdict == "equal"
        assert "the same, within 2 %" in headline(found)


def test_one_pull_each_without_a_known_repeatability_gives_no_verdict_but_what_would() -> None:
    found = compare([head("N-1", 1)], [head("N-2", 2)], None, Asked())
    assert found.verdict is None
    assert "flow each head three times" in found.no_verdict
    assert found.differences.at[0].difference is None


def test_several_pulls_a_head_need_nothing_stored() -> None:
    random = np.random.default_rng(11)
    shift = [0.03, 0.03, *[0.0] * 6]
    found = compare(pulls_of("N-1", 1, shift, random), pulls_of("N-2", 9, [0.0] * 8, random), None, Asked())
    assert found.verdict is not None
    assert found.verdict.at[0].verdict == "A higher"
    assert found.differences.at[0].from_ == "these pulls"


def test_another_bore_fixture_stops_the_verdict_unless_overridden_and_then_it_is_said() -> None:
    b = replace(pull(setup_changes={"bore_fixture_diameter": "4.125 in"}), id=2, uid="u2")
    a = [head("N-1", 1)]
    assert compare(a, [b], Known(), Asked()).no_verdict.startswith("The heads were not flowed in the same way")
    over = compare(a, [b], Known(), Asked(override=("bore fixture",)))
    assert over.verdict is not None
    assert "OVERRIDDEN: bore fixture differs" in comparison_text(over)


def test_a_pull_that_did_not_hold_is_left_out_and_listed_unless_overridden() -> None:
    loose = head("N-2", 3)
    loose = replace(loose, points=tuple(replace(p, hold=replace(p.hold, held=False)) for p in loose.points))
    shifted = replace(head("N-2", 4), marks=(Mark("zero shift", "The lift zero moved."),))
    good = head("N-2", 5)
    found = compare([head("N-1", 1)], [loose, shifted, good], Known(), Asked())
    assert {its.pull_id: its.reason for its in found.left_out} == {
        3: "the test pressure did not hold (override: hold)",
        4: "The lift zero moved (override: zero)",
    }
    every = compare([head("N-1", 1)], [loose, shifted, good], Known(), Asked(override=("hold", "zero")))
    assert every.left_out == ()
    with pytest.raises(ValueError, match="no pull of N-2 can be used"):
        compare([head("N-1", 1)], [loose], Known(), Asked())


def test_different_schedules_are_compared_at_common_lifts_only_and_that_is_said() -> None:
    other = replace(pull(lifts_in=(0.1, 0.25, 0.4)), id=2, uid="u2")
    found = compare([head("N-1", 1)], [other], Known(), Asked())
    assert [at.lift_m for at in found.differences.at] == pytest.approx([0.1 * INCH_M, 0.4 * INCH_M])
    assert "0.250 in: not compared" in " ".join(comparison_text(found).split())
    none = replace(pull(lifts_in=(0.15, 0.25)), id=2, uid="u2")
    with pytest.raises(ValueError, match="no common lift"):
        compare([head("N-1", 1)], [none], Known(), Asked())


def test_a_head_compared_with_itself_is_refused() -> None:
    with pytest.raises(ValueError, match="compared with itself"):
        compare([head("N-1", 1)], [head("N-1", 1)], Known(), Asked())


def test_without_a_valve_diameter_no_region_is_named_and_that_is_said() -> None:
    a, b = (head(name, n, intake_valve_diameter=None) for name, n in (("N-1", 1), ("N-2", 2)))
    found = compare([a], [b], Known(), Asked())
    assert found.regions == ()
    assert "Without one valve diameter" in comparison_text(found)


def test_under_a_cam_the_difference_is_that_of_the_lifts_it_dwells_at() -> None:
    cam = cam_from_card(290, 240, 0.36 * INCH_M, 1.6)
    engine = Engine(0.1016, 0.0884, 1, 6500)
    everywhere = compare([head("N-1", 1, 1.02)], [head("N-2", 2)], Known(), Asked(cam=cam, engine=engine)).event
    low = compare([head("N-1", 1, [1.02, *[1.0] * 7])], [head("N-2", 2)], Known(), Asked(cam=cam, engine=engine)).event
    assert everywhere is not None
    assert low is not None
    assert everywhere.difference_m2 / everywhere.b.mean_area_m2 == pytest.approx(0.02, rel=1e-6)
    assert 0 < low.difference_m2 < 0.1 * everywhere.difference_m2
    # one mount shifts all lifts alike: the mean is no surer than its lifts
    rel = everywhere.half_width_95_m2 / everywhere.b.mean_area_m2
    assert 0.003 < rel < 0.02
    assert everywhere.a.knee_rpm is not None
    assert everywhere.b.knee_rpm is not None
    assert everywhere.a.knee_rpm / everywhere.b.knee_rpm == pytest.approx(1.02, rel=1e-6)
    assert everywhere.degrees is not None
    assert sum(everywhere.degrees) == pytest.approx(290, abs=0.5)


def test_the_findings_go_out_as_json() -> None:
    import json

    found = json.loads(comparison_json(compare([head("N-1", 1, 1.03)], [head("N-2", 2)], Known(), Asked())))
    assert found["verdict"]["verdict"] == "A higher"
    assert len(found["differences"]["at"]) == 8


def test_pooled_scatter_is_a_worked_example() -> None:
    # by hand: s^2 = (36 x (0.0025 q)^2 + 2 x (0.001 q)^2) / (36 + 1), two pulls and one
    a, b = [head("N-1", 1, 1.001), head("N-1", 3, 0.999)], [head("N-2", 2)]
    at = differences(a, b, 0.005, Known()).at[0]
    q = at.a_m3_s
    assert at.difference is not None
    variance = (36 * (0.0025 * q) ** 2 + 2 * (0.001 * q) ** 2) / 37
    assert at.difference.standard_uncertainty == pytest.approx((variance * 1.5) ** 0.5, rel=1e-9)
    assert at.difference.dof == pytest.approx(37)
    assert at.difference.margin == pytest.approx(0.005 * q)
    assert q / CFM_M3_S > 50


def test_pulls_of_one_mount_count_once_by_their_mean() -> None:
    # two mounts a head, pulls within a mount alike: the scatter is that of the mounts, with two degrees of freedom
    a = [head("N-1", n, f) for n, f in ((1, 1.004), (2, 1.004), (3, 0.996))]
    b = [head("N-2", n, f) for n, f in ((4, 1.003), (5, 0.997), (6, 0.997))]
    mounts = {1: 1, 2: 1, 5: 5, 6: 5}
    at = compare(a, b, None, Asked(mounts=mounts)).differences.at[0]
    assert at.difference is not None
    assert (at.a_pulls, at.b_pulls, at.difference.dof) == (2, 2, 2.0)
    assert at.a_m3_s == pytest.approx(at.b_m3_s, rel=1e-9)
    # by hand: (2 x 0.004^2 + 2 x 0.003^2) / 2, over two mounts each
    assert at.difference.standard_uncertainty / at.a_m3_s == pytest.approx(5e-3 / 2**0.5 * 2**0.5, rel=1e-6)
