import pytest

from acquire.client import Lost
from acquire.demo.run import BY_ITSELF
from acquire.records import LiveEvent, Template, Wants
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.form import FormScreen
from acquire.ui.watch import FLASH_S, SILENCE_S
from acquire.ui.widgets.guide import GuidePanel
from acquire.ui.widgets.readout import ReadOutPanel
from acquire.values import Mark, Standing, StepView
from tests.ui.fake import IN, SETUP, TARGET_PA, ended_view, frame, point, pull_view, reading, request, row, taken_event
from tests.ui.helpers import SIZES, stand
from tests.ui.test_company import BESIDE, MINE

WANTS = Wants(lift_m=0.3 * IN, test_pressure_pa=TARGET_PA)
OPEN = frame(pull=pull_view(2), situation="open_valve", sentence="Open the valve to 0.300 in: 0.045 more.",
             lift_in=0.255, wants=WANTS)  # fmt: skip
HOLD = frame(pull=pull_view(2), wants=WANTS)


@pytest.mark.parametrize("size", SIZES)
async def test_the_sentence_of_the_daemon_stands_at_the_top(size: tuple[int, int]) -> None:
    async with stand(size, OPEN) as its:
        panel = its.app.screen.query_one("#guide", GuidePanel)
        assert panel.saying.sentence == "Open the valve to 0.300 in: 0.045 more."
        assert panel.region.y <= 2
        if size == (80, 24):
            assert "Open the valve to 0.300 in: 0.045 more." in its.text()
        else:
            # as block letters: three rows a line, nothing of the plain sentence
            assert "Open the valve" not in its.text()
            assert sum("█" in text for text in its.rows()[1:8]) >= 3


@pytest.mark.parametrize("size", SIZES)
async def test_each_number_has_its_unit_age_state_and_target(size: tuple[int, int]) -> None:
    async with stand(size, OPEN) as its:
        text = its.text()
        assert "LIFT in" in text
        assert "PRESSURE inH2O" in text
        assert "FLOW cfm" in text
        assert "to 0.300" in text
        assert "to 28.00" in text
        assert "▲ low by 0.045" in text
        assert "● in the band" in text
        assert text.count(" now") >= 3
        assert "▶VALVE LIFT" in text


async def test_figures_grow_with_the_window() -> None:
    async with stand((80, 24), HOLD) as its:
        small = sum("█" in text for text in its.rows())
        await its.pilot.resize_terminal(160, 50)
        await its.until(lambda: its.app.screen.size.width == 160)
        its.app.tick()
        await its.until(lambda: sum("█" in text for text in its.rows()) > small + 4, "larger figures")


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40), (160, 50), (220, 30), (81, 60)])
async def test_every_size_shows_figures_schedule_and_keys(size: tuple[int, int]) -> None:
    async with stand(size, HOLD) as its:
        text = its.text()
        assert "176.3 ±0.5" in text or "121.7 ±0.5" in text
        assert "Enter take" in its.rows()[-1]
        assert all(len(row) <= size[0] for row in its.rows())
        for name in ("lift", "pressure", "flow"):
            assert its.app.screen.query_one(f"#{name}", ReadOutPanel).size.height >= 6


async def test_a_settled_reading_says_so_in_word_and_shape() -> None:
    settled = frame(pull=pull_view(2), standing=Standing("settled", (), 0.0, 0.003), wants=WANTS)
    async with stand(first=settled) as its:
        assert "● settled to 0.5" in its.text()
    async with stand(first=HOLD) as its:
        assert "◐ settling " in its.text()


async def test_a_stale_number_looks_stale() -> None:
    stale = frame(pull=pull_view(2), wants=WANTS, readings={"lift": reading(0.3 * IN, "m", "stale", 4.0)})
    async with stand(first=stale) as its:
        assert "▒ STALE" in its.text()
        assert "4 s old" in its.text()
        assert "▒▒▒▒" in its.text()
    async with stand(first=HOLD) as its:
        assert "▒" not in its.text()


async def test_a_lost_instrument_shows_no_number_at_all() -> None:
    lost = frame(pull=pull_view(2), wants=WANTS, readings={"meter_pressure": reading(700.0, "Pa", "lost", 9.0)})
    async with stand(first=lost) as its:
        panel = its.app.screen.query_one("#flow", ReadOutPanel)
        assert panel.out.figure == ""
        assert "× LOST" in its.text()
        assert "─ ─ ─ ─" in its.text()


