"""What belongs around a pull, by keys: checks, leakage run, repeatability, evidence and flow sheet."""

import asyncio
from pathlib import Path

from acquire.records import Setup, Template
from acquire.ui.screens.form import FormScreen
from acquire.ui.screens.mounts import MountsScreen
from acquire.ui.screens.run import RunScreen
from acquire.ui.words import local_time
from tests.ui.fake import ended_view, frame, request
from tests.ui.helpers import Stand, stand

OTHER = Setup(bore_fixture_diameter_m=0.1, inlet_treatment="clay")


async def until_ended(its: Stand) -> RunScreen:
    await its.until(lambda: isinstance(its.app.screen, RunScreen), "the command's page")
    page = its.app.screen
    assert isinstance(page, RunScreen)
    while page.code is None:  # another process has to start: longer than a screen takes
        await asyncio.sleep(0.05)
    await its.pilot.pause()
    return page


async def test_the_checks_are_listed_with_when_they_were_run_last(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        newest = next(row for row in its.bench.pulls() if row.kind == "leakage" and row.direction == "intake")
        await its.press("k")
        last = f"last {local_time(newest.started_utc)[:10]}"
        await its.sees("Check the bench", "Leakage run, intake", last, "Reference plate", "never run")


async def test_readiness_runs_as_a_command_and_says_what_stops_it(kept_archive: Path, tmp_path: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        await its.press("k")
        await its.sees("Check the bench")
        await its.press("1")
        page = await until_ended(its)
        assert page.words == ["ready", "--bench", "bench one"]
        await its.sees("no daemon of bench bench one is running", "! It ended with exit code 2")
        await its.press("escape")
        await its.sees("Set up a new pull")


async def test_steadiness_over_all_pulls_is_read_from_the_bench_s_archive(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        await its.press("k")
        await its.sees("Check the bench")
        await its.press("7")
        page = await until_ended(its)
        assert page.words[-2:] == ["--db", str(kept_archive)]
        assert page.code == 0
        # read from its beginning, so that the verdict stands in the title too
        await its.sees("● It is not getting worse.")
        assert its.rows()[0].endswith("● It is not getting worse.")


async def test_a_first_leakage_run_comes_with_three_pressures_and_as_a_blank_plate() -> None:
    async with stand((80, 24), last=request()) as its:
        await its.press("k")
        await its.sees("Check the bench")
        await its.press("4")
        await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
        form = its.app.screen
        assert isinstance(form, FormScreen)
        assert form.values["kind"] == "leakage run, blank plate"
        assert form.values["direction"] == "exhaust"
        assert form.values["identifier"] == "blank plate"
        assert form.values["test_pressures_pa"] == "9.3 19 28 inH2O"
        assert form.values["model"] == ""
        # a head's range is too large for a leak: it is asked for, and the form stands there
        assert form.values["meter_range"] == ""
        await its.until(lambda: form.focused is not None and form.focused.id == "field-meter_range", "the range")
        await its.sees("The plate", "Plate identifier")
        # a template brings its set-up, and neither another kind of run nor the other way nor a head's range
        its.bench.kept = [
            Template(name="a", setup=OTHER, direction="intake", meter_range="small", lifts_m=request().lifts_m)
        ]
        range_before = form.values["meter_range"]
        await its.press("f3")
        await its.sees("Which template?")
        await its.press("1")
        await its.until(lambda: form.values["inlet_treatment"] == "clay", "the template")
        assert form.values["kind"] == "leakage run, blank plate"
        assert (form.values["direction"], form.values["meter_range"]) == ("exhaust", range_before)
        # a reference plate is run at the pressure that heads are tested at
        form.query_one("#field-kind").focus()
        form.values["test_pressures_pa"] = ""
        await its.press("right")
        assert form.values["kind"] == "reference plate"
        assert form.values["test_pressures_pa"] == "28 inH2O"


async def test_after_a_run_on_a_plate_the_same_keys_lead_on_to_plates_and_enter_to_a_head() -> None:
    ended = frame(pull=ended_view(kind="leakage"), situation="ended", sentence="Leakage run complete.")
    leakage = request(kind="leakage", lifts_m=(), schedule_name="", test_pressures_pa=(2000.0, 7000.0))
    async with stand((80, 24), last=leakage, first=ended) as its:
        await its.sees("Enter next head   a this run again   o this run, exhaust", "Take the blank plate off")
        assert "flow sheet" not in its.text()
        its.app.last_request = request()
        for key, kind, direction in (
            ("o", "leakage run, blank plate", "exhaust"),
            ("a", "leakage run, blank plate", "intake"),
            ("enter", "lift pull", "intake"),
        ):
            await its.press(key)
            await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
            form = its.app.screen
            assert isinstance(form, FormScreen)
            assert (form.values["kind"], form.values["direction"]) == (kind, direction)
            await its.press("escape")
            await its.until(lambda: not isinstance(its.app.screen, FormScreen), "the bench")


async def test_a_leakage_run_is_made_as_the_last_one_was_and_the_next_head_is_not(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive, last=request()) as its:
        await its.press("k")
        await its.sees("Check the bench")
        await its.press("3")
        await its.until(lambda: isinstance(its.app.screen, FormScreen), "the form")
        form = its.app.screen
        assert isinstance(form, FormScreen)
        assert form.values["kind"] == "leakage run, blank plate"
        assert form.values["test_pressures_pa"].startswith("28 14 7")
        await its.press("escape")
        assert its.app.last_request is not None
        assert its.app.last_request.kind == "lift"


async def test_mounts_are_told_apart_by_keys_and_studied(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        rows = its.bench.pulls()
        studied: list[list[str]] = []
        its.app.push_screen(MountsScreen([rows[0], rows[1], rows[2], rows[3]], studied.append))
        await its.sees("mount 1", "mount 4")
        screen = its.app.screen
        assert isinstance(screen, MountsScreen)
        # a pull a mount is no study, and is not made one
        await its.press("enter")
        await its.sees("! Two pulls must share a mount")
        await its.press("down", "space", "down", "down", "space", "up", "delete")
        assert screen.mounts() == ["4,3", "1"]
        await its.sees("2 mounts, 3 pulls")
        await its.sees("left out")
        # a study that is refused does not take the mounts away
        await its.press("enter")
        assert studied == [["4,3", "1"]]
        assert isinstance(its.app.screen, MountsScreen)
        await its.press("up", "up", "delete")
        assert screen.mounts() == ["3", "1"]
        # two pulls are no study however they are put: it must not send from Space to Space
        await its.sees("! 3 pulls or more are needed: Del takes one in again")
        await its.press("enter")
        assert len(studied) == 1


async def test_one_head_pulled_once_is_not_enough_for_a_study(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        await its.press("k")
        await its.sees("Check the bench")
        await its.press("6")
        await its.sees("A study needs 3 pulls of one head in one direction (", "pull it twice, take it off")


async def test_at_the_verdict_one_key_writes_the_flow_sheet_and_another_shows_how_it_held(kept_archive: Path) -> None:
    ended = frame(pull=ended_view(()), situation="ended", sentence="Pull complete.")
    ended = ended.model_copy(update={"pull_id": 2})
    async with stand((80, 24), first=ended, archive=kept_archive, last=request()) as its:
        await its.press("h")
        page = await until_ended(its)
        assert page.words[:2] == ["steady", "2"]
        await its.sees("● The test pressure held.")
        assert its.rows()[0].endswith("● The test pressure held.")
        assert all(len(line) <= 80 for line in page.lines)
        await its.press("escape", "f")
        page = await until_ended(its)
        assert page.words[:3] == ["sheet", "2", "4"]
        await its.sees("● The flow sheet is written")
        (sheet,) = (kept_archive.parent / "sheets").iterdir()
        assert sheet.name.startswith("Hollin_4V-117_")
        assert sheet.read_bytes().startswith(b"%PDF")


async def test_leaving_the_page_stops_its_command(kept_archive: Path) -> None:
    async with stand((80, 24), archive=kept_archive) as its:
        page = RunScreen("Slow", ["replay", "2", "--speed", "0.01", "--db", str(kept_archive)], {})
        its.app.push_screen(page)
        await its.until(lambda: page._process is not None, "the process")
        process = page._process
        assert process is not None
        # a long wait is told from one that hangs
        its.clock.push(40)
        await its.sees("... at work for 4")
        await its.press("escape")
        await asyncio.wait_for(process.wait(), 20)
        assert process.returncode != 0
