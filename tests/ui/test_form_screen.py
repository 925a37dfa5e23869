from unittest.mock import patch

import pytest
from textual import events
from textual.widgets import Input

from acquire.records import Subject, Template
from acquire.ui.screens import form as form_screen
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.widgets.fields import BeginBar, ChoiceField
from tests.ui.fake import HEAD, IN, INH2O, SETUP, SUMMARY, ended_view, frame, request
from tests.ui.helpers import SIZES, Stand, stand

ENDED = frame(pull=ended_view(), situation="ended", sentence="Pull complete.")


async def open_form(its: Stand, *keys: str) -> FormScreen:
    await its.press(*keys)
    await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
    await its.sees("The head")
    form = its.app.screen
    assert isinstance(form, FormScreen)
    await its.until(lambda: form.focused is not None, "the focus")
    return form


def focused(its: Stand) -> str:
    return (its.app.screen.focused.id or "") if its.app.screen.focused is not None else ""


@pytest.mark.parametrize("size", SIZES)
async def test_a_first_form_is_filled_by_typing_and_begins(size: tuple[int, int]) -> None:
    async with stand(size) as its:
        form = await open_form(its, "enter")
        assert focused(its) == "field-identifier"
        await its.pilot.press(*"H7", "enter")
        assert focused(its) == "field-model"
        await its.pilot.press("enter", "enter", *"1.94", "f2")
        await its.sees("! Choose the meter range that is in use")
        assert focused(its) == "field-meter_range"
        assert its.bench.begun == []
        await its.pilot.press("right", "f2")
        await its.until(lambda: len(its.bench.begun) == 1, "the pull")
        asked = its.bench.begun[0]
        assert asked.subject.identifier == "H7"
        assert asked.subject.intake_valve_diameter_m == pytest.approx(1.94 * IN)
        assert asked.lifts_m == pytest.approx(SUMMARY.schedules["eight steps"].lifts_m)
        assert asked.schedule_name == "eight steps"
        assert asked.meter_range == "small"
        assert asked.setup.test_pressure_pa == pytest.approx(28 * INH2O)
        await its.until(lambda: not form.is_mounted or isinstance(its.app.screen, BenchScreen))


async def test_a_scanned_identifier_in_a_filled_form_goes_on_to_begin() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.scan("H-2001")
        await its.until(lambda: focused(its) == "begin", "Begin")
        assert "Enter: BEGIN THE PULL" in its.text()
        await its.pilot.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1)
        asked = its.bench.begun[0]
        assert asked.subject.identifier == "H-2001"
        assert asked.setup == SETUP
        assert asked.meter_range == "large"
        assert asked.subject.port == ""  # another head: only what a batch shares came along
        assert asked.subject.model == HEAD.model


async def test_scanning_a_label_between_pulls_sets_up_the_next_head() -> None:
    async with stand(last=request(), first=ENDED) as its:
        await its.scan("H-3005")
        await its.until(lambda: isinstance(its.app.screen, FormScreen))
        await its.until(lambda: focused(its) == "begin", "Begin")
        await its.pilot.press("space")
        await its.until(lambda: [asked.subject.identifier for asked in its.bench.begun] == ["H-3005"])


async def test_the_same_head_in_the_other_direction_is_one_key() -> None:
    async with stand(last=request(), first=ENDED) as its:
        await open_form(its, "o")
        assert focused(its) == "begin"
        assert "H-1042, lift pull, exhaust" in its.text()
        await its.pilot.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1)
        assert its.bench.begun[0] == request(direction="exhaust")


async def test_the_same_head_once_more_is_one_key() -> None:
    async with stand(first=ENDED, last=request()) as its:
        form = await open_form(its, "a")
        assert (form.values["identifier"], form.values["direction"]) == ("H-1042", "intake")
        await its.pilot.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1, "the pull")


async def test_the_next_head_with_the_same_set_up_is_one_key_and_its_label() -> None:
    async with stand(last=request(), first=ENDED) as its:
        form = await open_form(its, "enter")
        assert focused(its) == "field-identifier"
        assert form.values["identifier"] == ""
        assert form.values["inlet_treatment"] == "radius plate"


@pytest.mark.parametrize(
    ("field", "typed", "sentence"),
    [
        ("intake_valve_diameter_m", "big", "'big' is not a number with a unit"),
        ("intake_valve_diameter_m", "-2", "-2 must be above zero"),
        ("lifts_m", "0.1 0.2 x", "'x' is not a number"),
        ("lifts_m", "0.3 0.2 in", "lifts must be above zero and rise"),
        ("test_pressure_pa", "28 cfm", "is not a pressure"),
    ],
)
async def test_bad_input_is_said_in_one_sentence_beside_its_field(field: str, typed: str, sentence: str) -> None:
    async with stand(last=request(), size=(120, 40)) as its:
        form = await open_form(its, "enter")
        form.query_one("#field-identifier", Input).value = "H7"
        form.query_one(f"#field-{field}", Input).value = typed
        await its.pilot.press("f2")
        await its.sees(f"! {sentence}" if field != "test_pressure_pa" else sentence, "1 field to put right")
        assert focused(its) == f"field-{field}"
        assert its.bench.begun == []
        rows = its.rows()
        place = next(i for i, text in enumerate(rows) if sentence in text)
        assert typed in rows[place - 1] or typed in rows[place - 2]


