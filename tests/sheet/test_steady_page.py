"""The evidence page: every point's trace, figures and verdict on one page."""

import csv
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.hold import judge_hold
from acquire.records import ArchivedPull
from acquire.sheet import SheetError
from acquire.sheet.data import units_of_sheet
from acquire.sheet.steady_page import make_steady_page, steady_data, traces_csv
from acquire.sheet.trace import extremes_kept
from acquire.steadiness.one_pull import PointHold, PullHold
from tests.sheet import example

BAND_PA = 0.02 * example.TARGET_PA


def held_of(pull: ArchivedPull, drifting: tuple[int, ...] = (), samples: int = 300) -> PullHold:
    """A steady trace for each point; the drifting ones leave their band."""
    noise = np.random.default_rng(7)
    found = []
    for point in pull.in_force.values():
        t_s = np.arange(samples) / 100.0
        pressure_pa = example.TARGET_PA + noise.normal(0.0, 10.0, samples)
        if point.step in drifting:
            pressure_pa = pressure_pa + np.linspace(0.0, 2.2 * BAND_PA, samples)
        hold = judge_hold(t_s * 1e6, pressure_pa, example.TARGET_PA, BAND_PA)
        found.append(PointHold(point, t_s, pressure_pa, hold))
    loose = [one for one in found if not one.hold.held]
    reason = f"step {loose[0].point.step + 1}: {loose[0].hold.reason}" if loose else "all points inside their band"
    return PullHold(tuple(found), not loose, reason)


def test_every_point_has_its_figures_and_its_verdict() -> None:
    pull = example.pull()
    held = held_of(pull, drifting=(3,))
    data = steady_data(pull, held, units_of_sheet([pull]))
    assert [row["lift"] for row in data["rows"]] == [
        "0.100", "0.200", "0.300", "0.400", "0.500", "0.600", "0.700", "0.800",
    ]  # fmt: skip
    assert [row["verdict"] for row in data["rows"]] == ["held"] * 3 + ["did not hold"] + ["held"] * 4
    bad = data["rows"][3]
    assert bad["slope"].startswith("+")
    assert float(bad["farthest"]) > 1.0
    assert "inH₂O" in bad["reason"]
    assert " Pa" not in bad["reason"].replace("\N{NO-BREAK SPACE}", " ")
    assert data["verdict"].startswith("No, it did not hold: step 4")
    assert data["band"].replace("\N{NO-BREAK SPACE}", " ") == "±0.56 inH₂O"


def test_a_pull_that_held_says_yes() -> None:
    pull = example.pull()
    data = steady_data(pull, held_of(pull), units_of_sheet([pull]))
    assert data["verdict"] == "Yes, it held: all points inside their band."


@pytest.mark.parametrize("count", [1, 8, 24])
def test_one_page_holds_the_traces_and_is_the_same_twice(count: int) -> None:
    pull = example.pull("exhaust", [0.03 * (n + 1) for n in range(count)])
    first, second = (make_steady_page(pull, held_of(pull, drifting=(0,)), "us-letter") for _ in range(2))
    assert first.pdf == second.pdf
    assert first.png(40).startswith(b"\x89PNG")


def test_a_run_without_a_valve_is_judged_by_step() -> None:
    pull = example.pull()
    held = held_of(pull)
    request = pull.request.model_copy(update={"kind": "leakage", "lifts_m": (), "test_pressures_pa": (7000.0,)})
    object.__setattr__(pull, "request", request)
    for one in held.points:
        object.__setattr__(one.point, "step_lift_m", None)
    data = steady_data(pull, held, units_of_sheet([pull]))
    assert data["rows"][0]["lift"] == "step 1"
    assert data["lift_unit"] == ""
    assert make_steady_page(pull, held).pdf.startswith(b"%PDF-")


def test_a_pull_without_points_is_refused_in_words() -> None:
    pull = example.pull()
    with pytest.raises(SheetError, match="nothing to judge"):
        make_steady_page(pull, PullHold((), False, "no point was taken"))


def test_the_attached_traces_equal_the_samples() -> None:
    pull = example.pull(lifts_in=(0.1, 0.2))
    held = held_of(pull, samples=50)
    rows = list(csv.DictReader(io.StringIO(traces_csv(held).decode("utf-8"))))
    assert [float(row["test_pressure_pa"]) for row in rows] == [
        value for one in held.points for value in one.pressure_pa.tolist()
    ]


@given(st.integers(1, 5000), st.integers(0, 2**32 - 1))
def test_thinning_a_trace_keeps_its_extremes_and_its_order(count: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=count)
    t_s = np.arange(count, dtype=np.float64)
    times, kept = extremes_kept(t_s, values, columns=50)
    assert kept.size <= max(count if count <= 100 else 0, 100)
    assert kept.max() == values.max()
    assert kept.min() == values.min()
    assert np.all(np.diff(times) > 0)
    assert np.array_equal(values[times.astype(int)], kept)
