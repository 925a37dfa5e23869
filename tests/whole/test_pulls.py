"""Whole pulls on the simulated bench, in virtual time: what the operator does, what is taken."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from acquire.demo.plan import demo_requests
from acquire.pull.core import PullCore
from acquire.pull.outputs import Ended, Marked, Output, Skipped, Taken
from acquire.records import Action, PullRequest, Refused
from acquire.units import INCH_M
from tests.whole.virtual import VirtualBench, demo_config

LIFTS = (0.1 * INCH_M, 0.3 * INCH_M, 0.6 * INCH_M)


def request(lifts: tuple[float, ...] = LIFTS, **changes: Any) -> PullRequest:
    lift_pull = demo_requests(demo_config())[1]
    return PullRequest.model_validate(lift_pull.model_dump() | {"lifts_m": lifts} | changes)


class Script:
    """Does one thing each time a condition holds, in turn."""

    def __init__(self, *acts: tuple[Callable[[PullCore], bool], Callable[[PullCore], list[Output]]]) -> None:
        self._acts = list(acts)
        self.outputs: list[Output] = []

    def __call__(self, core: PullCore, _outputs: list[Output]) -> None:
        if self._acts and self._acts[0][0](core):
            self.outputs += self._acts.pop(0)[1](core)


def do(kind: str, **arguments: Any) -> Callable[[PullCore], list[Output]]:
    action = Action.model_validate({"kind": kind, **arguments})
    return lambda core: core.act(0, action)


def taken(count: int) -> Callable[[PullCore], bool]:
    return lambda core: len(core.points) >= count


def at_step(number: int) -> Callable[[PullCore], bool]:
    return lambda core: core.phase == "steps" and core.view().now == number - 1


def test_a_pull_takes_every_step_hands_free_and_reads_the_zeros_before_and_after() -> None:
    run = VirtualBench(11).pull(request())
    assert [p.step for p in run.points] == [0, 1, 2]
    assert all(p.settled and p.taken_by == "settled" for p in run.points)
    assert isinstance(run.outputs[-1], Ended)
    assert [type(o).__name__ for o in run.outputs].count("ZerosRead") == 2


def test_taking_a_step_again_keeps_the_earlier_take() -> None:
    script = Script((taken(2), do("retake", step=0)))
    run = VirtualBench(12).pull(request(), each=script)
    assert sorted((p.step, p.take) for p in run.points) == [(0, 1), (0, 2), (1, 1), (2, 1)]


def test_a_skipped_step_is_left_out_and_said() -> None:
    script = Script((at_step(2), do("skip")))
    run = VirtualBench(13).pull(request(), each=script)
    assert [p.step for p in run.points] == [0, 2]
    assert script.outputs[0] == Skipped(1, True)


def test_going_back_takes_the_previous_step_again() -> None:
    script = Script((at_step(3), do("back")))
    run = VirtualBench(14).pull(request(), each=script)
    assert [(p.step, p.take) for p in run.points] == [(0, 1), (1, 1), (1, 2), (2, 1)]


def test_nothing_is_taken_while_paused() -> None:
    bench = VirtualBench(15)
    seen: list[float] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        now = bench.bench.t_s
        if not seen and core.phase == "steps":
            core.act(bench.t_us, Action(kind="pause"))
            seen.append(now)
        elif len(seen) == 1 and now > seen[0] + 60:
            assert not core.points
            core.act(bench.t_us, Action(kind="go_on"))
            seen.append(now)

    run = bench.pull(request((0.2 * INCH_M,)), each=each)
    assert len(seen) == 2
    assert len(run.points) == 1


def test_aborting_keeps_what_was_taken() -> None:
    script = Script((taken(1), do("abort")))
    run = VirtualBench(16).pull(request(), each=script)
    assert len(run.points) == 1
    assert script.outputs[-1] == Ended("aborted")


def test_a_point_taken_by_hand_before_it_settled_is_marked() -> None:
    def lift_is_there(core: PullCore) -> bool:
        lift, pressure = core.latest("lift"), core.latest("test_pressure")
        return (
            core.phase == "steps"
            and lift is not None
            and abs(lift - LIFTS[0]) < 0.0015 * INCH_M
            and pressure is not None
            and pressure > 6000
        )

    script = Script((lift_is_there, do("take")))
    VirtualBench(17).pull(request(), each=script)
    point = next(o.point for o in script.outputs if isinstance(o, Taken))
    assert point.taken_by == "hand"
    assert not point.settled
    assert point.remark


def test_a_point_cannot_be_taken_at_the_wrong_lift() -> None:
    said: list[str] = []

    def each(core: PullCore, _outputs: list[Output]) -> None:
        lift = core.latest("lift")
        if not said and core.phase == "steps" and lift is not None and lift < 0.05 * INCH_M:
            with pytest.raises(Refused, match=r"the step is 0\.1000 in") as refused:
                core.act(0, Action(kind="take"))
            said.append(str(refused.value))

    run = VirtualBench(18).pull(request((LIFTS[0],)), each=each)
    assert said
    assert len(run.points) == 1


def test_the_indicators_data_button_takes_the_point() -> None:
    bench = VirtualBench(19)

    def each(core: PullCore, _outputs: list[Output]) -> None:
        if core.phase == "steps" and not core.points and core.standing().state == "settling":
            bench.bench.press()

    run = bench.pull(request((LIFTS[1],)), each=each)
    assert [p.taken_by for p in run.points] == ["hand"]


def test_a_range_that_is_too_small_is_never_taken_and_a_larger_one_goes_on() -> None:
    bench = VirtualBench(20)
    changed: list[float] = []

    def each(core: PullCore, _outputs: list[Output]) -> None:
        if core.fault and not changed:
            assert not core.points
            changed.append(bench.bench.t_s)
        if changed and core.meter_range != "large" and bench.bench.t_s > changed[0] + 20:
            core.act(bench.t_us, Action(kind="range", meter_range="large"))

    run = bench.pull(request((LIFTS[2],), meter_range="small"), each=each)
    assert changed
    assert [p.meter_range for p in run.points] == ["large"]


def test_a_zero_that_moved_marks_the_whole_pull() -> None:
    bench = VirtualBench(21)
    transducers = bench.bench.built.transducers

    def each(core: PullCore, outputs: list[Output]) -> None:
        if any(isinstance(o, Taken) for o in outputs):
            before = transducers["test_pressure"]
            transducers["test_pressure"] = replace(before, offset=before.offset + 0.1)

    run = bench.pull(request((LIFTS[0],)), each=each)
    marks = [o.mark for o in run.outputs if isinstance(o, Marked)]
    assert [mark.kind for mark in marks] == ["zero shift"]
    assert "test pressure zero moved by +24.9 Pa" in marks[0].sentence


def test_zeros_that_were_left_out_mark_the_whole_pull() -> None:
    script = Script((lambda core: core.phase == "zero_before", do("skip")))
    run = VirtualBench(22).pull(request((LIFTS[0],)), each=script)
    assert any(isinstance(o, Marked) and o.mark.kind == "zero" for o in script.outputs)
    assert len(run.points) == 1


def test_a_silent_lift_indicator_holds_the_point_and_loses_nothing() -> None:
    bench = VirtualBench(23)
    gone: list[float] = []

    def each(core: PullCore, _outputs: list[Output]) -> None:
        if not gone and core.phase == "steps" and core.standing().state in ("moving", "settling"):
            bench.bench.unplug("lift_indicator", 30.0)
            gone.append(bench.bench.t_s)
        if gone and bench.bench.t_s < gone[0] + 29 and bench.bench.t_s > gone[0] + 2:
            assert not core.points

    run = bench.pull(request((LIFTS[0],)), each=each)
    assert gone
    assert len(run.points) == 1


def test_a_schedule_beyond_the_indicators_range_is_refused_in_one_sentence() -> None:
    with pytest.raises(Refused, match=r"Step 2 asks for a lift of 1\.2 in, but its instrument reads up to 1 in"):
        PullCore(demo_config(), request((0.1 * INCH_M, 1.2 * INCH_M)))


def test_an_unknown_meter_range_is_refused_with_those_there_are() -> None:
    with pytest.raises(Refused, match="use one of small, middle, large"):
        PullCore(demo_config(), request(meter_range="huge"))


def test_the_same_seed_gives_the_same_points_to_the_bit() -> None:
    asked = request(LIFTS[:2])
    first, again = VirtualBench(24).pull(asked).points, VirtualBench(24).pull(asked).points
    assert len(first) == 2
    assert first == again
