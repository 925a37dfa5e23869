"""The bytes on the wire: their form, their rate, and what faults do to them."""

import itertools
import re
import statistics
from dataclasses import replace

import pytest

from sim.air import INCH_M, INH2O_PA
from sim.bench import SimBench
from sim.devices import BOOT
from sim.faults import DEVICES, Fault, FaultKind, FaultPlan, every_kind
from sim.scenario import CALM, EXACT, SHOP

FRONT_LINE = re.compile(rb"P1 (-?\d+\.\d{4}) P2 (-?\d+\.\d{4})")
LIFT_LINE = re.compile(rb"(B )?([-+]\d\.\d{4}) in")
WEATHER_LINE = re.compile(rb"BARO \d+\.\d\d kPa T \d+\.\d\d C RH \d+\.\d % TM \d+\.\d\d C\r\n")


def running(*faults: Fault) -> SimBench:
    """A bench that holds 0.300 in at 28 inH2O, 30 s after power-up, its output taken."""
    bench = SimBench(11, replace(CALM, faults=faults))
    bench.follow({"lift_m": 0.3 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    bench.advance(30.0)
    bench.outputs()
    return bench


def after(bench: SimBench, seconds: float, device: str) -> bytes:
    bench.advance(seconds)
    return bench.outputs()[device]


def meter_values(data: bytes) -> list[float]:
    return [float(match[2]) for match in FRONT_LINE.finditer(data)]


def test_the_front_end_boots_with_text_and_then_streams_fifty_lines_a_second() -> None:
    bench = SimBench(1)
    data = after(bench, 0.5, "front_end")
    assert data == BOOT
    data = after(bench, 10.0, "front_end")
    lines = data.split(b"\r\n")
    assert lines[-1] == b""
    assert len(lines) - 1 == pytest.approx(50 * 9.7, abs=15)
    assert all(FRONT_LINE.fullmatch(line) for line in lines[:-1])


def test_the_lift_indicator_streams_ten_lines_a_second_in_half_thousandths() -> None:
    data = after(running(), 10.0, "lift_indicator")
    lines = data.split(b"\r")
    assert lines.pop() == b""
    assert len(lines) == 100
    for line in lines:
        match = LIFT_LINE.fullmatch(line)
        assert match is not None
        assert match[1] is None
        assert float(match[2]) / 0.0005 == pytest.approx(round(float(match[2]) / 0.0005), abs=1e-6)
        assert float(match[2]) == pytest.approx(0.300, abs=0.0035)


def test_the_data_button_sends_one_marked_line() -> None:
    bench = running()
    bench.press()
    data = bench.outputs()["lift_indicator"]
    assert re.fullmatch(rb"B \+0\.\d{4} in\r", data)


def test_the_weather_station_answers_once_for_every_question_and_never_unasked() -> None:
    bench = running()
    assert after(bench, 5.0, "weather") == b""
    bench.write("weather", b"?")
    assert after(bench, 1.0, "weather") == b""
    bench.write("weather", b"\r?\r")
    data = after(bench, 0.2, "weather")
    assert re.fullmatch(rb"(" + WEATHER_LINE.pattern + rb"){2}", data)


def test_the_weather_station_ignores_what_is_no_question() -> None:
    bench = running()
    bench.write("weather", b"\x00\xffHELLO\r\n??\r")
    assert after(bench, 1.0, "weather") == b""


def test_numbers_come_in_whole_digits_of_the_stated_resolution() -> None:
    data = after(running(), 5.0, "front_end")
    for match in FRONT_LINE.finditer(data):
        assert float(match[1]) / 0.001 == pytest.approx(round(float(match[1]) / 0.001), abs=1e-6)
        assert float(match[2]) / 0.0005 == pytest.approx(round(float(match[2]) / 0.0005), abs=1e-6)


def test_an_exact_bench_reads_its_true_state() -> None:
    bench = SimBench(6, EXACT)
    bench.follow({"lift_m": 0.5 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    bench.advance(40.0)
    now = bench.true_now()
    match = FRONT_LINE.findall(bench.outputs()["front_end"])[-1]
    assert float(match[0]) == pytest.approx(bench.plant.test_pressure_pa / INH2O_PA, abs=0.00051)
    assert float(match[1]) == pytest.approx(bench.plant.meter_pressure_pa() / INH2O_PA, abs=0.00026)
    assert now["settled"]


# ---------------------------------------------------------------- faults


def test_without_faults_every_line_is_whole() -> None:
    data = after(running(), 20.0, "front_end")
    assert all(FRONT_LINE.fullmatch(line) for line in data.split(b"\r\n")[:-1])


def test_dropped_lines_are_missing_and_nothing_else() -> None:
    whole = after(running(), 4.0, "front_end").split(b"\r\n")
    dropped = after(running(Fault("front_end", "drop", at_line=1600, count=3)), 4.0, "front_end").split(b"\r\n")
    assert len(whole) - len(dropped) == 3
    first = next(n for n, (a, b) in enumerate(zip(whole, dropped, strict=False)) if a != b)
    assert dropped == whole[:first] + whole[first + 3 :]


def test_all_faults_of_one_line_or_one_moment_come_together() -> None:
    by_line = [Fault("weather", "spike", at_line=3), Fault("weather", "flip", at_line=3)]
    by_time = [Fault("weather", "stall", at_s=2.0), Fault("weather", "zero", at_s=2.0)]
    plan = FaultPlan("weather", [*by_line, *by_time, Fault("front_end", "drop", at_line=1)])
    assert plan.due(1.0, 2) == []
    assert {fault.kind for fault in plan.due(1.0, 3)} == {"spike", "flip"}
    assert {fault.kind for fault in plan.due(2.0, 4)} == {"stall", "zero"}
    assert plan.due(9.0, 9) == []


def test_a_truncated_line_loses_its_end() -> None:
    whole = after(running(), 4.0, "lift_indicator")
    cut = after(running(Fault("lift_indicator", "truncate", at_s=31.0)), 4.0, "lift_indicator")
    assert 2 <= len(whole) - len(cut) <= 10
    bad = [line for line in cut.split(b"\r")[:-1] if not LIFT_LINE.fullmatch(line)]
    assert len(bad) == 1


def test_a_flipped_bit_changes_one_bit_of_one_line() -> None:
    whole = after(running(), 4.0, "front_end")
    flipped = after(running(Fault("front_end", "flip", at_line=1600)), 4.0, "front_end")
    assert len(whole) == len(flipped)
    assert sum((a ^ b).bit_count() for a, b in zip(whole, flipped, strict=True)) == 1


def test_a_spike_lasts_its_count_of_lines_and_has_its_size() -> None:
    whole = meter_values(after(running(), 4.0, "front_end"))
    spiked = meter_values(after(running(Fault("front_end", "spike", at_s=31.0, count=2, size=0.4)), 4.0, "front_end"))
    ratios = [b / a for a, b in zip(whole, spiked, strict=True) if a != b]
    assert ratios == [pytest.approx(1.4, abs=0.002)] * 2


def test_a_single_zero_is_a_zero() -> None:
    values = meter_values(after(running(Fault("front_end", "zero", at_s=31.0)), 4.0, "front_end"))
    assert [value for value in values if value < 0.1] == [0.0]


def test_a_stall_is_silence_for_its_time() -> None:
    bench = running(Fault("front_end", "stall", at_s=31.0, for_s=1.5))
    assert len(meter_values(after(bench, 4.0, "front_end"))) == pytest.approx(200 - 75, abs=1)


def test_a_frozen_sensor_repeats_itself_and_comes_back_to_life() -> None:
    bench = running(Fault("front_end", "freeze", at_s=31.0, for_s=1.0))
    lines = after(bench, 3.0, "front_end").split(b"\r\n")[:-1]
    assert len(lines) == 150
    assert len(set(lines[52:98])) == 1
    assert len(set(lines[101:])) > 20


def test_an_unplugged_front_end_is_gone_and_boots_when_it_is_back() -> None:
    bench = running()
    bench.unplug("front_end", 2.0)
    assert not bench.plugged("front_end")
    assert after(bench, 1.9, "front_end") == b""
    data = after(bench, 2.0, "front_end")
    assert bench.plugged("front_end")
    assert data.startswith(BOOT)
    assert meter_values(data)


def test_a_restart_puts_boot_text_into_the_stream() -> None:
    data = after(running(Fault("front_end", "boot", at_s=31.0)), 3.0, "front_end")
    assert data.count(BOOT) == 1
    assert not data.startswith(BOOT)


def test_a_question_to_an_unplugged_station_is_lost() -> None:
    bench = running()
    bench.unplug("weather", 1.0)
    bench.write("weather", b"?\r")
    assert after(bench, 3.0, "weather") == b""
    bench.write("weather", b"?\r")
    assert WEATHER_LINE.fullmatch(after(bench, 0.2, "weather"))


def test_a_question_is_lost_however_short_the_plug_was_out() -> None:
    bench = running()
    bench.unplug("weather", 0.02)
    bench.write("weather", b"?\r")
    assert after(bench, 1.0, "weather") == b""


def test_what_an_unplugged_instrument_had_not_sent_yet_never_comes() -> None:
    bench = running()
    bench.advance(1.0)
    bench.unplug("lift_indicator", 2.0)
    assert bench.outputs()["lift_indicator"] == b""


def test_a_fault_may_be_placed_while_the_bench_runs() -> None:
    bench = running()
    bench.add_fault(Fault("front_end", "stall", at_s=30.5, for_s=100.0))
    assert len(meter_values(after(bench, 4.0, "front_end"))) == pytest.approx(25, abs=1)


def test_the_fault_scenario_holds_every_kind_of_fault() -> None:
    kinds: set[FaultKind] = {"drop", "truncate", "flip", "stall", "unplug", "boot", "spike", "zero", "freeze"}
    assert {fault.kind for fault in every_kind()} == kinds
    assert {fault.device for fault in every_kind()} == set(DEVICES)


def test_a_fault_needs_an_instrument_and_one_place() -> None:
    with pytest.raises(ValueError, match="no simulated instrument"):
        Fault("toaster", "drop", at_s=1.0)
    with pytest.raises(ValueError, match="either at_line or at_s"):
        Fault("front_end", "drop")
    with pytest.raises(ValueError, match="either at_line or at_s"):
        Fault("front_end", "drop", at_s=1.0, at_line=1)


def test_spikes_and_gaps_come_as_often_as_the_scenario_says() -> None:
    """Six spikes and three gaps a minute, counted over ten minutes."""
    scenario = replace(SHOP, spikes_per_min=6.0, gaps_per_min=3.0, hunting_share=0.0)
    bench = SimBench(5, scenario)
    bench.follow({"lift_m": 0.3 * INCH_M, "test_pressure_pa": 28 * INH2O_PA})
    bench.advance(30.0)
    bench.outputs()
    values = meter_values(after(bench, 600.0, "front_end"))
    typical = statistics.median(values)
    runs = sum(
        abs(now / typical - 1.0) > 0.028 >= abs(before / typical - 1.0) for before, now in itertools.pairwise(values)
    )
    assert 35 < runs < 85
    lost_s = (600 * 50 - len(values)) / 50
    assert 10.0 < lost_s < 45.0
