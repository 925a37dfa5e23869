"""Whole pulls on the simulated bench with other meters than plates, and on two ranges."""

import pytest

from acquire.demo.plan import demo_requests
from acquire.flow.range_comparison import ranges_compared
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import Action
from acquire.units import INCH_M
from sim.bench import SimBench
from sim.meters import MeterKind, large_range
from sim.scenario import CALM
from tests.benchmarks.meter_coverage import config_with
from tests.whole.virtual import VirtualBench, demo_config


@pytest.mark.parametrize("kind", ["pipe_nozzle", "laminar"])
def test_a_head_is_pulled_with_another_kind_of_meter(kind: MeterKind) -> None:
    config = config_with(large_range(kind).lines)
    bench = VirtualBench(11, config, SimBench(11, CALM, kind))
    request = next(one for one in demo_requests(config) if one.kind == "lift")
    request = request.model_copy(update={"meter_range": "large", "lifts_m": (0.2 * INCH_M, 0.5 * INCH_M)})
    run = bench.pull(request)
    assert [point.settled for point in run.points] == [True, True]
    assert {point.meter_range for point in run.points} == {"large"}
    for point, lift_m in zip(run.points, request.lifts_m, strict=True):
        truth = bench.truth_m3_s(request.direction, lift_m)
        assert abs(point.flow.flow_m3_s - truth) < 2.0 * point.flow.half_width_95_m3_s


def test_two_ranges_over_one_lift_are_compared_and_a_worn_one_is_found() -> None:
    # the middle range states 8 % more area than it has
    config = demo_config(**{'area = "600 mm2"': 'area = "650 mm2"'})
    bench = VirtualBench(12, config, SimBench(12, CALM))
    request = next(one for one in demo_requests(config) if one.kind == "lift")
    request = request.model_copy(update={"meter_range": "large", "lifts_m": (0.1 * INCH_M,)})
    changed = False

    def change_range(core: PullCore, outputs: list[Output]) -> None:
        nonlocal changed
        if not changed and any(isinstance(its, Taken) for its in outputs):
            changed = True
            core.act(bench.t_us, Action(kind="range", meter_range="middle"))
            core.act(bench.t_us, Action(kind="retake", step=0))

    marks: list[str] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        change_range(core, outputs)
        if core.outcome is not None:
            marks.extend(mark.kind for mark in core.view().marks)

    run = bench.pull(request, each=each)
    (found,) = ranges_compared(run.points)
    assert (found.first.meter_range, found.second.meter_range) == ("large", "middle")
    assert not found.agree
    assert found.difference.relative == pytest.approx(-0.077, abs=0.02)
    assert marks.count("meter ranges") == 1