async def test_simulated_values_carry_a_banner_and_a_mark_each() -> None:
    async with stand(first=frame(pull=pull_view(2), source="sim://bench/dp")) as its:
        assert "SIMULATED: no number on this screen comes from an instrument" in its.text()
        assert its.text().count(" SIM") >= 3
        await its.show(HOLD)
        assert "SIMULATED" not in its.text()
        one = frame(pull=pull_view(2), readings={"lift": reading(0.1, "m", source="sim://lift")})
        await its.show(one)
        assert "SIMULATED: lift" in its.text()


async def test_a_silent_daemon_is_said_within_two_seconds_and_heals() -> None:
    async with stand(first=HOLD, impatient=True) as its:
        its.clock.push(SILENCE_S + 0.05)
        await its.sees("No word from the bench", "▒ OLD")
        # the page of instruments does not go on calling them live
        await its.press("i")
        await its.sees("! No word from the bench's daemon", "Nothing here is known to be so now. It was last:")
        await its.press("escape")
        await its.show(frame(1.0, pull=pull_view(2)))
        await its.until(lambda: "No word from" not in its.text(), "healing")
    assert SILENCE_S < 2


async def test_a_lost_stream_is_said_at_once_and_opened_again_when_it_breaks() -> None:
    async with stand(first=HOLD) as its:
        its.bench.play(Lost("no daemon answers at 127.0.0.1"))
        await its.sees("No word from the bench", "the pull is kept. If it has ended: steadydraw serve", "▒ OLD")
        # neither the numbers nor the strips beneath them look as if they lived
        assert its.text().count("▒ OLD") == 5
        its.bench.play(RuntimeError("the cable fell out"))
        await its.sees("the pull is kept. (the cable fell out)")
        await its.until(lambda: its.bench.streams == 2, "a second stream")
        await its.show(frame(2.0, pull=pull_view(2)))
        await its.until(lambda: "No word from" not in its.text(), "healing")


async def test_every_screen_says_that_the_daemon_is_lost_and_no_longer_once_it_is_back() -> None:
    async with stand(first=HOLD, last=request()) as its:
        told = "! No word from the bench's daemon"
        for count, key in enumerate(("question_mark", "i", "m", "x"), 1):
            await its.press(key)
            assert not isinstance(its.app.screen, BenchScreen)
            its.bench.play(Lost("gone"))
            await its.until(lambda: its.rows()[0].strip(" ").startswith(told), f"the loss over what {key} opens")
            await its.show(frame(float(count), pull=pull_view(2)))
            await its.until(lambda: "No word from" not in its.text(), f"healing over what {key} opens")
            await its.press("escape")
        await its.show(frame(9.0))
        await its.press("enter")
        await its.sees("The head")
        its.bench.play(Lost("gone"))
        await its.until(lambda: its.rows()[0].strip(" ").startswith(told), "the loss over the form")


async def test_no_key_that_tells_the_bench_what_to_do_is_offered_while_its_daemon_is_lost() -> None:
    office = {"commander_id": "other-12345", "commander": "office"}
    async with stand(first=HOLD, screen=MINE, open_rows=[row(5)], last=request()) as its:
        for shown, offered in (
            (HOLD, "Enter take"),
            (HOLD.model_copy(update=office), "c take over"),
            (frame(3.0), "u unfinished"),
        ):
            await its.show(shown)
            assert offered in its.rows()[-1]
            its.bench.play(Lost("gone"))
            await its.until(lambda offered=offered: offered not in its.rows()[-1], offered)  # type: ignore[misc]
            assert "skip" not in its.rows()[-1]
            assert "i instruments  ? help" in its.rows()[-1]
        # nor is command of it taken later
        await its.show(HOLD.model_copy(update=office))
        its.bench.play(Lost("gone"))
        await its.sees("No word from the bench")
        await its.press("c")
        await its.sees("! Not sent")
        assert its.bench.took_command == 0


