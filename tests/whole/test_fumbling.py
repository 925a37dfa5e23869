"""An operator who fumbles: what is taken as settled is right all the same."""

import random
from dataclasses import replace
from functools import lru_cache

import pytest

from acquire.demo.plan import demo_requests
from acquire.units import INCH_M
from sim.scenario import FUMBLING
from tests.whole.fumbling import Told, fumbling_bench, pull

pytestmark = pytest.mark.xdist_group("fumbling")

LIFTS = tuple(lift * INCH_M for lift in (0.1, 0.2, 0.35, 0.5))
SEEDS = (3, 8)
# at a wrong lift for so long that a reading could be taken there
WORSE = replace(FUMBLING, habits=replace(FUMBLING.habits, wrong_lift_share=0.6, wrong_lift_s=(9.0, 14.0)))


@lru_cache
def told() -> Told:
    found = Told()
    for seed in SEEDS:
        bench = fumbling_bench(seed, WORSE)
        request = demo_requests(bench.config)[1].model_copy(update={"lifts_m": LIFTS})
        found.add(pull(bench, request, None, random.Random(seed)))
    return found


def test_he_did_fumble() -> None:
    # the guard below would be worth nothing beside steady hands
    assert told().early + told().refused + told().skipped >= 2


def test_every_step_is_taken_in_the_end_and_none_in_a_move_a_pause_or_at_a_wrong_lift() -> None:
    assert {its.step for its in told().accepted} == set(range(len(LIFTS)))
    assert len(told().accepted) >= len(SEEDS) * len(LIFTS)
    assert [its.wrong for its in told().accepted if its.wrong] == []


def test_what_was_accepted_lies_within_its_interval_or_next_to_it() -> None:
    ratios = [abs(its.ratio) for its in told().accepted]
    assert sum(ratio <= 1 for ratio in ratios) >= 0.8 * len(ratios)
    assert max(ratios) < 2
