"""Whole pulls with typed readings: of columns and a dial, or of a lift beside measured pressures."""

import math

import pytest

from acquire.config import BenchConfig, parse_config
from acquire.demo.plan import demo_requests
from acquire.pull.core import PullCore
from acquire.pull.outputs import Marked, Output, Taken
from acquire.pull.typed_step import MOVED, NOT_JUDGED, PRESSURE_TYPED
from acquire.records import Action, PullRequest, Refused
from acquire.units import INCH_M
from tests.whole.typist import typed_text
from tests.whole.virtual import VirtualBench, demo_text

ALL = ("lift", "test_pressure", "meter_pressure")
LIFTS = (0.1 * INCH_M, 0.3 * INCH_M, 0.5 * INCH_M)


def config(*typed: str) -> BenchConfig:
    return parse_config(typed_text(demo_text(), *typed), "typed.toml")


def request(its: BenchConfig, lifts: tuple[float, ...] = LIFTS) -> PullRequest:
    return demo_requests(its)[1].model_copy(update={"lifts_m": lifts})


def marks(outputs: list[Output]) -> list[str]:
    return [output.mark.sentence for output in outputs if isinstance(output, Marked)]


class ByHand:
    """A pull on an all-typed bench whose values the test types."""

    def __init__(self, *typed: str) -> None:
        self.bench = VirtualBench(5, config(*(typed or ALL)))
        for _ in range(150):
            self.bench.tick()
        self.core = PullCore(self.bench.config, request(self.bench.config))
        self.core.samples(sorted(self.bench._latest.values(), key=lambda sample: sample.t_us))

    def type(self, channel: str, text: str, after_s: float = 1.0) -> list[Output]:
        for _ in range(round(after_s / 0.02)):
            self.core.samples(self.bench.tick()[0])
        return self.bench.type(self.core, (channel, text))

    def zeros(self) -> "ByHand":
        for channel in ("test_pressure", "meter_pressure", "lift"):
            self.type(channel, "0")
        assert self.core.phase == "steps"
        return self

    def point(self, lift: str = "0.100", pressure: str = "28.0", meter: str = "0.70") -> list[Output]:
        self.type("lift", lift)
        self.type("test_pressure", pressure)
        return self.type("meter_pressure", meter)


# ---------------------------------------------------------------- everything is typed


def test_a_bench_of_columns_and_a_dial_runs_a_whole_pull_and_says_what_was_typed() -> None:
    bench = VirtualBench(3, config(*ALL))
    run = bench.pull(request(bench.config))
    assert [point.step for point in run.points] == [0, 1, 2]
    for point in run.points:
        assert point.typed == ALL
        assert point.read_by_eye
        assert not point.unsettled
        assert not point.settled
        assert point.remark == NOT_JUDGED
        assert point.hold.unwitnessed
        assert not point.hold.held
        assert not point.hold.broken
        assert point.capture.standard_uncertainty_m2 == 0.0
        assert point.capture.n == 1
    assert marks(run.outputs) == [PRESSURE_TYPED]
    assert [channel for channel, _ in bench.entries[3:6]] == ["lift", "test_pressure", "meter_pressure"]


def held_truth(seed: int) -> list[tuple[float, float]]:
    """Errors over half-widths of one bench's typed points, and their relative errors; hands and air at once."""
    bench = VirtualBench(seed, config(*ALL))
    asked = request(bench.config)
    core = PullCore(bench.config, asked)
    for _ in range(150):
        core.samples(bench.tick()[0])
    while core.outcome is None:
        step = core.step
        wants = {"lift_m": step.lift_m if step else 0.0, "test_pressure_pa": step.test_pressure_pa if step else 0.0}
        bench.bench.hold({**wants, "direction": asked.direction, "meter_range": asked.meter_range, "fitted": "head"})
        bench._typist.look(60.0)
        for _ in range(50):
            core.samples(bench.tick()[0])
        for channel in core.awaited:
            bench.type(core, (channel, bench._typist.reading(channel)))
        assert core.step != step or core.phase != "steps", f"seed {seed}: {bench.entries[-3:]}"
    found = []
    for point in core.points:
        error = point.flow.flow_m3_s - bench.truth_m3_s(asked.direction, point.step_lift_m or 0.0)
        found.append((error / point.flow.half_width_95_m3_s, error / point.flow.flow_m3_s))
    return found


def test_over_forty_typed_pulls_the_stated_intervals_hold_the_truth() -> None:
    ratios = [ratio for seed in range(1, 41) for ratio, _ in held_truth(seed)]
    assert len(ratios) == 120
    inside = sum(abs(ratio) <= 1 for ratio in ratios) / len(ratios)
    spread = 1.96 * math.sqrt(sum(ratio**2 for ratio in ratios) / len(ratios))
    print(f"{inside:.1%} inside, spread {spread:.2f}")
    # of 120 points of 40 benches, 0.95 +- 0.02 by chance
    assert 0.90 <= inside <= 1.0
    # much too wide is as dishonest as too narrow
    assert 0.7 <= spread <= 1.3


