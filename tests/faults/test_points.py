"""A fault may delay a point; it never makes a wrong one."""

import sys
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acquire import clock
from acquire.daemon.guide import Guidance
from acquire.daemon.silence import Silence
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output
from acquire.records import Action
from acquire.units import INCH_M
from sim.wire import WiredBench
from tests.faults.table import told
from tests.faults.virtual import (
    LIFT,
    FaultyBench,
    Placing,
    assert_right,
    clean,
    own,
    settling,
    wire,
    zeroes_it_closed,
)
from tests.whole.virtual import demo_config


@pytest.mark.parametrize(
    ("row", "place"),
    [
        ("boots", own("front_end", "boot")),
        ("frozen", own("front_end", "freeze", for_s=5.0)),
        ("drip", wire("front_end", "drip", by=40.0, for_s=8.0)),
        ("endless", wire("front_end", "endless", for_s=4.0)),
        ("foreign", wire("front_end", "foreign", for_s=3.0, text=b"ID 04 WEIGHT 812.5 g\r\n")),
        ("baud", wire("front_end", "baud", for_s=3.0, by=2.0)),
        ("half", wire("front_end", "half", for_s=300.0)),
    ],
)
def test_no_fault_of_the_wire_makes_a_wrong_point(row: str, place: Placing) -> None:
    bench = FaultyBench()
    run = bench.run(place, settling)
    assert len(run.points) == 1
    assert_right(bench, run.points[0])
    if row in ("boots", "frozen", "drip", "foreign"):
        told(row, bench.said)


@pytest.mark.parametrize("device", ["front_end", "lift_indicator"])
def test_a_reading_begins_anew_after_what_was_away(device: str) -> None:
    bench = FaultyBench()
    began: list[int] = []

    def place(wired: WiredBench) -> None:
        began.append(bench.t_us)
        own(device, "stall", for_s=4.0)(wired)

    run = bench.run(place, settling)
    assert run.points[0].capture.t_start_us > began[0] + 3_900_000
    assert_right(bench, run.points[0])
    if device == "lift_indicator":
        told("lift away", bench.said)


def test_a_reading_begins_anew_after_the_machine_slept() -> None:
    bench = FaultyBench()
    run = bench.run(lambda _: setattr(bench, "slept_us", 3_600_000_000), settling)
    assert run.points[0].capture.t_start_us > 3_600_000_000
    assert run.points[0].capture.t_end_us - run.points[0].capture.t_start_us < 60_000_000
    assert_right(bench, run.points[0])


@pytest.mark.skipif(sys.platform != "linux", reason="the clock that goes on in sleep has another name elsewhere")
def test_the_clock_is_one_that_goes_on_while_the_machine_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    hours = iter((0, 3_600_000_000_000))
    asked: list[int] = []

    def boottime(number: int) -> int:
        asked.append(number)
        return next(hours)

    monkeypatch.setattr(time, "clock_gettime_ns", boottime)
    ticking = clock._ticking()
    assert ticking() == 0
    assert ticking() == 3_600_000_000_000
    assert asked == [time.CLOCK_BOOTTIME] * 2