@pytest.mark.parametrize("size", SIZES)
async def test_escape_leads_on_from_the_verdict_and_back_to_it(size: tuple[int, int]) -> None:
    async with stand(
        size, frame(pull=ended_view(), situation="ended", sentence="Pull complete."), last=request()
    ) as its:
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form of the next head")
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the verdict again")
        assert its.bench.begun == []


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("key", ["question_mark", "i", "m", "x", "e"])
async def test_what_to_do_in_the_pull_stays_in_sight_over_all_that_is_opened(key: str, size: tuple[int, int]) -> None:
    async with stand(size, OPEN, last=request(), besides={None: BESIDE}) as its:
        await its.until(lambda: its.app.seen.company.beside is BESIDE, "the earlier pulls")
        await its.press(key)
        assert not isinstance(its.app.screen, BenchScreen)
        assert its.rows()[0] == " ▲ Open the valve to 0.300 in: 0.045 more."
        await its.show(frame(1.0, pull=pull_view(2), sentence=f"Hold: {'too long for its row ' * 8}"))
        assert its.rows()[0].startswith(" ■ Hold: too long")
        assert its.rows()[0].endswith("…")
        await its.show(frame(2.0, pull=ended_view(), situation="ended", sentence="Pull complete."))
        await its.until(lambda: "Pull complete" not in its.rows()[0], "the row to go with the pull")


async def test_a_key_pressed_while_the_daemon_is_lost_is_not_kept_for_it_to_do_later() -> None:
    async with stand(last=request(), open_rows=[row(5)]) as its:
        lost = Lost("the daemon has gone silent")
        its.bench.play(lost)
        await its.sees("No word from the bench")
        await its.press("u")
        await its.sees("! Not sent: no word from the bench's daemon")
        # the form is filled meanwhile, and begins nothing until the daemon is back
        await its.scan("H-9")
        await its.sees("BEGIN THE PULL")
        await its.press("enter")
        await its.sees("! Not sent: no word from the bench's daemon", "H-9")
        assert (its.bench.resumed, its.bench.begun) == ([], [])
        await its.show(frame(1.0))
        await its.press("enter")
        await its.until(lambda: len(its.bench.begun) == 1, "the pull")
        await its.show(frame(2.0, pull=pull_view(2)))
        its.bench.play(lost)
        await its.sees("No word from the bench")
        await its.press("enter", "s", "p")
        await its.sees("! Not sent")
        await its.show(frame(3.0, pull=pull_view(2)))
        await its.press("s")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["skip"], "only what was pressed since")


async def test_before_the_daemon_was_heard_nothing_can_be_set_up() -> None:
    async with stand(first=frame()) as its:
        from acquire.ui.bench import UNKNOWN

        its.app.bench_facts = UNKNOWN
        await its.press("n")
        await its.sees("wait for its daemon")
        assert isinstance(its.app.screen, BenchScreen)


@pytest.mark.parametrize("key", ["enter", "space", "pagedown"])
async def test_the_large_key_takes_the_step(key: str) -> None:
    async with stand(first=HOLD) as its:
        await its.press(key)
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["take"], "take")


@pytest.mark.parametrize(
    ("key", "kind"),
    [("r", "retake"), ("asterisk", "retake"), ("s", "skip"), ("plus", "skip"), ("b", "back"), ("minus", "back"),
     ("p", "pause"), ("slash", "pause")],
)  # fmt: skip
async def test_each_key_of_a_pull_sends_its_action(key: str, kind: str) -> None:
    async with stand(first=HOLD) as its:
        await its.press(key)
        await its.until(lambda: [act.kind for act in its.bench.acts] == [kind], kind)


async def test_pausing_again_goes_on() -> None:
    async with stand(first=frame(pull=pull_view(2, paused=True))) as its:
        assert "p go on" in its.rows()[-1]
        assert "PAUSED" in its.text()
        await its.press("p")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["go_on"])


async def test_a_second_press_does_not_take_the_next_step() -> None:
    async with stand(first=HOLD) as its:
        await its.press("enter")
        await its.press("enter")
        await its.sees("press again")
        assert len(its.bench.acts) == 1
        its.clock.push(1.1)
        await its.press("enter")
        await its.until(lambda: len(its.bench.acts) == 2)


async def test_a_press_just_after_a_reading_was_taken_by_itself_is_not_meant_for_the_next_step() -> None:
    async with stand(first=HOLD) as its:
        await its.show(taken_event(1, 2), frame(0.1, pull=pull_view(3)))
        await its.press("enter")
        await its.sees("press again")
        assert its.bench.acts == []


