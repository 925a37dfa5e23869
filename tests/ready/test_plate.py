"""The reference plate: its history, the chart that judges it, and what is said before there is one."""

import random
from datetime import date

import pytest

from acquire.ready.plate import plate_lines, plate_series
from acquire.ready.text import chart_text
from acquire.ready.words import Words
from acquire.records import ArchivedPull
from tests.ready.example import BENCH, INH2O, PLATE, plate_pull

WORDS = Words(BENCH)
AREA = 600e-6


def history(n: int, last: float | None = None, sd: float = 0.0005) -> list[ArchivedPull]:
    """Runs on the days from 1 May; ``last`` is the last one's area as a share of the plate's own."""
    chance = random.Random(4)
    areas = [AREA * (1 + chance.gauss(0, sd)) for _ in range(n)]
    if last is not None:
        areas[-1] = AREA * last
    return [plate_pull(day, [area]) for day, area in enumerate(areas, 1)]


def lines_of(pulls: list[ArchivedPull], now_utc: str | None = None) -> list[tuple[str, str, str]]:
    series = plate_series(pulls, PLATE, None, simulated=True)
    now = now_utc or (f"{pulls[-1].started_utc[:10]}T20:00:00+00:00" if pulls else "2026-05-20T12:00:00+00:00")
    return [(its.name, its.verdict, its.said) for its in plate_lines(series, PLATE, 7 * 86400.0, now, WORDS)]


def test_a_history_is_kept_apart_by_direction_pressure_and_range() -> None:
    pulls = [plate_pull(1, [AREA, 1.01 * AREA]), plate_pull(2, [AREA], "exhaust"), plate_pull(3, [AREA, 1.02 * AREA])]
    found = plate_series(reversed(pulls), PLATE, None, simulated=True)
    assert [(its.direction, round(its.test_pressure_pa / INH2O), its.pull_ids) for its in found] == [
        ("exhaust", 28, (2,)),
        ("intake", 14, (1, 3)),
        ("intake", 28, (1, 3)),
    ]
    assert found[1].areas_m2 == (1.01 * AREA, 1.02 * AREA)


def test_only_complete_runs_of_that_plate_on_that_bench_count() -> None:
    pulls = [
        plate_pull(1, [AREA], outcome="aborted"),
        plate_pull(2, [AREA], plate="another plate"),
        plate_pull(3, [AREA], sources={"test_pressure": "COM3"}),
        plate_pull(4, [AREA], plate=PLATE.upper()),
    ]
    (found,) = plate_series(pulls, PLATE, None, simulated=True)
    assert found.pull_ids == (4,)
    assert plate_series(pulls, PLATE, date(2026, 5, 5), simulated=True) == []


def test_a_plate_in_control_is_good() -> None:
    ((name, verdict, said),) = lines_of(history(15))
    assert (name, verdict) == ("reference plate, intake", "good")
    assert "at 28 inH2O" in said
    assert "limits ±" in said


def test_a_plate_that_flows_otherwise_is_bad_and_names_the_rule() -> None:
    ((_, verdict, said),) = lines_of(history(15, last=1.006))
    assert verdict == "bad"
    assert "at 28 inH2O +0.59 %: beyond 3 sigma" in said


@pytest.mark.parametrize(("last", "verdict"), [(1.0005, "good"), (1.006, "bad")])
def test_before_there_is_a_history_a_run_must_agree_within_its_own_interval(last: float, verdict: str) -> None:
    ((_, found, said),) = lines_of(history(4, last=last))
    assert found == verdict
    assert ("4 of 9 runs, no limits yet" in said) == (verdict == "good")


def test_a_first_run_says_nothing_yet_and_passes() -> None:
    ((_, verdict, said),) = lines_of(history(1))
    assert verdict == "good"
    assert "1 of 9 runs" in said


def test_a_plate_never_run_or_run_too_long_ago_is_bad() -> None:
    ((name, verdict, said),) = lines_of([])
    assert (name, verdict, said) == ("reference plate", "bad", f"{PLATE} was never run")
    ((_, verdict, said),) = lines_of(history(3), "2026-05-20T12:00:00+00:00")
    assert (verdict, said) == ("bad", "last run is 17 d old, the limit is 7 d")


def test_a_bench_without_a_plate_leaves_it_out() -> None:
    (line,) = plate_lines([], "", 1.0, "2026-05-20T12:00:00+00:00", WORDS)
    assert (line.verdict, line.passes) == ("left out", True)


def test_the_chart_in_letters_has_a_column_a_run_and_marks_what_breaks_a_rule() -> None:
    (series,) = plate_series(history(20, last=1.006), PLATE, None, simulated=True)
    text = chart_text(series, WORDS)
    body = [line.split("|")[1] for line in text.splitlines() if "|" in line]
    assert sum(line.count("o") + line.count("X") for line in body) == 20
    assert body[0].rstrip().endswith("X")
    assert len(body[0].rstrip()) == 20
    assert max(map(len, text.splitlines())) <= 80
    (short,) = plate_series(history(3), PLATE, None, simulated=True)
    assert "limits are drawn from 9 runs on" in chart_text(short, WORDS)
