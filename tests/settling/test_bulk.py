"""Many samples at once are the same as one by one, to the last bit."""

from bisect import bisect_left

import numpy as np
import pytest

from acquire.config import Settling
from acquire.stabiliser import Stabiliser
from acquire.values import Capture
from tests.benchmarks.settling.scene import draw_pull
from tests.benchmarks.settling.score import play_stay
from tests.benchmarks.settling.stay import Cell, Stay


def play_in_bulk(stabiliser: Stabiliser, stay: Stay) -> tuple[Capture | None, int]:
    """Like ``play_stay``, but whole blocks at a time."""
    stabiliser.aim(stay.begin_us, stay.step)
    lift_t, lift = stay.lift_us.tolist(), stay.lift_m.tolist()
    t, pressure = stay.flow_us.tolist(), stay.pressure_pa.tolist()
    area, mass = stay.area_m2.tolist(), stay.mass_kg_s.tolist()
    i = at = 0
    while i < len(t):
        end = bisect_left(t, stabiliser.collects_until_us, i)
        reach = t[min(end, len(t) - 1)] + 1
        lift_end = bisect_left(lift_t, min(stabiliser.collects_until_us, reach), at)
        stabiliser.push_many(
            lift_t_us=lift_t[at:lift_end],
            lift_m=lift[at:lift_end],
            pressure_t_us=t[i:end],
            pressure_pa=pressure[i:end],
            flow_t_us=t[i:end],
            area_m2=area[i:end],
            mass_flow_kg_s=mass[i:end],
        )
        i, at = end, lift_end
        if i == len(t):
            break
        while at < len(lift_t) and lift_t[at] <= t[i]:
            stabiliser.push_lift(lift_t[at], lift[at])
            at += 1
        stabiliser.push_pressure(t[i], pressure[i])
        stabiliser.push_flow(t[i], area[i], mass[i])
        capture = stabiliser.capture()
        if capture is not None:
            return capture, t[i]
        i += 1
    return None, 0


@pytest.mark.parametrize("rate_hz", [10.0, 250.0])
def test_samples_pushed_in_bulk_give_the_same_capture_to_the_last_bit(rate_hz: float) -> None:
    one, many = Stabiliser(Settling(wanted=0.006)), Stabiliser(Settling(wanted=0.006))
    _, stays = draw_pull(np.random.default_rng(5), Cell(wanted=0.006, rate_hz=rate_hz, frozen_share=0.3), steps=4)
    captured = 0
    for stay in stays:
        singly, at_us, _ = play_stay(one, stay)
        bulk, bulk_us = play_in_bulk(many, stay)
        assert repr(bulk) == repr(singly)
        assert bulk_us == at_us
        assert repr(one.standing()) == repr(many.standing())
        captured += singly is not None
    assert captured >= 2


def test_a_sample_that_would_have_to_be_judged_is_refused() -> None:
    stabiliser = Stabiliser(Settling())
    with pytest.raises(ValueError, match="to be judged by itself"):
        stabiliser.push_many(pressure_t_us=[stabiliser.collects_until_us], pressure_pa=[7000.0])
