"""Every line of a check: good, and each way in which it is not, with its cure."""

import re

import pytest

from acquire.calibration.record import Calibration
from acquire.ready.lines import calibrations_line, instruments_line, leakage_line, room_line, watch_lines
from acquire.ready.record import ReadyLine
from acquire.ready.watch import Seen
from acquire.ready.words import Words
from acquire.records import InstrumentState, Setup
from acquire.room.air import ByHand
from acquire.units import INCH_M
from tests.ready.example import BENCH, INH2O, LIVE, NOW, frame, law, seen

WORDS = Words(BENCH)
ALL = frozenset(frame(0.0).readings)


def watch_line(name: str, **channels: list[float]) -> ReadyLine:
    return next(line for line in watch_lines(seen(**channels), BENCH, WORDS) if line.name == name)


def test_a_quiet_bench_is_good_in_every_line_that_was_watched() -> None:
    lines = watch_lines(seen(), BENCH, WORDS)
    assert [line.name for line in lines] == ["zeros", "zero drift", "meter temperature"]
    assert {line.verdict for line in lines} == {"good"}
    assert lines[0].said == "test +0.004, meter -0.008, limit 0.100 inH2O; lift +0.0000 in"


@pytest.mark.parametrize(
    ("name", "channels", "said", "cure"),
    [
        ("zeros", {"test_pressure": [0.2 * INH2O] * 20}, r"test \+0.200, .*limit 0.100", "hose of test pressure"),
        ("zeros", {"meter_pressure": [-0.2 * INH2O] * 20}, r"meter -0.200", "hose of meter pressure"),
        ("zero drift", {"test_pressure": [0.3 * i for i in range(20)]}, r"\+0.024, .* in 10 s", "warming up"),
        ("meter temperature", {"meter_temperature": [295 + 0.2 * i for i in range(20)]}, r"\+4.00 K", "ten minutes"),
    ],
)
def test_what_moves_or_lies_off_is_bad_and_says_the_cure(
    name: str, channels: dict[str, list[float]], said: str, cure: str
) -> None:
    line = watch_line(name, **channels)
    assert line.verdict == "bad"
    assert not line.passes
    assert re.search(said, line.said)
    assert cure in line.cure


def test_readings_too_unsteady_to_tell_are_not_known() -> None:
    line = watch_line("zero drift", test_pressure=[0.0, 10.0, 10.0, 0.0] * 5)
    assert (line.verdict, line.passes) == ("not known", False)
    assert "unsteady" in line.cure


def test_a_channel_that_does_not_send_is_not_known() -> None:
    for name, channel in (("zeros", "test_pressure"), ("zero drift", "meter_pressure"), ("meter temperature",) * 2):
        line = watch_line(name, **{channel.replace(" ", "_"): []})
        assert line.verdict == "not known", name
        assert channel.replace("_", " ") in line.said


def test_a_bench_without_a_meter_thermometer_leaves_that_line_out() -> None:
    its = seen(meter_temperature=[])
    without = Seen(its.watched, "", 10.0, its.instruments, ALL - {"meter_temperature"}, ALL - {"meter_temperature"})
    line = watch_lines(without, BENCH, WORDS)[-1]
    assert (line.verdict, line.passes) == ("left out", True)


def test_a_bench_that_stayed_on_says_what_kept_it_and_nothing_of_zeros() -> None:
    still_on = Seen((), "Stop the blower: test pressure reads 3.000 inH2O", 10.0, (LIVE,), ALL, ALL)
    (line,) = watch_lines(still_on, BENCH, WORDS)
    assert (line.name, line.verdict) == ("bench off", "bad")
    assert line.said == "stop the blower: test pressure reads 3.000 inH2O"


def test_an_instrument_that_is_silent_is_named_with_its_own_sentence() -> None:
    dead = InstrumentState(name="weather", state="silent", sentence="weather on COM7 has sent nothing for 8 s")
    line = instruments_line([LIVE, dead])
    assert (line.verdict, line.said, line.cure) == ("bad", "weather not answering", dead.sentence)
    assert instruments_line([LIVE]).verdict == "good"


def test_leakage_must_be_measured_and_young() -> None:
    setup = Setup(bore_fixture_diameter_m=4.03 * INCH_M)
    good = leakage_line("intake", (law(2), setup), BENCH, NOW, WORDS)
    assert good.verdict == "good"
    assert good.said == f"{WORDS.flow(9e-6)} on 4.030 in, pull 3, 2 d old"
    missing = leakage_line("intake", None, BENCH, NOW, WORDS)
    assert (missing.verdict, missing.said) == ("bad", "not measured")
    assert "blank plate" in missing.cure
    old = leakage_line("intake", (law(measured_utc="2026-03-20T12:00:00+00:00"), setup), BENCH, NOW, WORDS)
    assert (old.verdict, old.said) == ("bad", "pull 3 is 61 d old, the limit is 30 d")


def test_a_leak_too_small_to_tell_is_given_as_a_bound() -> None:
    said = leakage_line("intake", (law(below_m2=1.8e-6), Setup()), BENCH, NOW, WORDS).said
    assert said.startswith(f"below {WORDS.flow(1.8e-6)}, pull 3")


def by_hand(value: float | None, age_s: float | None, too_old: bool) -> dict[str, ByHand]:
    name = "room_humidity"
    return {name: ByHand(name, value, 0.1, True, "", age_s, 86400.0, too_old)}


def test_room_air_is_measured_or_entered_lately() -> None:
    assert room_line(ALL, ALL, {}).said == "measured"
    measured = ALL - {"room_humidity"}
    young = room_line(measured, ALL, by_hand(0.4, 3600.0, False))
    assert (young.verdict, young.said) == ("good", "humidity 60 min old (limit 24 h)")
    old = room_line(measured, ALL, by_hand(0.4, 3 * 86400.0, True))
    assert (old.verdict, old.said) == ("bad", "humidity 3 d old (limit 24 h)")
    assert "steadydraw air" in old.cure
    assert room_line(measured, ALL, by_hand(0.4, None, True)).said.startswith("humidity without a date")
    assert room_line(measured, ALL, by_hand(None, None, False)).said == "room humidity not given"
    silent = room_line(ALL, ALL - {"room_pressure"}, {})
    assert (silent.verdict, silent.said) == ("not known", "no readings of room pressure")


def calibration(channel: str, due_utc: str) -> Calibration:
    return Calibration(
        made_utc="2025-05-01T00:00:00+00:00",
        channel=channel,
        instrument="front_end",
        unit="inH2O",
        coefficients=(0.0, 1.0),
        due_utc=due_utc,
    )


def test_an_overdue_calibration_is_bad_and_one_that_is_due_later_good() -> None:
    later = calibration("test_pressure", "2026-06-01T00:00:00+00:00")
    overdue = calibration("meter_pressure", "2026-05-01T00:00:00+00:00")
    assert calibrations_line([later], NOW).said == "1 channel, next due 2026-06-01"
    bad = calibrations_line([later, overdue], NOW)
    assert (bad.verdict, bad.said) == ("bad", "meter pressure was due 2026-05-01")
    assert "steadydraw calibrate meter_pressure" in bad.cure
    assert calibrations_line([], NOW).verdict == "left out"
