"""Watching the bench: what is asked of the operator, when it counts as off, and when it is given up."""

import pytest

from acquire.ready.drift import drift_of
from acquire.ready.watch import Seen, Watching
from acquire.records import Frame, Refused
from acquire.values import PullView
from tests.ready.example import BENCH, INH2O, frame, reading, watched


class Bench:
    """Feeds frames and keeps what was said."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.watching = Watching(BENCH, self.said.append)

    def until_seen(self, frames: list[Frame]) -> tuple[Seen, float]:
        for its in frames:
            seen = self.watching.frame(its)
            if seen is not None:
                return seen, its.t_us / 1e6
        raise AssertionError("it was never done")


def every(seconds: float, to_s: float, **changes: float) -> list[Frame]:
    return [frame(n * seconds, **changes) for n in range(round(to_s / seconds) + 1)]


def test_a_bench_at_rest_is_watched_for_its_time_and_no_longer() -> None:
    bench = Bench()
    seen, after_s = bench.until_seen(every(0.1, 60.0))
    assert after_s == pytest.approx(10.0)
    assert seen.still_on == ""
    assert {its.channel for its in seen.watched} == {"test_pressure", "meter_pressure", "lift", "meter_temperature"}
    assert bench.said == ["Bench off. Watching it for 10 s: leave blower and valve alone."]


def test_the_operator_is_told_to_stop_the_blower_and_to_close_the_valve() -> None:
    bench = Bench()
    on = every(0.1, 4.0, test_pa=3 * INH2O)
    open_valve = [frame(4.0 + n / 10, lift_m=0.003) for n in range(1, 30)]
    rest = [frame(7.0 + n / 10) for n in range(300)]
    seen, after_s = bench.until_seen(on + open_valve + rest)
    assert bench.said == [
        "Stop the blower: test pressure reads 3.000 inH2O.",
        "Close the valve: lift reads +0.1181 in.",
        "Bench off. Watching it for 10 s: leave blower and valve alone.",
    ]
    assert after_s == pytest.approx(17.0)
    assert seen.still_on == ""


def test_a_blower_that_stays_on_is_given_up_after_the_longest_wait() -> None:
    seen, after_s = Bench().until_seen(every(0.1, 100.0, test_pa=3 * INH2O))
    assert 30.0 < after_s < 31.0
    assert seen.still_on == "Stop the blower: test pressure reads 3.000 inH2O"
    assert seen.watched == ()


def test_a_blower_started_again_begins_the_watch_anew() -> None:
    again = every(0.1, 5.0) + [frame(5.1, test_pa=900.0)] + [frame(5.2 + n / 10) for n in range(300)]
    _, after_s = Bench().until_seen(again)
    assert after_s == pytest.approx(15.2)


def test_what_still_moves_is_watched_on_until_it_rests() -> None:
    bench = Bench()
    cooling = [
        frame(n / 10, readings={"meter_temperature": reading(295 + 5 * 0.8 ** (n / 10), "K")}) for n in range(400)
    ]
    seen, after_s = bench.until_seen(cooling)
    assert 12.0 < after_s < 25.0
    drift = drift_of(seen.channel("meter_temperature"), 10.0)
    assert drift is not None
    assert abs(drift.change) <= 1.0
    assert "Meter temperature still moves" in bench.said[1]


def test_what_never_rests_is_given_up_after_the_longest_wait() -> None:
    drifting = [frame(n / 10, test_pa=0.5 * n / 10) for n in range(1000)]
    _, after_s = Bench().until_seen(drifting)
    assert after_s == pytest.approx(30.0)


def test_a_cable_that_is_out_does_not_hold_the_check_up() -> None:
    out = {"test_pressure": reading(5000.0, live=False)}
    seen, after_s = Bench().until_seen([frame(n / 10, readings=out) for n in range(400)])
    assert after_s == pytest.approx(10.0)
    assert seen.channel("test_pressure").values == ()
    assert "test_pressure" not in seen.live


def test_a_running_pull_is_not_disturbed() -> None:
    pull = PullView("lift", "intake", "steps", False, None, 0, (), None, None, ())
    with pytest.raises(Refused, match="Pull 7 is running"):
        Bench().watching.frame(frame(0.0, pull=pull, pull_id=7))


def test_a_drift_is_the_change_over_the_span_with_its_doubt() -> None:
    line = drift_of(watched("test_pressure", [0.1 * i for i in range(40)]), 10.0)
    assert line is not None
    assert line.change == pytest.approx(2.0)
    assert line.half_width_95 == pytest.approx(0.0, abs=1e-9)
    # standard error of a slope: sd / sqrt(sum of squares about the mean time); 21 readings 0.5 s apart, sd 1
    noisy = drift_of(watched("test_pressure", [1.0, -1.0] * 20), 10.0)
    assert noisy is not None
    assert noisy.half_width_95 == pytest.approx(2 * 10 / (0.5 * (21 * 440 / 12) ** 0.5), rel=0.06)
    assert drift_of(watched("test_pressure", [0.0] * 5), 10.0) is None