async def test_a_missing_identifier_is_asked_for() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.pilot.press("f2")
        await its.sees("Every pull belongs to a head or plate: scan or")
        assert focused(its) == "field-identifier"


async def test_a_field_left_with_bad_text_says_so_at_once() -> None:
    async with stand(last=request()) as its:
        form = await open_form(its, "enter")
        form.query_one("#field-intake_valve_diameter_m").focus()
        await its.pilot.press(*"zz", "tab")
        await its.sees("'zz' is not a number with a unit")


async def test_a_refused_pull_keeps_the_form_with_all_that_was_typed() -> None:
    async with stand(last=request(), refusal="A pull is running already: end it first.") as its:
        await open_form(its, "enter")
        await its.scan("H-9")
        await its.until(lambda: focused(its) == "begin")
        await its.pilot.press("enter")
        await its.sees("! A pull is running already: end it first.", "H-9")
        assert isinstance(its.app.screen, FormScreen)


async def test_a_leakage_run_asks_for_test_pressures_instead_of_lifts() -> None:
    async with stand(last=request(), size=(120, 40)) as its:
        form = await open_form(its, "enter")
        await its.pilot.press(*"BP", "tab")
        form.query_one("#field-kind").focus()
        await its.pilot.press("right")
        await its.sees("leakage run, blank plate", "Test pressures")
        # a plate has no seat: only what was filled in for the head before stays to be seen
        assert not form.query_one("#row-intake_valve").display
        assert form.query_one("#row-model").display == bool(form.values["model"])
        assert not form.query_one("#row-lifts_m").display
        form.query_one("#field-test_pressures_pa").focus()
        await its.pilot.press(*"10 20 28", "f2")
        # the range that reads a head is not taken over for a leak
        await its.sees(
            "with Left or Right: a leak needs the smallest", "F2: begin the leakage run", "no meter range yet"
        )
        assert (focused(its), its.bench.begun) == ("field-meter_range", [])
        await its.pilot.press("right", "f2")
        await its.until(lambda: len(its.bench.begun) == 1)
        asked = its.bench.begun[0]
        assert (asked.kind, asked.meter_range) == ("leakage", "small")
        assert asked.test_pressures_pa == pytest.approx((10 * INH2O, 20 * INH2O, 28 * INH2O))


async def test_a_schedule_brings_its_lifts_and_its_test_pressure() -> None:
    async with stand(last=request()) as its:
        form = await open_form(its, "enter")
        form.query_one("#field-schedule", ChoiceField).focus()
        await its.pilot.press("right")
        assert form.values["schedule"] == "short"
        assert form.values["lifts_m"] == "0.2 0.4 in"
        assert form.values["test_pressure_pa"] == "10 inH2O"


async def test_typed_lifts_are_no_schedule_of_the_bench() -> None:
    async with stand(last=request()) as its:
        form = await open_form(its, "enter")
        form.query_one("#field-lifts_m").focus()
        await its.pilot.press("end", "backspace", "backspace", "backspace", *" 1 in")
        await its.until(lambda: form.values["schedule"] == "as typed", "as typed")


async def test_a_template_is_picked_in_two_keys_and_a_label() -> None:
    kept = [
        Template(name="big valves", setup=SETUP, direction="exhaust", meter_range="large", lifts_m=(0.002, 0.004)),
        Template(name="small", setup=SETUP, direction="intake", meter_range="small", lifts_m=(0.001,)),
    ]
    async with stand(kept=kept) as its:
        await its.press("t")
        await its.sees("Which template?", "1  big valves")
        await its.press("1")
        await its.until(lambda: isinstance(its.app.screen, FormScreen))
        await its.until(lambda: focused(its) == "field-identifier")
        await its.scan("H-55")
        await its.until(lambda: focused(its) == "begin")
        await its.pilot.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1)
        asked = its.bench.begun[0]
        assert (asked.direction, asked.meter_range) == ("exhaust", "large")
        assert asked.lifts_m == pytest.approx((0.002, 0.004))


async def test_a_set_up_is_kept_as_a_template() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.pilot.press("f4")
        await its.sees("Keep this set-up as a template named")
        await its.pilot.press(*"iron", "enter")
        await its.sees("Kept as template 'iron'")
        assert its.bench.kept[0].setup == SETUP
        assert its.bench.kept[0].lifts_m == pytest.approx(request().lifts_m)


async def test_no_template_yet_is_said() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.pilot.press("f3")
        await its.sees("No template is kept yet")


async def test_a_head_tested_before_brings_its_model_and_valves() -> None:
    known = Subject(identifier="H-77", model="Alloy four", exhaust_valve_diameter_m=0.038, order_reference="old order")
    async with stand(heads=[known]) as its:
        form = await open_form(its, "enter")
        await its.pilot.press(*"H-77", "enter")
        await its.until(lambda: form.values["model"] == "Alloy four", "the model")
        assert form.values["order_reference"] == ""
        assert form.query_one("#field-model", Input).value == "Alloy four"


