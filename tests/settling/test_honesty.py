"""Causal, deterministic, and as good as it says, on invented stays of all kinds."""

from dataclasses import replace

import numpy as np
import pytest

from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.stabiliser import Stabiliser
from tests.benchmarks.settling.detectors import ours
from tests.benchmarks.settling.scene import draw_pull
from tests.benchmarks.settling.score import Tally, play_stay, score
from tests.benchmarks.settling.stay import Cell, Stay

# one worker, so that the stays are drawn and judged once
pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("honesty")]


@pytest.fixture(scope="module")
def stays() -> list[Stay]:
    _, scene = draw_pull(np.random.default_rng(11), Cell(rate_hz=20.0), steps=3)
    return list(scene)


def cut(stay: Stay, end_us: int) -> Stay:
    flow, lift = stay.flow_us <= end_us, stay.lift_us <= end_us
    return replace(
        stay,
        flow_us=stay.flow_us[flow],
        pressure_pa=stay.pressure_pa[flow],
        area_m2=stay.area_m2[flow],
        mass_kg_s=stay.mass_kg_s[flow],
        lift_us=stay.lift_us[lift],
        lift_m=stay.lift_m[lift],
    )


def test_what_comes_after_a_capture_cannot_change_it(stays: list[Stay]) -> None:
    for stay in stays:
        whole, at_us, _ = play_stay(Stabiliser(Settling()), stay)
        short, again_us, _ = play_stay(Stabiliser(Settling()), cut(stay, at_us))
        assert whole is not None
        assert short == whole
        assert again_us == at_us
        earlier, _, _ = play_stay(Stabiliser(Settling()), cut(stay, at_us - 1))
        assert earlier is None


def test_the_same_samples_give_the_same_capture_bit_for_bit(stays: list[Stay]) -> None:
    first, second = Stabiliser(Settling()), Stabiliser(Settling())
    for stay in stays:
        a, b = play_stay(first, stay), play_stay(second, stay)
        assert repr(a) == repr(b)


def test_what_a_bench_has_shown_can_be_handed_to_the_next_stabiliser(stays: list[Stay]) -> None:
    taught = Stabiliser(Settling())
    for stay in stays:
        play_stay(taught, stay)
    kept = BenchResponse.model_validate_json(taught.learned.model_dump_json())
    assert kept == taught.learned
    heir = Stabiliser(Settling(), learned=kept)
    # handed on again, nothing is lost but rounding
    for again, before in zip(heir.learned.modes, kept.modes, strict=True):
        assert again.share == pytest.approx(before.share, abs=5e-3)
        assert (again.time_constant_s, again.damping) == (before.time_constant_s, before.damping)
    assert heir.learned.noise == kept.noise
    # something was learnt: the response is no longer spread over the whole grid
    assert max(mode.share for mode in kept.modes) > 0.05


@pytest.fixture(scope="module")
def tally() -> Tally:
    return score(ours, Cell(rate_hz=20.0), 108, seed=23)


def test_the_stated_interval_holds_the_true_value_as_often_as_it_says(tally: Tally) -> None:
    # 95 % of some 95 captures, three standard errors of a count wide
    assert 88 <= tally.figures()["cover"] <= 100


def test_hardly_anything_false_is_taken_and_nothing_in_a_pause(tally: Tally) -> None:
    figures = tally.figures()
    assert figures["false"] <= 1.9
    assert figures["plateau"] == 0


def test_it_is_about_as_fast_as_the_goal_and_misses_little(tally: Tally) -> None:
    figures = tally.figures()
    assert figures["median"] <= 5
    assert figures["90 %"] <= 10
    assert figures["miss"] <= 4
