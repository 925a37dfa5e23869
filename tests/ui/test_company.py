"""The earlier pull beneath the curve, the point that is out of line, and who is in command."""

from dataclasses import replace

import pytest

from acquire.beside.shadow import Doubt, PullBeside, Shadow, ShadowChoice, ShadowPoint
from acquire.client import Screen
from acquire.records import Frame, LiveEvent
from acquire.ui.company import Company
from acquire.ui.saying import OFFER
from acquire.ui.screens.bench import BenchScreen
from acquire.units import CFM_M3_S
from tests.ui.fake import FLOWS_CFM, HEAD, IN, LIFTS_IN, ended_view, frame, point, pull_view
from tests.ui.helpers import stand

SIBLING = ShadowChoice(
    pull_id=7, subject="H-1041", direction="intake", started_utc="2026-03-01T09:15:00Z", relation="same model"
)
OTHER_WAY = SIBLING.model_copy(update={"pull_id": 5, "direction": "exhaust", "relation": "same head, other direction"})


def shadow(of: ShadowChoice = SIBLING, share: float = 0.9) -> Shadow:
    points = tuple(
        ShadowPoint(lift_m=lift * IN, flow_m3_s=share * flow * CFM_M3_S, half_width_95_m3_s=1e-4)
        for lift, flow in zip(LIFTS_IN, FLOWS_CFM, strict=True)
    )
    return Shadow(of=of, points=points)


LOW = Doubt(step=1, off_rel=-0.05, deviations=-6.0, beside="the earlier pull")
BESIDE = PullBeside(pull_id=12, choices=(SIBLING, OTHER_WAY), shadow=shadow())
DOUBTED = BESIDE.model_copy(update={"doubt": LOW})
HOLD = frame(pull=pull_view(3))


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 50)])
async def test_an_earlier_pull_lies_beneath_the_curve_and_beside_each_point(size: tuple[int, int]) -> None:
    async with stand(size, HOLD, besides={None: BESIDE}) as its:
        await its.sees("beside pull 7", "+11.1 %")
        assert "pull 7: H-1041, intake" in its.text() or size[0] < 160
        assert "⠒ ⠒ pull 7" in its.text()
        assert its.bench.asked_beside == [(12, None)]


async def test_a_pull_with_its_leakage_treated_otherwise_says_so_beside_the_figures() -> None:
    unlike = BESIDE.model_copy(update={"shadow": shadow().model_copy(update={"leakage": "left in"})})
    async with stand((80, 24), HOLD, besides={None: unlike}) as its:
        await its.sees("pull 7, leakage in", "+11.1 %")


async def test_it_is_asked_for_again_only_when_a_point_was_taken() -> None:
    async with stand((120, 40), HOLD, besides={None: BESIDE}) as its:
        await its.show(*[frame(t / 10, pull=pull_view(3)) for t in range(1, 20)])
        assert len(its.bench.asked_beside) == 1
        await its.show(frame(3.0, pull=pull_view(4)))
        await its.until(lambda: len(its.bench.asked_beside) == 2)


async def test_another_shadow_is_chosen_with_two_keys_and_none_too() -> None:
    besides = {None: BESIDE, 5: BESIDE.model_copy(update={"shadow": shadow(OTHER_WAY, 0.7)})}
    async with stand((120, 40), HOLD, besides=besides) as its:
        await its.sees("pull 7: H-1041")
        await its.press("e")
        await its.sees("Which earlier pull", "1  H-1041", "exhaust  other direction, pull 5", "3  none")
        await its.press("2")
        await its.sees("pull 5: H-1041, exhaust", "+42.9 %")
        assert its.bench.asked_beside[-1] == (12, 5)
        await its.press("e")
        await its.press("3")
        await its.until(lambda: "pull 5: H-1041" not in its.text(), "no shadow")


async def test_without_an_earlier_pull_the_key_says_so() -> None:
    async with stand(first=HOLD) as its:
        await its.press("e")
        await its.sees("No earlier pull of this head or its model")


@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
async def test_a_point_out_of_line_is_said_marked_chosen_rung_and_taken_again_with_one_key(
    size: tuple[int, int],
) -> None:
    async with stand(size, frame(pull=pull_view(1)), besides={None: BESIDE}) as its:
        rung: list[bool] = []
        its.app.bell = lambda: rung.append(True)  # type: ignore[method-assign]
        its.bench.besides = {None: DOUBTED}
        await its.show(frame(1.0, pull=pull_view(2)))
        await its.sees("0.200 in is 5.0 % low beside pull 7: r takes it again", "↻  2")
        await its.until(lambda: rung == [True, True], "two bells")
        await its.press("r")
        await its.until(lambda: [(act.kind, act.step) for act in its.bench.acts] == [("retake", 1)])
        await its.until(lambda: "?  2" in its.text(), "the point still marked, no longer chosen")


async def test_a_doubt_is_chosen_once_and_not_again_with_every_point() -> None:
    async with stand((100, 40), HOLD, besides={None: DOUBTED}) as its:
        await its.sees("↻  2")
        await its.press("down", "down")
        await its.until(lambda: "↻" not in its.text(), "the choice to be left")
        await its.show(frame(1.0, pull=pull_view(4)))
        await its.until(lambda: len(its.bench.asked_beside) == 2)
        await its.sees("?  2")
        assert "↻" not in its.text()


