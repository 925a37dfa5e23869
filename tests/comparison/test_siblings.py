"""One head among its siblings: prediction intervals and their error rate."""

import math
from dataclasses import replace

import numpy as np
import pytest

from acquire.comparison.siblings import among_siblings
from acquire.store.curves import Curve, CurvePoint
from acquire.units import INCH_M
from tests.sheet.example import bench, setup, subject

LIFTS = (0.1, 0.2, 0.3, 0.4)
CONFIG = bench()


def curve(number: int, head: str, flows: "tuple[float, ...] | np.ndarray[tuple[int], np.dtype[np.float64]]") -> Curve:
    points = tuple(
        CurvePoint(lift * INCH_M, float(flow) / 107.6, float(flow), 0.001, "large", True)
        for lift, flow in zip(LIFTS, flows, strict=True)
    )
    return Curve(
        pull_id=number,
        uid=f"u{number}",
        started_utc="2026-01-01T00:00:00+00:00",
        direction="intake",
        subject=subject(identifier=head),
        setup=setup("intake"),
        config=CONFIG,
        marks=0,
        simulated=False,
        points=points,
    )


def test_the_prediction_interval_of_a_published_example() -> None:
    # Hahn & Meeker, Statistical Intervals, example of five readings (from memory): mean 50.10, sd 1.31,
    # one further reading within 50.10 +- 2.776 x 1.31 x sqrt(1.2) = 46.1 to 54.1
    base = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    values = 50.10 + 1.31 * base / base.std(ddof=1)
    others = [curve(i, f"H{i}", (v, v, v, v)) for i, v in enumerate(values)]
    found = among_siblings("mine", [*others, curve(9, "mine", (50.0,) * 4)])
    assert found.at[0].low_m3_s == pytest.approx(46.1, abs=0.05)
    assert found.at[0].high_m3_s == pytest.approx(54.1, abs=0.05)


def test_sound_heads_are_flagged_at_some_lift_in_at_most_one_of_twenty() -> None:
    random = np.random.default_rng(3)
    flagged = 0
    for _ in range(400):
        heads = random.normal(0.1, 0.002, (7, 4))
        others = [curve(i, f"H{i}", its) for i, its in enumerate(heads[1:])]
        found = among_siblings("mine", [*others, curve(9, "mine", heads[0])])
        flagged += any(at.falls_out for at in found.at)
    assert 0.01 <= flagged / 400 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)


def test_a_head_that_is_short_of_flow_at_one_lift_is_flagged_there() -> None:
    random = np.random.default_rng(4)
    others = [curve(i, f"H{i}", random.normal(0.1, 0.0005, 4)) for i in range(12)]
    found = among_siblings("mine", [*others, curve(99, "mine", (0.1, 0.09, 0.1, 0.1))])
    assert [at.falls_out for at in found.at] == ["", "low", "", ""]


def test_a_head_counts_once_however_often_it_was_flowed() -> None:
    others = [curve(i, f"H{i % 6}", (0.1 + 0.001 * (i % 6),) * 4) for i in range(24)]
    assert among_siblings("mine", [*others, curve(99, "mine", (0.1,) * 4)]).at[0].heads == 6


def test_pulls_that_were_flowed_otherwise_are_left_out_and_said() -> None:
    others = [curve(i, f"H{i}", (0.1 + 0.001 * i,) * 4) for i in range(6)]
    other = replace(others[0], pull_id=50, setup=setup("intake", bore_fixture_diameter="4.125 in"))
    marked = replace(others[1], pull_id=51, marks=1)
    loose = replace(others[2], pull_id=52, points=(replace(others[2].points[0], held=False),))
    found = among_siblings("mine", [*others, other, marked, loose, curve(99, "mine", (0.1,) * 4)])
    said = dict(found.left_out)
    assert "bore fixture diameter" in said[50]
    assert "mark" in said[51]
    assert "hold" in said[52]


def test_too_few_siblings_and_an_unknown_head_are_said() -> None:
    others = [curve(i, f"H{i}", (0.1,) * 4) for i in range(4)]
    with pytest.raises(ValueError, match="at least 5 are needed"):
        among_siblings("mine", [*others, curve(9, "mine", (0.1,) * 4)])
    with pytest.raises(ValueError, match="no complete lift pull of 'nobody'"):
        among_siblings("nobody", others)