def test_a_value_typed_twice_replaces_the_first() -> None:
    its = ByHand().zeros()
    its.type("lift", "0.100")
    its.type("test_pressure", "27.8")
    its.type("test_pressure", "28.0")
    (taken, *_) = its.type("meter_pressure", "0.70")
    assert isinstance(taken, Taken)
    assert taken.point.test_pressure_pa == pytest.approx(28.0 * 249.08891)


def test_values_typed_before_the_step_began_do_not_count_for_it() -> None:
    its = ByHand().zeros()
    its.point()
    assert its.core.view().now == 1
    its.type("meter_pressure", "4.45")
    assert its.core.awaited == ("lift", "test_pressure")
    assert len(its.core.points) == 1


def test_a_step_can_be_taken_again_and_the_earlier_take_is_kept() -> None:
    its = ByHand().zeros()
    its.point()
    its.core.act(its.bench.t_us, Action(kind="retake"))
    assert its.core.awaited == ALL
    (taken, *_) = its.point(meter="0.75")
    assert isinstance(taken, Taken)
    assert [(point.step, point.take) for point in its.core.points] == [(0, 1), (0, 2)]


def test_a_lift_or_pressure_typed_away_from_the_step_is_asked_for_again() -> None:
    its = ByHand().zeros()
    its.point(lift="0.120")
    assert its.core.awaited == ("lift",)
    its.type("lift", "0.100")
    assert len(its.core.points) == 1
    its.point(lift="0.300", pressure="24.0", meter="4.45")
    assert its.core.awaited == ("test_pressure",)
    assert len(its.core.points) == 1


def test_taken_by_hand_a_pressure_outside_its_band_did_not_hold() -> None:
    its = ByHand().zeros()
    with pytest.raises(Refused, match="type the lift first"):
        its.core.act(its.bench.t_us, Action(kind="take"))
    its.point(pressure="24.0")
    assert not its.core.points
    its.core.act(its.bench.t_us, Action(kind="take"))
    (point,) = its.core.points
    assert point.hold.broken
    assert not point.hold.unwitnessed
    assert "below target" in point.hold.reason