async def test_what_is_taken_again_is_what_the_line_beneath_the_sentence_says() -> None:
    async with stand((100, 40), HOLD, besides={None: DOUBTED}) as its:
        await its.sees("↻  2", OFFER)
        # another step is chosen: its doubt is said, but the key is not offered for it
        await its.press("up")
        await its.sees("↻  1", "0.200 in is 5.0 % low")
        await its.until(lambda: OFFER not in its.text(), "no offer")
        await its.press("r")
        await its.until(lambda: [act.step for act in its.bench.acts] == [0], "the chosen one")
        # nothing is chosen: the doubted one, not the last
        await its.sees(OFFER)
        assert "↻" not in its.text()
        await its.press("r")
        await its.until(lambda: [act.step for act in its.bench.acts] == [0, 1], "the doubted one")


async def test_after_the_pull_a_doubt_is_said_without_an_offer() -> None:
    async with stand((100, 30), frame(pull=ended_view(), situation="ended"), besides={None: DOUBTED}) as its:
        await its.sees("0.200 in is 5.0 % low")
        assert OFFER not in its.text()
        assert its.app.bench_screen.chosen is None


async def test_a_confirmed_point_is_out_of_line_no_more() -> None:
    async with stand(first=HOLD, besides={None: DOUBTED}) as its:
        await its.sees("0.200 in is 5.0 % low")
        its.bench.besides = {None: BESIDE}
        step = replace(pull_view(3).steps[1], points=(point(1, 121.7), point(1, 121.6, take=2)))
        steps = (pull_view(3).steps[0], step, *pull_view(3).steps[2:])
        await its.show(frame(2.0, pull=pull_view(3, steps=steps)))
        await its.until(lambda: "0.200 in is 5.0 % low" not in its.text(), "the doubt to be gone")


async def test_a_daemon_that_cannot_say_costs_only_the_shadow() -> None:
    async with stand(first=HOLD) as its:

        def broken(pull_id: int, other_id: int | None = None) -> PullBeside:
            raise RuntimeError("the archive is locked")

        its.bench.beside = broken  # type: ignore[method-assign]
        await its.show(frame(1.0, pull=pull_view(4)))
        await its.sees("No earlier pull to look at: the archive is locked")
        await its.press("s")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["skip"])


def test_an_answer_about_another_pull_is_not_taken() -> None:
    company = Company()
    assert company.due(HOLD) == (12, None)
    assert company.due(HOLD) is None
    assert company.hear(PullBeside(pull_id=11, doubt=LOW)) is None
    assert company.beside is None
    assert company.hear(DOUBTED) == LOW
    assert company.hear(DOUBTED) is None


# ---------------------------------------------------------------- one in command

MINE = Screen(id="mine-12345", name="bench screen")


def commanded(by: str, name: str, its: Frame = HOLD) -> Frame:
    return its.model_copy(update={"commander_id": by, "commander": name})


@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
async def test_a_screen_that_watches_says_who_is_in_command_and_sends_nothing(size: tuple[int, int]) -> None:
    async with stand(size, commanded("other-12345", "office"), screen=MINE) as its:
        assert "Watching: office is in command" in its.rows()[-1]
        assert "c take over" in its.rows()[-1]
        assert "Enter take" not in its.rows()[-1]
        for key in ("enter", "s", "b", "p", "r", "x", "m"):
            await its.press(key)
            await its.sees("Watching: office is in command: press c to take over")
            assert isinstance(its.app.screen, BenchScreen)
        assert its.bench.acts == []


async def test_one_key_takes_command_and_everybody_hears_of_it() -> None:
    async with stand(first=commanded("other-12345", "office"), screen=MINE) as its:
        await its.press("c")
        await its.until(lambda: its.bench.took_command == 1)
        told = LiveEvent(number=1, kind="command", t_us=0, sentence="The screen 'bench screen' is in command now.")
        await its.show(told, commanded(MINE.id, MINE.name, frame(1.0, pull=pull_view(3))))
        await its.sees("'bench screen' is in command now")
        assert "Watching" not in its.text()
        await its.press("enter")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["take"])


async def test_where_nobody_is_in_command_the_key_puts_this_screen_in_command_and_then_says_so() -> None:
    async with stand(first=HOLD, screen=MINE) as its:
        its.app.bench_screen.do_take_command()
        await its.until(lambda: its.bench.took_command == 1)
        await its.show(commanded(MINE.id, MINE.name, frame(1.0, pull=pull_view(3))))
        its.app.bench_screen.do_take_command()
        await its.sees("This screen is in command")
        assert its.bench.took_command == 1


async def test_where_nobody_or_this_screen_is_in_command_nothing_is_said_and_keys_act() -> None:
    for first in (HOLD, commanded(MINE.id, MINE.name)):
        async with stand(first=first, screen=MINE) as its:
            assert "Watching" not in its.text()
            await its.press("s")
            await its.until(lambda: [act.kind for act in its.bench.acts] == ["skip"])
    # a dashboard that is no screen of several, as in the demo
    async with stand(first=commanded("other-12345", "office")) as its:
        assert "Watching" not in its.text()


async def test_a_watcher_still_looks_around() -> None:
    async with stand(first=commanded("other-12345", "office"), screen=MINE) as its:
        await its.press("i")
        await its.sees("Instruments and readings")
        await its.press("escape")
        await its.press("question_mark")
        await its.sees("Keys and signs")


async def test_a_watcher_between_pulls_is_told_how_to_begin_one() -> None:
    idle = commanded("other-12345", "office", frame())
    async with stand(first=idle, screen=MINE, last=None) as its:
        assert "No pull is running" in its.text()
        assert HEAD.identifier not in its.text()
        await its.press("u")
        await its.sees("press c to take over")
        assert its.bench.resumed == []