async def test_up_and_down_move_between_fields_and_escape_leaves() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.pilot.press("down", "down")
        assert focused(its) == "field-port"
        await its.pilot.press("up")
        assert focused(its) == "field-model"
        await its.pilot.press("escape")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen))
        assert its.bench.begun == []


async def test_the_bar_at_the_end_names_what_would_begin() -> None:
    async with stand(last=request()) as its:
        form = await open_form(its, "enter")
        await its.pilot.press(*"H8")
        await its.until(lambda: form.query_one("#begin", BeginBar).summary == "H8, lift pull, intake, range large")


async def test_the_next_form_follows_the_pull_on_the_screen_even_when_it_was_begun_elsewhere() -> None:
    async with stand(last=request(), first=ENDED) as its:
        its.bench.last = request(meter_range="small")
        form = await open_form(its, "o")
        assert form.values["meter_range"] == "small"
        assert form.values["direction"] == "exhaust"


async def test_a_choice_says_of_how_many_it_is_one_and_what_was_put_right_is_complained_of_no_more() -> None:
    async with stand(last=None) as its:
        form = await open_form(its, "enter")
        await its.press("f2")
        await its.sees("Every pull belongs to a head or plate")
        form.query_one("#field-meter_range").focus()
        await its.sees("Choose the meter range that is in use", "choose ▸  one of 2")
        await its.press("right")
        await its.sees("small ▸  1 of 2")
        assert "Choose the meter range" not in its.text()
        await its.press("right")
        await its.sees("large ▸  2 of 2")


async def test_keys_typed_faster_than_the_screen_follows_act_in_their_order() -> None:
    async with stand(last=request()) as its:
        form = await open_form(its, "enter")
        burst = (*"H-3", "backspace", *"41", "left", "delete", "2", "tab", *"V8", "enter", *"12", "up", "end", "x")
        for key in burst:
            its.app.post_message(events.Key(key, key if len(key) == 1 else None))
        await its.until(lambda: form.values["port"] == "12", "the last field")
        await its.until(lambda: form.values["model"] == "V8x", "the field above")
        assert form.values["identifier"] == "H-42"


async def test_two_enters_in_one_burst_neither_begin_nor_lead_round_to_the_start() -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        with patch.object(form_screen, "ECHO_S", 60.0):
            for key in (*"H-7", "enter", "enter", "enter"):
                its.app.post_message(events.Key(key, key if len(key) == 1 else None))
            await its.until(lambda: focused(its) == "begin", "Begin")
            await its.pilot.press("enter")
        assert (focused(its), its.bench.begun) == ("begin", [])
        await its.pilot.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1, "the pull")


@pytest.mark.parametrize("at", ["begin", "field-direction", "field-gasket_fitted"])
async def test_a_code_scanned_where_nothing_is_typed_is_the_head_and_begins_nothing(at: str) -> None:
    known = Subject(identifier="dY 4N", model="Iron V6")
    async with stand(last=request(), heads=[known]) as its:
        form = await open_form(its, "enter")
        await its.pilot.press(*"H-1", "enter")
        form.values["port"], form.values["subject_remarks"] = "2", "weld"
        theme, direction = its.app.theme, form.values["direction"]
        form.query_one(f"#{at}").focus()
        await its.until(lambda: focused(its) == at, "the place")
        await its.scan("dY 4N")
        await its.until(lambda: form.values["model"] == "Iron V6", "what is known of it")
        assert focused(its) == "begin"
        assert (form.values["identifier"], form.values["port"], form.values["subject_remarks"]) == ("dY 4N", "", "")
        assert (its.app.theme, form.values["direction"], its.bench.begun) == (theme, direction, [])
        # a key of a person still acts there
        form.query_one(f"#{at}").focus()
        await its.press("d")
        await its.until(lambda: its.app.theme != theme, "the other colours")


@pytest.mark.parametrize("key", ["enter", "space", "pagedown"])
async def test_a_foot_switch_begins_from_the_bar_at_the_end(key: str) -> None:
    async with stand(last=request()) as its:
        await open_form(its, "enter")
        await its.pilot.press(*"H-1", "enter")
        await its.until(lambda: focused(its) == "begin", "Begin")
        await its.pilot.press(key)
        await its.until(lambda: len(its.bench.begun) == 1, "the pull")


async def test_a_template_is_picked_by_the_code_of_its_name_and_by_no_digit_within_one() -> None:
    kept = [
        Template(name=name, setup=SETUP, direction="exhaust", meter_range="small", lifts_m=(0.002,))
        for name in ("ports", "ports two")
    ]
    async with stand(kept=kept) as its:
        form = await open_form(its, "enter")
        await its.pilot.press("f3")
        await its.sees("Which template?")
        await its.scan("H-2001")
        await its.sees("Which template? ('H-2001' is none of these)")
        await its.scan("PORTS TWO")
        await its.until(lambda: form.values["direction"] == "exhaust", "the template")
