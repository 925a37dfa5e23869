from typing import Any

import pytest
from textual import events

from acquire.ui.keys import KEYS, Place, action_for, keys_at
from acquire.ui.screens.asking import AskScreen, NameScreen, PickScreen
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.screens.mounts import MountsScreen
from acquire.ui.screens.pages import HelpScreen, PageScreen
from acquire.ui.screens.place import PlaceScreen
from tests.ui.fake import frame, pull_view, request, row
from tests.ui.helpers import stand

SCREENS: dict[Place, type[PlaceScreen[Any]]] = {
    "bench": BenchScreen,
    "form": FormScreen,
    "list": PickScreen,
    "mounts": MountsScreen,
    "question": AskScreen,
    "name": NameScreen,
    "page": PageScreen,
}
HANDLED_BY_FIELDS = {"change"}


def whole_help(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("place", list(SCREENS))
async def test_help_covers_every_action_of_every_place(place: Place) -> None:
    async with stand((80, 24)) as its:
        its.app.push_screen(HelpScreen(place))
        await its.sees("Keys and signs")
        page = its.app.screen
        assert isinstance(page, HelpScreen)
        said = whole_help(page.body().plain)
        for key in KEYS:
            assert whole_help(key.help) in said
            assert key.shown in said
        assert "○ ring in the curve: an earlier take" in said
        assert "hearing and eye protection" in said


@pytest.mark.parametrize("place", list(SCREENS))
def test_every_action_of_the_table_is_done_by_its_screen(place: Place) -> None:
    for key in keys_at(place):
        if key.action not in HANDLED_BY_FIELDS:
            assert callable(getattr(SCREENS[place], f"do_{key.action}", None)), f"{place}: {key.action}"


@pytest.mark.parametrize("place", list(SCREENS))
def test_every_action_of_a_screen_is_in_the_table(place: Place) -> None:
    known = {key.action for key in keys_at(place)}
    done = {name.removeprefix("do_") for name in dir(SCREENS[place]) if name.startswith("do_")}
    assert done - known <= {"close"}


def test_no_key_means_two_things_at_one_moment() -> None:
    for place in SCREENS:
        for moment in ("idle", "pull", "verdict", "replay"):
            pressed = [name for key in keys_at(place, moment) for name in key.keys]
            assert len(pressed) == len(set(pressed)), (place, moment)


def test_a_foot_switch_and_a_keypad_reach_what_a_pull_needs() -> None:
    keypad = {"enter": "take", "plus": "skip", "minus": "back", "asterisk": "retake", "slash": "pause"}
    assert {key: action_for(key, "bench", "pull") for key in keypad} == keypad
    assert all(action_for(key, "bench", "pull") == "take" for key in ("enter", "space", "pagedown"))


async def test_a_question_mark_opens_help_on_every_screen() -> None:
    async with stand(first=frame(pull=pull_view(2)), last=request()) as its:
        await its.press("question_mark")
        await its.sees("Keys and signs", "At the bench, during a pull")
        await its.press("escape")
        for key, seen in (("x", "Abort this pull?"), ("m", "Which meter range"), ("i", "Instruments and readings")):
            await its.press(key)
            await its.sees(seen)
            await its.press("question_mark")
            await its.sees("Keys and signs")
            await its.press("escape", "escape")
            await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        # and where a question mark is text, F1
        for screen, key in (
            (MountsScreen([row(1), row(2)], lambda _: None), "question_mark"),
            (NameScreen("A name"), "f1"),
        ):
            its.app.push_screen(screen)
            await its.until(lambda screen=screen: its.app.screen is screen, "the screen")  # type: ignore[misc]
            await its.press(key)
            await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help")
            its.app.tick()
            assert {"mounts": "Where mounts are told apart", "name": "At a name to type"}[screen.place] in its.rows()[2]
            await its.press("escape", "escape")
            await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")


async def test_help_opens_in_the_form_on_an_empty_field_and_by_f1_in_a_text() -> None:
    async with stand(last=request()) as its:
        await its.press("enter")
        await its.sees("Head identifier")
        await its.press("question_mark")
        await its.sees("In the form of a new pull")
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, FormScreen))
        form = its.app.screen
        assert isinstance(form, FormScreen)
        await its.pilot.press("H", "question_mark")
        await its.until(lambda: form.values["identifier"] == "H?", "a typed question mark")
        await its.pilot.press("f1")
        await its.sees("Keys and signs")


async def test_a_page_scrolls_by_half_of_what_is_seen() -> None:
    bar = " ▁▂▃▄▅▆▇█"
    async with stand((80, 24), frame(pull=pull_view(2))) as its:
        await its.press("question_mark")
        await its.sees("Keys and signs")
        before = its.rows()
        await its.press("down")
        await its.until(lambda: its.rows() != before, "to scroll")
        # what to do in the pull and the title stay where they are
        assert its.rows()[:2] == before[:2]
        assert its.rows()[2].rstrip(bar) == before[2 + (24 - 3) // 2].rstrip(bar)
        await its.press("pageup")
        await its.until(lambda: its.rows()[1:-1] == before[1:-1], "to scroll back")


async def test_a_screen_is_resized_at_any_time_and_keeps_its_keys() -> None:
    async with stand(first=frame(pull=pull_view(2))) as its:
        for count, key in enumerate(("question_mark", "m"), 1):
            await its.press(key)
            opened = its.app.screen
            for height, width in ((10, 40), (70, 250), (24, 80)):
                await its.pilot.resize_terminal(width, height)
                await its.until(lambda height=height: len(its.rows()) == height, "the size")  # type: ignore[misc]
                await its.show(frame(count + height / 100, pull=pull_view(3)))
                assert its.app.screen is opened
                assert max(map(len, its.rows())) <= width
            assert "? help" in its.text()
            await its.press("escape")


async def test_a_code_scanned_on_a_page_presses_none_of_its_keys() -> None:
    async with stand() as its:
        theme = its.app.theme
        await its.press("question_mark")
        await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help")
        await its.scan("d?dx-1")
        await its.until(lambda: "'d?dx-1'" in its.app.seen.notice, "what became of it")
        assert its.app.theme == theme
        assert [type(screen) for screen in its.app.screen_stack[-2:]] == [BenchScreen, HelpScreen]
        await its.press("escape")
        await its.sees("Scanned 'd?dx-1' while a page was open")


async def test_a_name_is_typed_in_the_order_of_its_keys_and_an_empty_one_opens_help() -> None:
    async with stand() as its:
        said: list[str | None] = []
        its.app.push_screen(NameScreen("A name"), said.append)
        await its.until(lambda: isinstance(its.app.screen, NameScreen), "the name")
        await its.press("question_mark")
        await its.until(lambda: isinstance(its.app.screen, HelpScreen), "help")
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, NameScreen), "the name")
        for key in (*"portx", "backspace", *"s 4", "enter"):
            its.app.post_message(events.Key(key, key if len(key) == 1 else None))
        await its.until(lambda: said == ["ports 4"], "the name")