async def test_aborting_asks_and_the_large_key_means_no() -> None:
    async with stand(first=HOLD) as its:
        await its.press("x")
        await its.sees("Abort this pull?")
        await its.press("enter")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen))
        assert its.bench.acts == []
        await its.press("x")
        await its.sees("Abort this pull?")
        await its.press("y")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["abort"])


async def test_a_code_scanned_at_the_question_is_no_answer() -> None:
    async with stand(first=HOLD) as its:
        await its.press("x")
        await its.sees("Abort this pull?")
        await its.scan("cy4y")
        await its.sees("Abort this pull?", "'cy4y' is no answer.")
        assert its.bench.acts == []
        await its.press("y")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["abort"], "the answer")


async def test_the_meter_range_is_picked_by_its_digit() -> None:
    async with stand(first=HOLD) as its:
        await its.press("m")
        await its.sees("Which meter range", "1  small", "2  large")
        await its.press("2")
        await its.until(lambda: [(act.kind, act.meter_range) for act in its.bench.acts] == [("range", "large")])


async def test_the_list_of_ranges_stands_on_the_one_that_counts_and_the_big_key_leaves_it() -> None:
    async with stand(first=frame(pull=pull_view(3), wants=Wants(meter_range="large"))) as its:
        await its.press("m")
        await its.sees("▶ 2  large            counts now")
        await its.press("enter")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        await its.press("m", "1")
        await its.until(lambda: bool(its.bench.acts), "the range")
        assert [(act.kind, act.meter_range) for act in its.bench.acts] == [("range", "small")]


async def test_arrows_choose_the_step_to_take_again() -> None:
    async with stand(first=frame(pull=pull_view(3))) as its:
        await its.press("up", "up")
        assert "↻  2" in its.text()
        await its.press("down")
        assert "↻  3" in its.text()
        await its.press("up", "up", "r")
        await its.until(lambda: [(act.kind, act.step) for act in its.bench.acts] == [("retake", 0)])


async def test_there_is_nothing_before_the_first_step_nor_after_the_last_one_taken() -> None:
    async with stand(first=frame(pull=pull_view(0))) as its:
        await its.press("b")
        await its.sees("This is the first step")
        await its.show(frame(0.1, pull=pull_view(1)))
        await its.press("down")
        await its.sees("This is the last step that was taken")
        await its.press("up", "up")
        await its.sees("This is the first step that was taken")
        await its.press("b")
        await its.until(lambda: [act.kind for act in its.bench.acts] == ["back"], "the step before alone")


async def test_a_taken_point_rings_and_flashes() -> None:
    async with stand(first=HOLD) as its:
        rung: list[bool] = []
        its.app.bell = lambda: rung.append(True)  # type: ignore[method-assign]
        await its.show(taken_event(1, 2), frame(0.1, pull=pull_view(3)))
        await its.sees("✔", "176.3 cfm ± 0.5 at 0.300 in")
        assert rung == [True]
        assert its.app.screen.query_one("#guide", GuidePanel).saying.tone == "taken"
        its.clock.push(FLASH_S)
        await its.until(lambda: "176.3 cfm ±" not in its.text(), "the flash to end")


async def test_a_refusal_of_the_daemon_is_said_in_its_sentence() -> None:
    async with stand(first=HOLD, refusal="There is no step before this one.") as its:
        await its.press("b")
        await its.sees("! There is no step before this one.")


async def test_marks_and_notices_are_said_as_they_come() -> None:
    async with stand(first=HOLD) as its:
        await its.show(LiveEvent(number=1, kind="mark", t_us=0, sentence="The meter range was changed at step 3."))
        await its.sees("! The meter range was changed at step 3.")


async def test_a_point_by_hand_and_earlier_takes_are_told_apart() -> None:
    view = pull_view(2)
    step = StepView(view.steps[1].step, "taken", (point(1, 121.7), point(1, 122.9, take=2, by_hand=True)))
    steps = (view.steps[0], step, *view.steps[2:])
    async with stand((160, 50), frame(pull=pull_view(2, steps=steps))) as its:
        line = next(text for text in its.rows() if "by hand" in text)
        assert "◇  2" in line
        assert "by hand, take 2" in line
        assert "before: 121.7 ±0.5" in line
        assert "held 28.00 inH2O" in line


