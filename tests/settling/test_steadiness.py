"""How steady a bench is over many pulls: the trend against a reference library, and when it may be claimed."""

import csv
import io
import json
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from acquire.sheet.steadiness_page import make_steadiness_page, pulls_csv, steadiness_data
from acquire.steadiness.many_pulls import LEAST_DAYS, BenchSteadiness, HeldPull, bench_steadiness, slope_of, theil_sen
from acquire.steadiness.many_pulls_text import steadiness_json, steadiness_text
from acquire.values import Direction

FIRST = date(2026, 1, 5)


def pull(number: int, day: int, sd: float = 0.002, direction: Direction = "intake", **changes: object) -> HeldPull:
    made = {
        "id": number,
        "started_utc": f"{FIRST + timedelta(days=day)}T08:{number % 60:02}:00.000Z",
        "direction": direction,
        "bench": "bench A",
        "simulated": False,
        "points": 8,
        "held": 8,
        "sd": sd,
        "drift": 0.001,
        "farthest": 0.008,
        "band": 0.02,
    }
    return HeldPull(**(made | changes))  # type: ignore[arg-type]


def season(days: int, rise: float, a_day: int = 4, day_effect: float = 0.05, seed: int = 1) -> list[HeldPull]:
    """Pulls of intake only; each day has a common effect; sd rises by ``rise`` of itself over the season."""
    rng = np.random.default_rng(seed)
    pulls: list[HeldPull] = []
    for day in range(days):
        common = rng.normal(0.0, day_effect)
        for _ in range(a_day):
            level = 1.0 + rise * day / days + common
            pulls.append(
                pull(
                    len(pulls) + 1,
                    day,
                    0.002 * level * rng.uniform(0.95, 1.05),
                    drift=0.001 * rng.uniform(0.9, 1.1),
                    farthest=0.008 * rng.uniform(0.9, 1.1),
                )
            )
    return pulls


def verdicts(found: BenchSteadiness) -> dict[str, str]:
    return {one.measure: one.verdict for one in found.trends}


# reference library: scipy.stats.theilslopes, Sen (1968) equation 2.6
@given(st.lists(st.floats(-1.0, 1.0), min_size=LEAST_DAYS, max_size=60, unique=True), st.sampled_from([0.95, 0.9917]))
def test_the_slope_and_its_interval_are_those_of_a_reference_library(values: list[float], level: float) -> None:
    at = [1.5 + 2.0 * i for i in range(len(values))]
    slope, low, high, middle = theil_sen(at, values, level)
    expected = theilslopes(values, at, level)
    assert (slope, low, high, middle) == pytest.approx(
        (expected.slope, expected.low_slope, expected.high_slope, expected.intercept), rel=1e-12, abs=1e-12
    )


def test_a_few_wild_days_do_not_move_the_trend() -> None:
    at, values = list(range(40)), [1.0 + 0.01 * i for i in range(40)]
    wild = [50.0 if i in (3, 17, 39) else value for i, value in enumerate(values)]
    assert slope_of(at, wild, 0.95)[0] == pytest.approx(0.01, rel=0.05)


def test_many_days_are_taken_together_and_keep_their_slope() -> None:
    at = [float(i) for i in range(5000)]
    slope, low, high, _ = slope_of(at, [1.0 + 1e-4 * x + 0.01 * (-1) ** int(x) for x in at], 0.95)
    assert slope == pytest.approx(1e-4, rel=1e-3)
    assert low < 1e-4 < high


def test_a_bench_that_gets_worse_is_found_and_by_how_much() -> None:
    found = bench_steadiness(season(40, rise=0.5))
    assert verdicts(found) == {"sd": "getting worse", "drift": "no trend shown", "farthest": "no trend shown"}
    (sd,) = found.worse
    assert sd.slope is not None
    assert sd.over_all(sd.slope) == pytest.approx(0.5 * 0.002, rel=0.25)
    said = steadiness_text(found)
    assert "GETTING WORSE: the intake sd by +0." in said.replace("\n", " ")
    assert max(map(len, said.splitlines())) <= 80


def test_a_bench_that_gets_better_is_no_alarm() -> None:
    found = bench_steadiness(season(40, rise=-0.4))
    assert verdicts(found)["sd"] == "getting better"
    assert found.worse == ()
    assert "Not shown to get worse." in steadiness_text(found)


