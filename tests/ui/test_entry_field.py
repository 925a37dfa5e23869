"""The field for typed values: by a person's fingers, and by a device that types as a keyboard does."""

from typing import Any

import pytest
from textual import events

from acquire.client import Lost
from acquire.records import BenchChannel, Frame, Guide, Wants
from acquire.ui.widgets.entry import begins
from drivers.base import ChannelSettings
from tests.ui.fake import SUMMARY, frame, pull_view, reading
from tests.ui.helpers import SIZES, Stand, stand
from tests.ui.test_company import MINE

UNITS = {"lift": "in", "test_pressure": "inH2O", "meter_pressure": "inH2O"}
TYPED_BENCH = SUMMARY.model_copy(
    update={
        "channels": {
            name: BenchChannel(instrument="by eye", settings=ChannelSettings(unit=unit), typed=True)
            for name, unit in UNITS.items()
        }
    }
)


def asking(channel: str = "test_pressure", now: int = 2, **its: Any) -> Frame:
    made = frame(pull=pull_view(now), situation="type_value", wants=Wants(), **its)
    sentence = f"Type the {channel.replace('_', ' ')} in {UNITS[channel]}, then Enter."
    guide = Guide(situation="type_value", sentence=sentence, typed=channel, typed_unit=UNITS[channel])
    return made.model_copy(update={"guide": guide})


def at(first: Frame) -> Any:
    return stand(first=first, summary=TYPED_BENCH)


async def device(its: Stand, text: str, end: tuple[str, str] | None = ("enter", "\r")) -> None:
    """Keys in one burst, as a device sends them."""
    for sign in text:
        name = {"+": "plus", "-": "minus", ".": "full_stop", ",": "comma"}.get(sign, sign)
        its.app.post_message(events.Key(name, sign))
    if end is not None:
        its.app.post_message(events.Key(*end))
    await its.pilot.pause()


async def entered(its: Stand, count: int = 1) -> list[tuple[str, str]]:
    await its.until(lambda: len(its.bench.entered) >= count, "the value to be sent")
    return its.bench.entered


async def test_digits_go_to_the_field_without_any_key_before_them_and_enter_sends() -> None:
    async with at(asking()) as its:
        await its.sees("Type the test pressure in inH2O, then Enter.", "type test pressure, inH2O")
        await its.press("2", "8", "full_stop", "1")
        await its.sees("28.1")
        assert its.bench.entered == []
        await its.press("enter")
        assert await entered(its) == [("test_pressure", "28.1")]
        await its.until(lambda: its.app.bench_screen.entry.text == "", "an empty field")
        assert its.bench.acts == []


@pytest.mark.parametrize("size", SIZES)
async def test_the_field_is_there_only_while_a_value_is_asked_for(size: tuple[int, int]) -> None:
    async with stand(size, asking(), summary=TYPED_BENCH) as its:
        await its.sees("type test pressure, inH2O")
        await its.show(frame(pull=pull_view(2)))
        assert "type test pressure" not in its.text()
        await its.press("5")
        await its.sees("No value is asked for now")
        assert its.bench.entered == []


async def test_a_refused_value_says_why_keeps_its_text_and_the_next_digit_begins_anew() -> None:
    async with at(asking()) as its:
        its.bench.refusal = "Not used: test pressure 280 inH2O lies outside -1 to 60 inH2O."
        await its.press("2", "8", "0", "enter")
        await its.sees("lies outside -1 to 60", "280")
        its.bench.refusal = ""
        await its.press("2", "8", "enter")
        assert await entered(its) == [("test_pressure", "28")]


async def test_a_value_typed_while_the_daemon_is_lost_is_not_sent_late() -> None:
    async with at(asking()) as its:
        its.bench.play(Lost("the daemon has gone silent"))
        await its.sees("No word from the bench")
        await its.press("2", "8", "enter")
        await its.sees("! Not sent: no word from the bench's daemon", "28")
        await its.show(asking())
        assert its.bench.entered == []
        # it is still there, and sent by Enter
        await its.press("enter")
        assert await entered(its) == [("test_pressure", "28")]