async def test_the_curve_grows_with_the_points() -> None:
    async with stand((120, 40), frame(pull=pull_view(1))) as its:
        few = its.text().count("●")
        await its.show(frame(1.0, pull=pull_view(6)))
        # each new point is one mark in the table and one in the curve
        assert its.text().count("●") == few + 10


async def test_the_hold_of_the_test_pressure_is_drawn_against_its_band() -> None:
    async with stand((120, 40), HOLD) as its:
        frames = [frame(t / 10, pull=pull_view(2), wants=WANTS) for t in range(100)]
        await its.show(*frames)
        assert "in the band for 10 s" in its.text()
        assert "28.56┌" in its.text()
        assert "27.44└" in its.text()
        await its.show(frame(10.1, pull=pull_view(2), wants=WANTS, pressure_inh2o=26.9))
        assert "◇ outside" in its.text()
        assert "▲ low by 1.10" in its.text()


@pytest.mark.parametrize("size", SIZES)
async def test_the_verdict_says_complete_or_not_and_every_mark(size: tuple[int, int]) -> None:
    marks = (Mark("zero", "The zero of the test pressure moved by 0.06 inH2O."), Mark("hand", "Step 4 was by hand."))
    ended = frame(pull=ended_view(marks), situation="ended", sentence="Pull complete.")
    async with stand(size, ended) as its:
        text = its.text()
        assert "● COMPLETE   8 of 8 steps taken, all settled" in text
        assert "! The zero of the test pressure moved by 0.06 inH2O." in text
        assert "! Step 4 was by hand." in text
        assert "Enter next head   a this head again   o this head, exhaust   f flow sheet" in text
        # what stands there has no second place beneath, where the other ways on would be pushed out
        assert its.rows()[-1].split("  ")[:5] == [
            "Enter next head", "h did it hold?", "t templates", "k checks", "v look back",
        ]  # fmt: skip
        assert "8   0.800 265.8 ±0.5" in text
        aborted = frame(
            1.0, pull=pull_view(3, outcome="aborted", phase="ended"), situation="aborted", sentence="Aborted."
        )
        await its.show(aborted)
        assert "× ABORTED   3 of 8 steps taken" in its.text()


async def test_one_unfinished_pull_is_resumed_at_once_and_several_are_offered() -> None:
    async with stand(open_rows=[row(5)]) as its:
        await its.press("u")
        await its.until(lambda: its.bench.resumed == [5])
    async with stand(open_rows=[row(5), row(6, "H-2000", 1)]) as its:
        await its.press("u")
        await its.sees("Go on with which pull?", "H-2000", "1 of 8 taken")
        await its.press("down", "enter")
        await its.until(lambda: its.bench.resumed == [6])
    async with stand() as its:
        await its.press("u")
        await its.sees("No pull is unfinished")


async def test_an_unfinished_pull_is_offered_only_while_there_is_one() -> None:
    ended = frame(3.0, pull=ended_view(), situation="ended", sentence="Pull complete.")
    async with stand(last=request()) as its:
        assert "unfinished" not in its.text()
        # another was begun, and broken off by a daemon that ended
        await its.show(frame(1.0, pull=pull_view(2)))
        its.bench.open_rows = [row(5)]
        await its.show(frame(2.0))
        await its.sees(" u       Go on with an unfinished pull")
        await its.show(frame(2.5, pull=pull_view(2)), ended)
        await its.sees("u unfinished")
        its.bench.open_rows = []
        await its.show(frame(4.0, pull=pull_view(2)), ended)
        await its.until(lambda: "unfinished" not in its.text(), "no offer")


async def test_between_pulls_the_sentence_leads_on_from_where_the_bench_stands() -> None:
    async with stand(last=request(), open_rows=[row(5)]) as its:
        await its.sees("A pull is unfinished: press u to go on with it, or Enter for a new one.")
        # once a pull was on the screen, that one is what counts
        await its.show(frame(1.0, pull=pull_view(2)), frame(2.0))
        await its.sees("Scan the next head's label")
    async with stand(
        kept=[Template(name="a", setup=SETUP, direction="intake", meter_range="large", lifts_m=(0.001,))]
    ) as its:
        await its.sees("Press t to start from a template, or Enter to fill in all of it.")


