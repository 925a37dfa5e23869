"""Points out of line: exact numbers, properties, and pulls on the simulated bench."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.beside.out_of_line import LIMIT, Seen, doubt, leave_one_out, seen
from acquire.units import INCH_M
from acquire.values import Point
from tests.whole.test_pulls import request
from tests.whole.virtual import VirtualBench

LIFTS_M = tuple(0.1 * i * INCH_M for i in range(1, 9))


def area_m2(lift_m: float, valve_m: float = 0.05) -> float:
    """A curtain that a port limits, as valves do (common practice, no source)."""
    curtain, port = 0.65 * math.pi * valve_m * lift_m, 0.63 * math.pi / 4 * valve_m**2
    return curtain * port / math.hypot(curtain, port)


def curve(factor: float = 1.0, wrong: int | None = None, by: float = 0.0, valve_m: float = 0.05) -> list[Seen]:
    return [
        Seen(i, lift_m, factor * area_m2(lift_m, valve_m) * (1 + by * (i == wrong)), 0.002)
        for i, lift_m in enumerate(LIFTS_M)
    ]


def test_leaving_one_out_is_what_a_regression_without_that_point_says() -> None:
    # Rasmussen & Williams (2006), eq. 2.25 and 2.26, with the point left out; the closed form is their eq. 5.12
    x = np.log(np.arange(1.0, 7.0))
    y = np.array([0.0, 0.6, 0.9, 1.3, 1.35, 1.5])
    scatter = np.array([0.01, 0.02, 0.01, 0.03, 0.01, 0.02])
    off, sd = leave_one_out(x, y, scatter, 0.2, 3.0)
    line = np.stack([np.full(6, 3.0), 3.0 * (x - x.mean())])
    full = 0.04 * np.exp(-0.5 * (x[:, None] - x[None, :]) ** 2) + line.T @ line
    for i in range(6):
        rest = [j for j in range(6) if j != i]
        known = np.linalg.inv(full[np.ix_(rest, rest)] + np.diag(scatter[rest] ** 2))
        mean = full[i, rest] @ known @ (y[rest] - y.mean()) + y.mean()
        variance = full[i, i] + scatter[i] ** 2 - full[i, rest] @ known @ full[i, rest]
        assert off[i] == pytest.approx(y[i] - mean, rel=1e-6)
        assert sd[i] == pytest.approx(math.sqrt(variance), rel=1e-6)


def test_points_on_a_straight_line_are_not_off_at_all() -> None:
    x = np.log(np.arange(1.0, 9.0))
    off, sd = leave_one_out(x, 0.3 + 0.9 * x, np.full(8, 0.005), 0.2, 3.0)
    assert np.abs(off / sd).max() < 0.05


@pytest.mark.parametrize("valve_m", [0.028, 0.04, 0.055])
def test_a_smooth_curve_is_in_no_doubt_whatever_the_valve(valve_m: float) -> None:
    points = curve(valve_m=valve_m)
    assert all(doubt(points[:n]) is None for n in range(9))


@pytest.mark.parametrize("wrong", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("by", [-0.05, 0.05])
def test_five_per_cent_at_one_lift_is_found_with_its_size(wrong: int, by: float) -> None:
    said = doubt(curve(wrong=wrong, by=by))
    assert said is not None
    assert (said.step, said.beside) == (wrong, "its neighbours")
    assert said.off_rel == pytest.approx(by, abs=0.012)
    assert abs(said.deviations) > LIMIT


def test_the_newest_point_is_doubted_at_once_beside_an_earlier_pull() -> None:
    other = curve(factor=1.03)
    for newest in range(2, 8):
        said = doubt(curve(wrong=newest, by=-0.05)[: newest + 1], other)
        assert said is not None
        assert (said.step, said.beside) == (newest, "the earlier pull")
    assert doubt(curve(), other) is None


def test_the_other_direction_is_another_size_and_still_tells() -> None:
    other = [replace(its, area_m2=0.7 * area_m2(its.lift_m, 0.04)) for its in curve()]
    assert doubt(curve(), other, other_way=True) is None
    said = doubt(curve(wrong=4, by=0.05), other, other_way=True)
    assert said is not None
    assert (said.step, said.beside) == (4, "the other direction")


def test_less_flow_with_a_valve_further_open_is_said_at_once() -> None:
    points = curve()[:6]
    points[5] = replace(points[5], area_m2=0.95 * points[4].area_m2)
    said = doubt(points)
    assert said is not None
    assert said.step == 5
    few = doubt([replace(points[4], step=0), replace(points[5], step=1)])
    assert few is not None
    assert (few.step, few.beside) == (1, "the lift below")
    assert few.off_rel == pytest.approx(-0.05)


def test_a_second_take_that_agrees_ends_the_doubt() -> None:
    points = curve(wrong=4, by=-0.05)
    points[4] = replace(points[4], confirmed=True)
    assert doubt(points) is None


def test_what_no_head_does_stays_in_doubt_however_often_it_is_taken() -> None:
    # as with a meter range that is not the one that is told: a third of the flow, again and again
    points = curve(wrong=4, by=-0.66)
    points[4] = replace(points[4], confirmed=True)
    for other in ([], curve()):
        said = doubt(points, other)
        assert said is not None
        assert said.step == 4
    last = [*curve()[:4], replace(points[4], confirmed=True)]
    its = doubt(last[3:])
    assert its is not None
    assert its.beside == "the lift below"


@given(st.floats(0.2, 5.0), st.integers(2, 7), st.floats(-0.1, 0.1))
def test_the_bench_s_own_error_is_nobody_s_doubt(factor: float, wrong: int, by: float) -> None:
    plain, scaled = curve(wrong=wrong, by=by), curve(factor, wrong, by)
    one, other = doubt(plain, curve()), doubt(scaled, curve(factor))
    assert (one is None) == (other is None)
    if one is not None and other is not None:
        assert (one.step, one.beside) == (other.step, other.beside)
        assert one.off_rel == pytest.approx(other.off_rel, rel=1e-4, abs=1e-7)


def wrong_by(points: list[Point], step: int, by: float) -> list[Point]:
    def changed(point: Point) -> Point:
        return replace(
            point, flow=replace(point.flow, effective_area_m2=point.flow.effective_area_m2 * (1 + by))
        ) if point.step == step else point  # fmt: skip

    return [changed(point) for point in points]


def test_simulated_pulls_are_in_no_doubt_their_wrong_points_are_and_a_second_take_confirms() -> None:
    bench = VirtualBench(5)
    first, second = bench.pull(request(LIFTS_M)).points, bench.pull(request(LIFTS_M)).points
    assert doubt(seen(first)) is None
    assert doubt(seen(second), seen(first)) is None
    for step in range(1, 8):
        said = doubt(seen(wrong_by(second, step, 0.05)), seen(first))
        assert said is not None
        assert said.step == step
    again = replace(second[1], take=2)
    assert [its.confirmed for its in seen([*second[:4], again])] == [False, True, False, False]
    (off,) = wrong_by([again], 1, 0.05)
    assert [its.confirmed for its in seen([*second[:4], off])] == [False] * 4
    assert seen([*second[:4], off])[1].area_m2 == off.flow.effective_area_m2