@pytest.mark.parametrize(
    ("channel", "text", "why"),
    [
        ("test_pressure", "280", "lies outside -1 to 60 inH2O"),
        ("test_pressure", "28 mm", "no unit of pressure"),
        ("test_pressure", "-0.5", "gives no flow"),
        ("meter_pressure", "19", "range"),
        ("lift", "0.3.1", "is not a number"),
        ("lift", "", "type the lift in in"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence_and_nothing_is_used(channel: str, text: str, why: str) -> None:
    its = ByHand().zeros()
    with pytest.raises(Refused, match=why):
        its.type(channel, text)
    assert its.core.typed_here(channel) is None


def test_a_reading_is_no_zero() -> None:
    its = ByHand()
    with pytest.raises(Refused, match=r"no zero of the test pressure\. First stop the blower"):
        its.type("test_pressure", "28.0")
    assert its.core.awaited == ("test_pressure", "meter_pressure", "lift")


def test_typed_zeros_are_subtracted() -> None:
    its = ByHand()
    for channel, text in (("test_pressure", "0.2"), ("meter_pressure", "-0.05"), ("lift", "0.002")):
        its.type(channel, text)
    (taken, *_) = its.point(lift="0.102", pressure="28.2", meter="0.65")
    assert isinstance(taken, Taken)
    point = taken.point
    assert point.test_pressure_pa == pytest.approx(28.0 * 249.08891)
    assert point.meter_pressure_pa == pytest.approx(0.70 * 249.08891)
    assert point.lift_m == pytest.approx(0.1 * INCH_M)


def test_nothing_is_typed_while_paused_and_a_pause_asks_for_everything_anew() -> None:
    its = ByHand().zeros()
    its.type("lift", "0.100")
    its.core.act(its.bench.t_us, Action(kind="pause"))
    with pytest.raises(Refused, match="paused"):
        its.type("test_pressure", "28.0")
    its.core.act(its.bench.t_us, Action(kind="go_on"))
    assert its.core.awaited == ALL


def test_how_finely_a_column_is_read_counts_for_the_reading_and_for_its_zero() -> None:
    its = ByHand().zeros()
    (taken, *_) = its.point()
    assert isinstance(taken, Taken)
    parts = {part.name: part for part in taken.point.flow.budget}
    for name in ("meter pressure, digit", "meter pressure, digit of its zero"):
        assert parts[name].distribution == "rectangular"
        assert parts[name].standard_uncertainty == pytest.approx(0.025 * 249.08891 / math.sqrt(3))
    # 0.05 inH2O of 0.70: half of that, relative, since the flow goes with the root of the meter's pressure
    assert abs(parts["meter pressure, digit"].contribution_rel) == pytest.approx(0.5 * 0.025 / 0.70 / 3**0.5, rel=0.02)


# ---------------------------------------------------------------- only some of it is typed


def test_with_the_lift_alone_typed_flow_and_pressure_are_judged_as_ever() -> None:
    bench = VirtualBench(7, config("lift"))
    run = bench.pull(request(bench.config))
    for point in run.points:
        assert point.typed == ("lift",)
        assert point.settled
        assert point.hold.held
        assert point.taken_by == "settled"
        truth = bench.truth_m3_s("intake", point.step_lift_m or 0.0)
        assert abs(point.flow.flow_m3_s - truth) < 2 * point.flow.half_width_95_m3_s
    assert marks(run.outputs) == []


def test_nothing_is_taken_before_the_lift_was_typed_however_steady_the_flow() -> None:
    its = ByHand("lift")
    its.core.act(its.bench.t_us, Action(kind="skip"))  # the lift's zero
    bench = its.bench.bench
    bench.hold({"lift_m": 0.0, "test_pressure_pa": 0.0, "direction": "intake", "meter_range": "large"})
    seconds(its, 5)
    assert its.core.phase == "steps"
    bench.hold({"lift_m": LIFTS[0], "test_pressure_pa": 28 * 249.08891, "meter_range": "large"})
    seconds(its, 40)
    assert not its.core.points
    assert its.core.awaited == ("lift",)
    its.type("lift", "0.100")
    seconds(its, 40)
    assert [point.step for point in its.core.points] == [0]


def seconds(its: ByHand, count: int) -> None:
    for _ in range(50 * count):
        its.core.samples(its.bench.tick()[0])


@pytest.mark.parametrize("by_in", [0.02, -0.03])
def test_a_flow_that_moves_after_its_lift_was_typed_is_not_taken(by_in: float) -> None:
    bench = VirtualBench(2, config("lift"))
    operator = bench.bench.operator
    typed_s: list[float] = []
    moved: list[bool] = []
    faults: list[str] = []

    def each(core: PullCore, _outputs: list[Output]) -> None:
        if core.typed_here("lift") is not None and not typed_s:
            typed_s.append(bench.bench.t_s)
        if typed_s and not moved and bench.bench.t_s > typed_s[0] + 2.0:
            moved.append(True)
            operator.lift_m += by_in * INCH_M
        if core.fault and not faults:
            faults.append(core.fault)
            assert not core.points
            assert core.awaited == ("lift",)
            operator.lift_m -= by_in * INCH_M

    run = bench.pull(request(bench.config, LIFTS[1:2]), each=each)
    assert faults == [MOVED]
    (point,) = run.points
    truth = bench.truth_m3_s("intake", LIFTS[1])
    assert abs(point.flow.flow_m3_s / truth - 1) < 0.025


def test_a_lift_zero_that_is_left_out_counts_as_zero_and_is_said() -> None:
    its = ByHand("lift")
    first = its.core.act(its.bench.t_us, Action(kind="skip"))
    assert marks(first) == ["The zero of the lift was not typed before the pull: it counts as 0."]
    seconds(its, 5)
    zeros = its.core.view().zeros_before
    assert zeros is not None
    assert zeros.lift_m == 0.0
    assert zeros.test_pressure_pa != 0.0


@pytest.mark.parametrize("typed", [("test_pressure",), ("meter_pressure",), ("test_pressure", "meter_pressure")])
def test_any_part_of_a_point_can_be_typed(typed: tuple[str, ...]) -> None:
    bench = VirtualBench(4, config(*typed))
    run = bench.pull(request(bench.config))
    for point in run.points:
        assert point.typed == typed
        assert point.hold.held is ("test_pressure" not in typed)
        assert point.settled is ("meter_pressure" not in typed)
        truth = bench.truth_m3_s("intake", point.step_lift_m or 0.0)
        assert abs(point.flow.flow_m3_s - truth) < 2 * point.flow.half_width_95_m3_s


def test_a_meter_typed_while_the_measured_pressure_was_away_is_not_taken() -> None:
    its = ByHand("meter_pressure")
    seconds(its, 5)
    its.type("meter_pressure", "0")
    seconds(its, 1)
    its.bench.bench.hold({"lift_m": LIFTS[0], "test_pressure_pa": 20 * 249.08891, "meter_range": "large"})
    seconds(its, 4)
    its.type("meter_pressure", "0.50")
    assert not its.core.points
    assert "the test pressure was not in its band" in its.core.fault


def test_a_leakage_run_can_be_typed() -> None:
    bench = VirtualBench(6, config(*ALL))
    law = bench.leakage(demo_requests(bench.config)[0])
    assert law.area_m2 > 0.0