async def test_a_notice_comes_without_the_long_path_of_its_port() -> None:
    async with stand() as its:
        told = "front_end on /dev/serial/by-id/usb-1a86_USB_Serial-if00-port0: 1 line was not used"
        await its.show(LiveEvent(number=1, kind="notice", t_us=0, sentence=told), frame(1.0))
        assert its.rows()[0].startswith(" · front_end: 1 line was not used")
        # the bytes of a line are for the page of instruments
        told = (
            "front_end: 33 lines were not used (last: 'P1 0.7650'; since the start: 33 out of range): check the cable"
        )
        await its.show(LiveEvent(number=3, kind="notice", t_us=0, sentence=told), frame(1.5))
        await its.sees("front_end: 33 lines were not used (since the start: 33 out of range)")
        # what is too long for its row is told whole all the same, and the sentence stays
        told = (
            "Room pressure, temperature and humidity were entered on 2026-01-15, which is too old: the pull is marked."
        )
        await its.show(LiveEvent(number=4, kind="mark", t_us=0, sentence=told), frame(1.6))
        await its.sees("! Room pressure")
        assert told in " ".join(row.strip() for row in its.rows()[:2])
        await its.sees("Scan the next head's label")
        told = "lift on COM3: the port is open; see /var/log"
        await its.show(LiveEvent(number=2, kind="notice", t_us=0, sentence=told), frame(2.0))
        assert told in its.rows()[0]


async def test_all_steps_of_an_ended_pull_are_seen_at_once() -> None:
    for size in ((80, 24), (100, 30)):
        async with stand(size, frame(pull=ended_view(), situation="ended", sentence="Pull complete.")) as its:
            assert all(f" {step}   0.{step}00 " in its.text() for step in range(1, 9))


async def test_the_cautions_stand_on_the_first_screen_once() -> None:
    async with stand(last=None) as its:
        # and beneath them what is to be known of this bench: here, whose hand turns the valve
        its.app.hint = BY_ITSELF
        its.app.tick()
        await its.sees(f"· {BY_ITSELF}")
        assert "hearing and eye protection" in its.text()
        assert "local codes" in its.text()
        await its.press("n")
        await its.sees("The head")
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen))
        its.app.tick()
        await its.until(lambda: "hearing" not in its.text(), "the cautions to be gone")


async def test_a_scanned_label_during_a_pull_does_nothing() -> None:
    async with stand(first=HOLD) as its:
        await its.scan("sbx1")
        await its.sees("Scanned 'sbx1' during a pull")
        assert its.bench.acts == []


async def test_the_instruments_page_tells_source_age_and_discarded_lines() -> None:
    async with stand(first=HOLD) as its:
        await its.press("i")
        await its.sees("● manometer", "2 discarded", "serial:///dev/ttyUSB0", "test pressure", "28.04 inH2O")
        await its.press("escape")
        await its.until(lambda: isinstance(its.app.screen, BenchScreen))


async def test_closing_the_dashboard_needs_one_key_and_sends_nothing() -> None:
    async with stand(first=HOLD) as its:
        await its.press("ctrl+q")
        assert its.app.return_code == 0
        assert its.bench.acts == []


async def test_the_work_of_a_frame_does_not_grow_with_the_session() -> None:
    async with stand(first=HOLD) as its:
        frames = [frame(t / 10, pull=pull_view(2), wants=WANTS) for t in range(3000)]
        for its_frame in frames:
            its.app.hear(its_frame)
        assert len(its.app.seen.pressure.samples) <= 301


async def test_only_what_changed_is_painted_again() -> None:
    async with stand(first=HOLD) as its:
        lift, steps = its.app.screen.query_one("#lift", ReadOutPanel), its.app.screen.query_one("#steps")
        before = (lift.paints, steps.paints)  # type: ignore[attr-defined]
        flow = its.app.screen.query_one("#flow", ReadOutPanel)
        flow_before = flow.paints
        await its.show(frame(0.5, pull=pull_view(2), wants=WANTS, flow_cfm=180.0))
        assert (lift.paints, steps.paints) == before  # type: ignore[attr-defined]
        assert flow.paints > flow_before


async def test_a_faster_stream_does_not_draw_faster() -> None:
    async with stand(first=HOLD) as its:
        flow = its.app.screen.query_one("#flow", ReadOutPanel)
        before = flow.paints
        for n in range(200):
            its.app.hear(frame(n / 100, pull=pull_view(2), flow_cfm=100.0 + n))
        await its.sees("FLOW")
        assert flow.paints - before <= 3