def test_days_that_share_an_effect_rarely_raise_a_false_alarm() -> None:
    # one intake trend too many of three would be 2.5 % of seasons; 16 pulls of one day are one value
    alarms = sum(bool(bench_steadiness(season(12, 0.0, 16, 0.2, seed)).worse) for seed in range(100))
    assert alarms <= 7


def test_days_that_resemble_their_neighbours_widen_the_interval_until_chance_is_covered() -> None:
    # first-order autocorrelation of 0.6 over 40 days: independent days would be wrong in about one season of ten
    alarms = plain = 0
    for seed in range(150):
        rng, level, values = np.random.default_rng(seed), 0.0, []
        for _ in range(40):
            level = 0.6 * level + rng.normal()
            values.append(level)
        at = list(range(40))
        plain += theil_sen(at, values, 0.95)[1] > 0.0
        alarms += slope_of(at, values, 0.95)[1] > 0.0
    assert plain >= 15
    assert alarms <= 11


def test_a_rise_that_is_not_shown_says_how_many_pulls_would_show_it() -> None:
    weak = next(its for its in (bench_steadiness(season(12, 0.15, seed=s)) for s in range(50)) if its.trends[0].needed)
    sd = weak.trends[0]
    assert sd.needed is not None
    assert sd.needed > sd.pulls
    assert "pulls in all would show it; there are 48" in steadiness_text(weak).replace("\n", " ")


def test_too_few_days_give_no_trend_and_say_how_many_it_takes() -> None:
    found = bench_steadiness(season(LEAST_DAYS - 1, rise=5.0, a_day=20))
    assert set(verdicts(found).values()) == {"too few days"}
    assert f"a trend takes pulls on at least {LEAST_DAYS} days" in steadiness_text(found).replace("\n", " ")
    assert verdicts(bench_steadiness(season(LEAST_DAYS, rise=5.0)))["sd"] == "getting worse"


def test_months_count_what_held() -> None:
    pulls = [pull(1, 0, 0.001), pull(2, 1, 0.003, held=7, farthest=0.05), pull(3, 40, 0.004)]
    first, second = bench_steadiness(pulls).months
    assert (first.month, first.pulls, first.points, first.held) == ("2026-01", 2, 16, 15)
    assert (first.sd, first.farthest) == (0.002, 0.05)
    assert (second.month, second.pulls) == ("2026-02", 1)


def test_simulated_pulls_and_other_benches_are_left_out_and_said() -> None:
    pulls = [pull(1, 0, simulated=True), pull(2, 1, bench="bench B"), pull(3, 2), pull(4, 3)]
    found = bench_steadiness(pulls)
    assert [its.id for its in found.pulls] == [3, 4]
    assert found.left_out == ("1 pull simulated", "1 pull of other benches")
    assert [its.id for its in bench_steadiness(pulls, bench="bench B").pulls] == [2]
    assert [its.id for its in bench_steadiness(pulls, last=1).pulls] == [4]
    only = bench_steadiness(pulls[:1])
    assert only.simulated
    assert "SIMULATED" in steadiness_text(only)
    with pytest.raises(ValueError, match="known are bench A, bench B"):
        bench_steadiness(pulls, bench="bench C")
    with pytest.raises(ValueError, match="no lift pull"):
        bench_steadiness([])


def test_the_page_is_one_page_and_the_same_twice_and_carries_every_pull() -> None:
    both = [*season(30, 0.5), *(pull(1000 + i, i, direction="exhaust") for i in range(30))]
    found = bench_steadiness(both)
    first, second = make_steadiness_page(found), make_steadiness_page(found)
    assert first.pdf == second.pdf
    assert first.png(40).startswith(b"\x89PNG")
    rows = list(csv.DictReader(io.StringIO(pulls_csv(found).decode())))
    assert len(rows) == 150
    assert float(rows[0]["sd"]) == found.pulls[0].sd
    data = steadiness_data(found)
    assert data["worse"]
    assert [one["cells"][0] for one in data["trends"]] == ["intake"] * 3 + ["exhaust"] * 3


def test_json_has_every_pull_and_the_answer() -> None:
    made = json.loads(steadiness_json(bench_steadiness(season(10, 0.0))))
    assert len(made["pulls"]) == 40
    assert made["getting_worse"] is False
    assert made["trends"][0]["measure"] == "sd"
