"""Fingers on a tablet: whatever key is shown is tapped, and does what the key does."""

from unittest.mock import patch

from acquire.ui.app import Dashboard
from acquire.ui.screens.asking import AskScreen, PickScreen
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.screens.pages import HelpScreen
from acquire.ui.widgets.lines import KeyLine
from tests.ui.fake import ended_view, frame, pull_view, request
from tests.ui.helpers import Stand, stand

HOLD = frame(pull=pull_view(3))
LEAST_ROWS = 3


async def tap(its: Stand, words: str, higher: int = 0) -> None:
    """Tap in the middle of what says ``words``, or so many rows above it; the last such row counts."""
    y = max(i for i, row in enumerate(its.rows()) if words in row)
    x = its.rows()[y].index(words) + len(words) // 2
    assert await its.pilot.click(offset=(x, y - higher))
    await its.pilot.pause()


async def test_what_the_key_line_shows_is_tapped_like_its_key() -> None:
    async with stand((100, 30), HOLD) as its:
        for words, kind in (("s skip", "skip"), ("b back", "back"), ("p pause", "pause"), ("Enter take", "take")):
            its.bench.acts.clear()
            await tap(its, words)
            await its.until(lambda: bool(its.bench.acts), words)
            assert [act.kind for act in its.bench.acts] == [kind]
        # a step of the table is chosen, and taken again by the next tap
        await tap(its, "121.7 ±0.5")
        assert "↻  2" in its.text()
        its.bench.acts.clear()
        await tap(its, "r again")
        await its.until(lambda: [(act.kind, act.step) for act in its.bench.acts] == [("retake", 1)], "again")
        await tap(its, "? help")
        await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help")
        await tap(its, "Esc close")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        # what cannot be undone still asks, and the answer is tapped
        its.bench.acts.clear()
        await tap(its, "x abort")
        await its.until(lambda: isinstance(its.app.screen, AskScreen), "the question")
        await tap(its, "Enter carry on with it")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        assert its.bench.acts == []
        await tap(its, "x abort")
        await its.until(lambda: isinstance(its.app.screen, AskScreen), "the question")
        await tap(its, "y abort the pull")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["abort"], "abort")


async def test_lists_forms_and_the_lines_between_pulls_are_tapped() -> None:
    async with stand((80, 24), last=request(), first=frame()) as its:
        await tap(its, "Set up a new pull")
        await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
        await tap(its, "? help")
        await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help, not a ? in the field")
        await its.press("escape")
        form = its.app.screen
        assert isinstance(form, FormScreen)
        await tap(its, "Direction of flow         ◂ intake")
        await tap(its, "intake ▸")
        assert form.values["direction"] == "exhaust"
        await its.press("escape")
        ended = frame(1.0, pull=ended_view(), situation="ended", sentence="Pull complete.")
        await its.show(ended)
        await tap(its, "this head, exhaust")
        await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
        await its.sees("BEGIN THE PULL")
        await tap(its, "BEGIN THE PULL")
        await its.until(lambda: [asked.direction for asked in its.bench.begun] == ["exhaust"], "the pull")
        picked: list[int | None] = []
        its.app.push_screen(PickScreen("Which?", [f"line {i}" for i in range(40)]), picked.append)
        await its.sees("line 3", "more below")
        await tap(its, "more below")
        await its.sees("more above")
        await tap(its, "line 11")
        await its.until(lambda: picked == [11], "the line")


async def test_in_a_browser_keys_are_high_enough_for_a_finger_and_nothing_else_is_lost() -> None:
    with patch.object(Dashboard, "is_web", True):
        async with stand((100, 30), HOLD) as its:
            assert its.app.screen.query_one("#keys", KeyLine).size.height == LEAST_ROWS
            for higher in range(-1, LEAST_ROWS - 1):
                its.bench.acts.clear()
                await tap(its, "s skip", higher)
                await its.until(lambda: [act.kind for act in its.bench.acts] == ["skip"], "skip")
            assert "▶  4" in its.text()
            await tap(its, "? help", 1)
            await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help")
            await tap(its, "Esc close", 1)
            await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
            await its.pilot.resize_terminal(80, 24)
            await its.until(lambda: its.app.screen.size.width == 80, "the size")
            its.app.tick()
            assert "▶  4" in its.text()
            assert its.app.screen.query_one("#keys", KeyLine).size.height == 2