def test_a_step_of_the_wall_clock_moves_no_time_stamp(monkeypatch: pytest.MonkeyPatch) -> None:
    its = clock.SystemClock()
    before = its.t_us()

    class Stepped(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> "Stepped":
            return super().now(tz) - timedelta(hours=3)

    monkeypatch.setattr(clock, "datetime", Stepped)
    assert datetime.now(UTC) - its.utc() > timedelta(hours=2)
    assert 0 <= its.t_us() - before < 60_000_000


@pytest.mark.parametrize(
    ("device", "place", "by"),
    [("front_end", 9, 3), ("front_end", 1, 8), ("front_end", 2, 7), ("lift_indicator", 1, 6)],
)
def test_a_flipped_digit_of_flow_or_lift_is_left_out_and_counted(device: str, place: int, by: int) -> None:
    bench = FaultyBench()
    run = bench.run(wire(device, "digit", place=place, by=by), settling)
    assert_right(bench, run.points[0])
    assert run.points[0].capture.rejected == 1
    assert run.points[0].lift_m == pytest.approx(clean().lift_m, abs=0.0002 * INCH_M)
    assert run.points[0].test_pressure_pa == pytest.approx(clean().test_pressure_pa, rel=2e-4)


@pytest.mark.parametrize("place", [2, 5, 12])
def test_a_flipped_digit_in_the_rooms_air_moves_nothing(place: int) -> None:
    bench = FaultyBench()
    seen: list[tuple[float, float, float]] = []
    sent: set[tuple[float, ...]] = set()

    def each(core: PullCore, _: list[Output]) -> None:
        model = core._signals.model()
        if model is not None:
            seen.append((model.room.pressure_pa / 200.0, model.room.temperature_k, model.meter_temperature_k))
            sent.add(
                tuple(sample.value for name, sample in bench._latest.items() if name.startswith(("room", "meter_t")))
            )

    run = bench.run(wire("weather", "digit", place=place, by=2), settling, each=each)
    assert_right(bench, run.points[0])
    assert max(max(its) - min(its) for its in zip(*sent, strict=True)) >= 1.9, "the digit came through"
    assert all(max(its) - min(its) < 1.0 for its in zip(*seen, strict=True))


@settings(max_examples=6, deadline=None)
@example(device="lift_indicator", kind="digit", place=1, by=7, count=3)
@given(
    device=st.sampled_from(["front_end", "lift_indicator"]),
    kind=st.sampled_from(["digit", "lose", "double", "flip"]),
    place=st.integers(0, 23),
    by=st.integers(1, 7),
    count=st.integers(1, 3),
)
def test_any_byte_at_any_place_makes_no_wrong_point(device: str, kind: str, place: int, by: int, count: int) -> None:
    bench = FaultyBench()
    run = bench.run(wire(device, kind, place=place, by=by, count=count), settling)
    assert_right(bench, run.points[0])


def test_a_spoilt_line_is_said_and_makes_no_wrong_point() -> None:
    bench = FaultyBench()
    run = bench.run(wire("lift_indicator", "lose", place=3), settling)
    told("byte", bench.said)
    assert_right(bench, run.points[0])


def test_a_frozen_test_pressure_is_said_and_nothing_is_taken_with_it() -> None:
    bench = FaultyBench()
    front = bench.wired.front_end
    real = front._test_in
    frozen: list[float] = []
    thaw_s: list[float] = []

    def stuck() -> float:
        if thaw_s and bench.wired.t_s < thaw_s[0]:
            frozen.append(frozen[0] if frozen else real())
            return frozen[0]
        return real()

    front._test_in = stuck
    run = bench.run(
        lambda wired: thaw_s.append(wired.t_s + 12.0),
        lambda core: settling(core) and core.view().now == 1,
        (0.1 * INCH_M, LIFT),
    )
    told("pressure frozen", bench.said)
    assert run.points[1].t_us > thaw_s[0] * 1e6
    assert_right(bench, run.points[1])


def test_a_meter_at_the_end_of_its_range_is_refused_and_the_larger_range_goes_on() -> None:
    text = '"16 inH2O"\ncertificate = "demo 2"'
    bench = FaultyBench(demo_config(**{text: text.replace("16", "40")}))
    lift_m = 0.6 * INCH_M
    refused: list[str] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        if "end of its instrument's range" in core.fault:
            assert not core.points
            refused.append(core.fault)
        if len(refused) == 200:
            outputs += core.act(bench.t_us, Action(kind="range", meter_range="large"))

    run = bench.run(None, settling, (lift_m,), each, meter_range="middle")
    told("over range", bench.said)
    assert run.points[0].meter_range == "large"
    assert_right(bench, run.points[0])


def test_swapped_pressures_give_no_point() -> None:
    swapped = demo_config(
        **{
            "P1 (?P<p1>": "P1 (?P<p>",
            "P2 (?P<p2>": "P2 (?P<p1>",
            "(?P<p>": "(?P<p2>",
        }
    )
    bench = FaultyBench(swapped)
    flowing: list[float] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        if bench.wired.plant.test_pressure_pa > 6800.0:
            flowing.append(bench.wired.t_s)
            if flowing[-1] - flowing[0] > 30.0 and core.outcome is None:
                outputs += core.act(bench.t_us, Action(kind="abort"))

    run = bench.run(None, settling, each=each)
    assert not run.points
    told("swapped", bench.said)


def test_an_indicator_zeroed_in_a_stay_holds_the_pull_until_it_is_zeroed_closed() -> None:
    bench = FaultyBench()
    run = bench.run(wire("lift_indicator", "rezero"), settling, each=zeroes_it_closed(bench))
    told("zeroed", bench.said)
    assert_right(bench, run.points[0])
    assert sum("zero" in said and "step 1" in said for said in bench.said) >= 2


def test_an_indicator_zeroed_between_stays_never_sends_to_a_wrong_lift() -> None:
    bench = FaultyBench()

    def under_way(core: PullCore) -> bool:
        lift_m = core.latest("lift") or 0.0
        return len(core.points) == 1 and 0.12 * INCH_M < lift_m < 0.28 * INCH_M

    run = bench.run(wire("lift_indicator", "rezero"), under_way, (0.1 * INCH_M, LIFT), each=zeroes_it_closed(bench))
    told("zeroed between", bench.said)
    for point in run.points:
        assert_right(bench, point)


def test_an_indicator_zeroed_while_closing_at_the_end_is_zeroed_again_closed() -> None:
    bench = FaultyBench()
    guidance = Guidance(bench.config.display, bench.config.water)

    def closing(core: PullCore) -> bool:
        return core.phase == "zero_after" and 0.1 * INCH_M < (core.latest("lift") or 0.0) < 0.25 * INCH_M

    def each(core: PullCore, _: list[Output]) -> None:
        if core.phase == "zero_after" and bench.wired.operator.lift_m < 5e-5:
            # what the engine finds: the instrument sends, but nothing that is in range
            outside = bench.counts["lift_indicator"].out_of_range > 0
            bench.said.append(guidance.guide(core, Silence("lift", 3.0, False, outside=outside), None).sentence)
            bench.wired.wires["lift_indicator"].mend()

    run = bench.run(wire("lift_indicator", "rezero"), closing, each=each)
    told("zeroed closing", bench.said)
    assert_right(bench, run.points[0])