async def test_a_screen_that_watches_gets_no_field() -> None:
    office = {"commander_id": "other-12345", "commander": "office"}
    async with stand(first=asking().model_copy(update=office), summary=TYPED_BENCH, screen=MINE) as its:
        assert "type test pressure" not in its.text()
        await its.press("2")
        await its.sees("Watching: office is in command: press c to take over")
        await its.scan("28.1")
        assert its.app.bench_screen.entry.text == ""
        # one that is no longer in command in the middle of a value loses it, and is told why
        await its.show(asking())
        await its.press("2", "8")
        await its.sees("type test pressure, inH2O")
        await its.show(asking().model_copy(update=office))
        await its.sees("Another screen is in command: what was in the field was put away")
        assert its.bench.entered == []


async def test_backspace_mends_a_refused_value() -> None:
    async with at(asking()) as its:
        its.bench.refusal = "Not used."
        await its.press("2", "8", "0", "enter")
        await its.sees("Not used.")
        its.bench.refusal = ""
        await its.press("backspace", "enter")
        assert await entered(its) == [("test_pressure", "28")]


@pytest.mark.parametrize("text", ["28.1", "+28.1", "28,1 inH2O", "  28.1", "é_;&", "-0.05", "28", "0", "\uff12\uff18"])
async def test_a_device_types_sign_digits_unit_and_enter_into_the_same_field(text: str) -> None:
    async with at(asking()) as its:
        await device(its, text)
        assert [sent.strip() for _, sent in await entered(its)] == [text.strip()]
        assert its.bench.acts == []


async def test_the_line_feed_after_a_devices_return_takes_nothing() -> None:
    async with at(asking()) as its:
        await device(its, "28.1")
        its.app.post_message(events.Key("enter", "\r"))
        await entered(its)
        await its.pilot.pause()
        assert its.bench.acts == []
        its.clock.push(2.0)
        await its.press("enter")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["take"], "a point taken by hand")


@pytest.mark.parametrize(
    ("key", "kind"), [("plus", "skip"), ("minus", "back"), ("asterisk", "retake"), ("slash", "pause"), ("s", "skip")]
)
async def test_signs_and_letters_alone_keep_their_meaning_on_an_empty_field(key: str, kind: str) -> None:
    async with at(asking()) as its:
        await its.press(key)
        await its.until(lambda: [act.kind for act in its.bench.acts] == [kind], kind)
        assert its.app.bench_screen.entry.text == ""


async def test_while_the_field_holds_text_every_key_goes_into_it_until_escape() -> None:
    async with at(asking()) as its:
        await its.press("2", "minus", "s")
        assert its.app.bench_screen.entry.text == "2-s"
        assert its.bench.acts == []
        await its.press("escape", "minus")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["back"], "back")


async def test_backspace_on_an_empty_field_asks_for_the_value_before_again() -> None:
    async with at(asking("meter_pressure")) as its:
        await its.press("backspace")
        await its.sees("type test pressure, inH2O")
        await its.press("2", "8", "enter")
        assert await entered(its) == [("test_pressure", "28")]
        await its.sees("type meter pressure, inH2O")


async def test_text_that_was_begun_for_another_step_is_put_away() -> None:
    async with at(asking("lift", 2)) as its:
        await its.press("0", "full_stop", "3")
        await its.show(asking("lift", 3))
        await its.sees("was put away")
        assert its.app.bench_screen.entry.text == ""


async def test_a_scanned_label_does_nothing_but_say_that_it_is_no_number() -> None:
    async with at(asking()) as its:
        its.bench.refusal = "Not used: 'skip-12' is not a number."
        await device(its, "skip-12")
        await its.sees("is not a number")
        assert its.bench.acts == []


async def test_a_typed_value_is_shown_with_its_age_and_leaves_no_trace_that_looks_held() -> None:
    old = reading(28 * 249.08891, "Pa", age_s=42.0).model_copy(update={"typed": True, "number": 28.0})
    async with at(asking(readings={"test_pressure": old})) as its:
        await its.sees("42 s old", "typed 28 42 s old")
        assert [value for _, value in its.app.seen.pressure.samples] == [None]
        none = reading(None, "Pa", "stale", 0.0).model_copy(update={"typed": True})
        await its.show(asking(readings={"test_pressure": none}))
        await its.sees("to be typed")
        assert "LOST" not in its.text()


def test_what_begins_a_value_is_no_key_of_the_bench() -> None:
    assert all(begins(sign) for sign in "0123456789.,&é\"'(è_çà\uff10\uff19")
    assert not any(begins(sign) for sign in "+-*/? rsbpmxcend")
