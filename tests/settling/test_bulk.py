"""Many samples at once are the same as one by one, to the last bit, however they are cut."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.config import Settling
from acquire.stabiliser import FLOW, LIFT, PRESSURE, Stabiliser, advance
from acquire.stabiliser.judge import _ROOM
from acquire.values import Step
from tests.benchmarks.settling.scene import draw_pull
from tests.benchmarks.settling.score import play_stay
from tests.benchmarks.settling.stay import Cell, Stay
from tests.settling.bulk import Arrivals, arrivals, push_one, push_until
from tests.settling.signals import AREA_M2, LIFT_M, TARGET_PA

WANTED = Settling(wanted=0.006)


def draw(rate_hz: float, steps: int) -> list[Stay]:
    cell = Cell(wanted=0.006, rate_hz=rate_hz, frozen_share=0.3)
    return list(draw_pull(np.random.default_rng(5), cell, steps=steps)[1])


def said(stabiliser: Stabiliser) -> str:
    return repr((stabiliser.standing(), stabiliser.capture(), stabiliser.capture_now()))


@dataclass(frozen=True)
class Singly:
    """Stays played one by one: what was said after each sample, and after which a reading was captured first."""

    stays: list[tuple[Stay, Arrivals]]
    said: list[list[str]]
    captured: list[list[int]]
    learned: str


@pytest.fixture(scope="module")
def singly() -> Singly:
    """To their ends, captures that are lost again and all."""
    stabiliser = Stabiliser(WANTED)
    stays = [(stay, arrivals(stay)) for stay in draw(20.0, 2)]
    found, captured = [], []
    for stay, its in stays:
        stabiliser.aim(stay.begin_us, stay.step)
        of_stay, of_captures, had = [], [], False
        for i in range(its.n):
            push_one(stabiliser, its, i)
            has = stabiliser.capture() is not None
            if has and not had:
                of_captures.append(i + 1)
            had = has
            of_stay.append(said(stabiliser))
        found.append(of_stay)
        captured.append(of_captures)
    assert any(captured)
    return Singly(stays, found, captured, repr(stabiliser.learned))


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 4000), max_size=12), mixed=st.booleans())
def test_samples_cut_anyhow_give_the_same_standings_and_captures_to_the_last_bit(
    singly: Singly, cuts: list[int], mixed: bool
) -> None:
    stabiliser = Stabiliser(WANTED)
    for (stay, its), expected, captured in zip(singly.stays, singly.said, singly.captured, strict=True):
        stabiliser.aim(stay.begin_us, stay.step)
        at = 0
        ends = []
        for end in [*sorted(cut for cut in cuts if cut < its.n), its.n]:
            while at < end:
                if mixed and at % 3 == 0:
                    push_one(stabiliser, its, at)
                    at += 1
                else:
                    at = push_until(stabiliser, its, at, end)
                assert said(stabiliser) == expected[at - 1]
                if at < end:
                    ends.append(at)
        # it stops wherever a reading is captured, and nowhere else
        if not mixed:
            assert ends == [i for i in captured if i < its.n and i not in cuts]
    assert repr(stabiliser.learned) == singly.learned


@pytest.mark.parametrize("rate_hz", [10.0, 250.0])
def test_samples_pushed_in_bulk_give_the_same_capture_to_the_last_bit(rate_hz: float) -> None:
    one, many = Stabiliser(WANTED), Stabiliser(WANTED)
    captured = 0
    for stay in draw(rate_hz, 4):
        single, at_us, _ = play_stay(one, stay)
        its = arrivals(stay)
        many.aim(stay.begin_us, stay.step)
        at = push_until(many, its, 0, its.n)
        assert repr(many.capture()) == repr(single)
        if single is None:
            assert at == its.n
        else:
            # one by one it is only asked for after each flow: the lift before it may have been the one
            flow = at - 1 + int(np.argmax(its.kind[at - 1 :] == FLOW))
            assert its.t_us[flow] == at_us
            push_until(many, its, at, flow + 1)
        assert repr(one.standing()) == repr(many.standing())
        captured += single is not None
    assert captured >= 2


def test_nothing_is_judged_before_the_time_up_to_which_samples_are_only_collected() -> None:
    stabiliser = Stabiliser(Settling())
    stabiliser.aim(0, Step(LIFT_M, TARGET_PA))
    until_us, before = stabiliser.collects_until_us, said(stabiliser)
    assert until_us == 100_000
    stabiliser.push_pressure(until_us - 1, TARGET_PA)
    assert (stabiliser.collects_until_us, said(stabiliser)) == (until_us, before)
    stabiliser.push_pressure(until_us, TARGET_PA)
    assert stabiliser.collects_until_us == 200_000


def test_whole_numbers_are_as_good_as_any() -> None:
    stabiliser, same = Stabiliser(Settling()), Stabiliser(Settling())
    compiled = list(getattr(advance.run, "signatures", ()))
    for judge, number in ((stabiliser, int), (same, float)):
        judge.aim(0, Step(None, TARGET_PA))
        for i in range(30):
            judge.push_pressure(i * 20_000, number(TARGET_PA))
        judge.push_flow(600_000, number(1), number(2))
    assert said(stabiliser) == said(same)
    # another kind of numbers would be another loop to compile, in the middle of a pull
    assert list(getattr(advance.run, "signatures", ())) == compiled


def crowd(n: int, kinds: tuple[int, ...]) -> Arrivals:
    """A second of few samples, then ``n`` in one block, then few again."""
    rng = np.random.default_rng(3)
    t_us = np.concatenate((np.arange(0, 10**6, 50_000), np.linspace(1_000_001, 1_099_999, n).astype(np.int64)))
    t_us = np.repeat(np.concatenate((t_us, np.arange(1_100_000, 6 * 10**6, 20_000))), len(kinds))
    kind = np.tile(np.array(kinds, np.int8), t_us.size // len(kinds))
    noise = 1 + 0.0005 * rng.standard_normal(t_us.size)
    first = np.array((LIFT_M, TARGET_PA, AREA_M2))[kind] * np.where(kind == LIFT, 1.0, noise)
    return Arrivals(kind, t_us, first, np.where(kind == FLOW, 100 * first, 0.0))


@pytest.mark.parametrize("times", [1, 5])
def test_more_samples_in_a_block_than_there_was_room_for_are_all_used(times: int) -> None:
    one, many = Stabiliser(Settling()), Stabiliser(Settling())
    its = crowd(times * _ROOM + 7, (LIFT, PRESSURE, FLOW))
    for judge in (one, many):
        judge.aim(0, Step(LIFT_M, TARGET_PA))
    assert one.capture() is None
    at = 0
    while one.capture() is None:
        push_one(one, its, at)
        at += 1
    assert push_until(many, its, 0, its.n) == at
    assert said(many) == said(one)
    assert many._kept.t_us.size > times * _ROOM
    capture = many.capture()
    assert capture is not None
    # every sample since the valve has been still, but those of the block that is not full yet
    assert capture.n == np.count_nonzero((its.kind == FLOW) & (its.t_us <= capture.t_end_us))
    blocks = many._kept.blocks[: many._judge["blocks"]]
    assert blocks["n"].max() == np.count_nonzero((its.kind == FLOW) & (its.t_us > 10**6) & (its.t_us < 1_100_000))


def test_pressures_alone_make_room_for_themselves() -> None:
    stabiliser = Stabiliser(Settling())
    stabiliser.aim(0, Step(None, TARGET_PA))
    its = crowd(3 * _ROOM, (PRESSURE,))
    assert push_until(stabiliser, its, 0, its.n) == its.n
    assert stabiliser._kept.pressures.size >= 3 * _ROOM
    assert stabiliser.standing().missing == ("signal",)


def test_of_a_stay_longer_than_there_is_room_for_the_oldest_blocks_are_forgotten() -> None:
    stabiliser = Stabiliser(Settling(longest_wait_s=600))
    room = 40
    stabiliser._kept = stabiliser._kept._replace(blocks=stabiliser._kept.blocks[:room].copy())
    stabiliser.aim(0, Step(None, TARGET_PA))
    # so unsteady that nothing is taken
    rng = np.random.default_rng(2)
    t_us = np.repeat(np.arange(0, 20 * 10**6, 50_000), 2)
    kind = np.tile(np.array((PRESSURE, FLOW), np.int8), t_us.size // 2)
    first = np.where(kind == FLOW, AREA_M2 * (1 + 0.05 * rng.standard_normal(t_us.size)), TARGET_PA)
    its = Arrivals(kind, t_us, first, np.where(kind == FLOW, 100 * first, 0.0))
    for end in range(100, its.n + 1, 100):
        assert push_until(stabiliser, its, end - 100, end) == end
        blocks = stabiliser._blocks
        assert blocks.size <= room
        # none is missing between: the oldest went
        assert set(np.diff(blocks["t_start_us"]).tolist()) <= {50_000, 100_000, 150_000}
        # the newest block is the last one that is full
        assert blocks["t_end_us"][-1] >= its.t_us[end - 1] - 200_000
    assert stabiliser._blocks.size > room // 2
    # the fit has them all
    assert stabiliser._kept.sums.its["n"] > 150


def test_a_stay_that_ends_with_the_very_last_sample_of_a_push_has_taught_all_the_same() -> None:
    stabiliser = Stabiliser(Settling(wanted=1e-6))
    stabiliser.aim(0, Step(LIFT_M, TARGET_PA))
    its = crowd(5, (LIFT, PRESSURE, FLOW))
    # the valve moves away with two samples, the second of which ends a block
    moves = np.searchsorted(its.t_us, 5_000_000)
    first = its.first.copy()
    first[moves:][its.kind[moves:] == LIFT] = 0.5 * LIFT_M
    its = its._replace(first=first)
    before = stabiliser._fit.learned.copy()
    end, taught = 0, ""
    ends: list[bool] = []
    while not taught:
        end += 1
        assert push_until(stabiliser, its, end - 1, end) == end
        ends.append(bool(stabiliser._kept.judge["in_tick"]))
        if (stabiliser._fit.learned != before).any():
            taught = repr(stabiliser.learned)
    assert its.t_us[end - 1] > 5_000_000
    assert not any(ends)
    whole = Stabiliser(Settling(wanted=1e-6))
    whole.aim(0, Step(LIFT_M, TARGET_PA))
    assert push_until(whole, its, 0, end) == end
    assert repr(whole.learned) == taught
    assert said(whole) == said(stabiliser)
    assert whole._kept.sums.its["n"] == 0
