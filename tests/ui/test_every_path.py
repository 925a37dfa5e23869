"""Every situation of a pull answered by a key, and the paths around a pull that no other test walks, by keys alone."""

from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from acquire.records import Guide, Situation, Wants
from acquire.ui.look import TONES
from acquire.ui.screens.asking import PickScreen
from acquire.ui.screens.bench import BenchScreen
from acquire.ui.screens.mounts import MountsScreen
from acquire.ui.screens.pages import InstrumentsScreen
from acquire.ui.screens.run import RunScreen
from acquire.values import PullView
from tests.ui.fake import IN, TARGET_PA, ended_view, frame, pull_view, request
from tests.ui.helpers import Stand, stand

STEP = pull_view(2)
ZEROS = pull_view(None, 0, phase="zero_before")
ABORTED = pull_view(3, outcome="aborted", phase="ended")

# situation, pull, sentence, keys that answer it, what they do, what the key line says of them
ANSWERED: tuple[tuple[Situation, PullView, str, str, object, str], ...] = (
    ("archive_failed", STEP, "The record cannot be written: the disk is full.", "p", "pause", "p pause"),
    ("signal_lost", STEP, "Lift indicator silent for 2 s: check its cable.", "i", InstrumentsScreen, ""),
    ("close_valve", ZEROS, "Close the valve to read the zeros: lift reads 0.100 in.", "s", "skip", "s skip"),
    ("stop_blower", ZEROS, "Stop the blower to read the zeros.", "plus", "skip", "s skip"),
    ("hold_zero", ZEROS, "Hold: reading the zeros.", "s", "skip", "s skip"),
    ("wrong_range", STEP, "Meter pressure is too high for this range.", "m 2", ("range", "large"), "m range"),
    ("open_valve", STEP, "Open the valve to 0.300 in: 0.013 more.", "b", "back", "b back"),
    ("close_down", STEP, "Close the valve to 0.300 in: 0.013 back.", "minus", "back", "b back"),
    ("raise_pressure", STEP, "Raise the test pressure to 28.0 inH2O: 1.2 more.", "slash", "pause", "p pause"),
    ("lower_pressure", STEP, "Lower the test pressure to 28.0 inH2O: 1.2 less.", "s", "skip", "s skip"),
    ("hold_moving", STEP, "Hold: test pressure not yet still.", "enter", "take", "Enter take"),
    ("hold_settling", STEP, "Hold: averaging unsteady flow, about 4 s.", "space", "take", "Enter take"),
    ("stuck", STEP, "Not settling: flow too unsteady.", "pagedown", "take", "Enter take"),
    ("type_value", STEP, "Type the lift in inches, then Enter.", "0 full_stop 3 enter", "0.3", ""),
    ("taken", pull_view(3), "Taken. Next 0.400 in.", "r", "retake", "r again"),
    ("paused", pull_view(2, paused=True), "Paused: nothing is taken until you go on.", "p", "go_on", "p go on"),
    ("ended", ended_view(), "Pull complete. Zeros and test pressure held.", "k", PickScreen, "Enter next head"),
    ("aborted", ABORTED, "Pull aborted: what was taken is kept.", "k", PickScreen, "Enter next head"),
)  # fmt: skip


def said_in(text: str, sentence: str) -> bool:
    return sentence in " ".join(text.split())


async def test_every_situation_is_said_and_answered_by_its_key() -> None:
    assert {row[0] for row in ANSWERED} == set(get_args(Situation)) - {"no_pull"}
    async with stand(last=request()) as its:
        bench = its.bench
        for number, (situation, pull, sentence, keys, does, in_line) in enumerate(ANSWERED, 1):
            guide = Guide(situation=situation, sentence=sentence)
            if situation == "type_value":
                guide = guide.model_copy(update={"typed": "lift", "typed_unit": "in"})
            shown = frame(float(number), pull=pull, situation=situation, sentence=sentence)
            await its.show(shown.model_copy(update={"guide": guide}))
            assert said_in(its.text(), sentence), its.text()
            assert its.text().count(f" {TONES[situation][1]} ") >= 3, its.text()
            assert in_line in its.rows()[-1]
            bench.acts.clear()
            its.clock.push(1.1)  # a press so soon after another is taken for its echo
            await its.press(*keys.split())
            await its.until(lambda does=does: _done(its, does), f"{situation}: {keys}")  # type: ignore[misc]
            if not isinstance(its.app.screen, BenchScreen):
                await its.press("escape")
                await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        # and between pulls
        await its.show(frame(99.0))
        assert "Scan the next head's label" in its.text()
        await its.press("k")
        await its.until(lambda: isinstance(its.app.screen, PickScreen), "the checks")


def _done(its: Stand, does: object) -> bool:
    if isinstance(does, type):
        return isinstance(its.app.screen, does)
    if isinstance(does, tuple):
        return [(act.kind, act.meter_range) for act in its.bench.acts] == [does]
    return [act.kind for act in its.bench.acts] == [does] or its.bench.entered == [("lift", does)]


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The commands that would be run: what they say is tested where one really is."""
    asked: list[list[str]] = []

    async def noted(page: RunScreen) -> None:
        asked.append(page.words)

    monkeypatch.setattr(RunScreen, "_run", noted)
    return asked


async def check(its: Stand, *keys: str) -> None:
    """Into the checks and on from there, from the bench."""
    while not isinstance(its.app.screen, BenchScreen):
        await its.press("escape")
    await its.press("k")
    await its.sees("Check the bench")
    await its.press(*keys)


async def test_each_check_that_is_a_command_runs_it_on_this_bench(told: list[list[str]], kept_archive: Path) -> None:
    database = ["--db", str(kept_archive)]
    async with stand(archive=kept_archive) as its:
        for key, words in (
            ("1", ["ready", "--bench", "bench one"]),
            ("2", ["ready", "--bench", "bench one", "--plate"]),
            ("7", ["steady", "--all", *database]),
            ("8", ["ready", "--list", *database]),
        ):
            told.clear()
            await check(its, key)
            await its.until(lambda words=words: told == [words], f"check {key}")  # type: ignore[misc]


async def test_a_reference_plate_is_run_by_its_name_and_one_key(kept_archive: Path) -> None:
    async with stand(archive=kept_archive, last=request()) as its:
        await check(its, "5")
        await its.sees("Plate identifier")
        await its.scan("plate 1")
        await its.press("f2")
        await its.until(lambda: len(its.bench.begun) == 1, "the run")
        (asked,) = its.bench.begun
        assert (asked.kind, asked.subject.identifier, asked.lifts_m) == ("plate", "plate 1", ())
        assert asked.test_pressures_pa


async def test_a_repeatability_study_is_made_from_a_head_and_its_mounts_by_keys(
    told: list[list[str]], kept_archive: Path
) -> None:
    async with stand(archive=kept_archive) as its:
        row = next(row for row in its.bench.pulls() if row.kind == "lift")
        rows = [replace(row, id=number) for number in (15, 14, 12, 11)] + [replace(row, id=9, outcome="aborted")]
        its.bench.pulls = lambda: rows  # type: ignore[method-assign]
        await check(its, "6")
        await its.sees("From which head's pulls?", "4 pulls")
        await its.press("enter")
        await its.until(lambda: isinstance(its.app.screen, MountsScreen), "the mounts")
        # the head was taken off once, after the second of four pulls
        await its.press("down", "space", "down", "down", "space", "enter")
        await its.until(lambda: told == [["repeat", "11,12", "14,15", "--db", str(kept_archive)]], "the study")
        # one that is refused leads back to the mounts, one that is done to the bench
        for code, leads_to in ((2, MountsScreen), (0, BenchScreen)):
            await its.until(lambda: isinstance(its.app.screen, RunScreen), "the study's page")
            page = its.app.screen
            assert isinstance(page, RunScreen)
            page.code = code
            await its.press("escape")
            await its.until(lambda leads_to=leads_to: isinstance(its.app.screen, leads_to), "the way back")  # type: ignore[misc]
            await its.press("enter" if code else "f6")


async def test_in_a_pull_the_traces_take_the_whole_screen_and_give_it_back() -> None:
    wants = Wants(lift_m=0.3 * IN, test_pressure_pa=TARGET_PA)
    async with stand(first=frame(pull=STEP, wants=wants)) as its:
        await its.press("t")
        await its.show(*[frame(t / 10, pull=STEP, wants=wants, flow_cfm=176 + t / 100) for t in range(200)])
        rows = its.rows()
        drawn = rows[next(i for i, row in enumerate(rows) if row.startswith("Flow cfm, last 30 s")) + 1 : -1]
        assert any("\u2801" <= sign <= "\u28ff" for row in drawn for sign in row)
        assert "176.3 ±0.5" not in its.text()
        # next to no pressure states a flow from nothing: that is no trace
        await its.show(frame(30.0, pull=STEP, wants=wants, pressure_inh2o=0.01, flow_cfm=4000.0))
        assert its.app.seen.flow.samples[-1][1] is None
        await its.press("t")
        await its.sees("121.7 ±0.5", "LIFT in")
        await its.press("t")
        await its.show(frame(99.0, pull=ended_view(), situation="ended", sentence="Pull complete."))
        await its.sees("COMPLETE", "265.8 ±0.5")


async def test_whatever_was_opened_is_left_by_escape_and_nothing_is_done() -> None:
    async with stand(first=frame(pull=STEP)) as its:
        for key, seen in (("m", "Which meter range"), ("x", "Abort this pull?"), ("i", "Instruments"), ("f1", "Keys")):
            await its.press(key)
            await its.sees(seen)
            await its.press("escape")
            await its.until(lambda: isinstance(its.app.screen, BenchScreen), "the bench")
        assert its.bench.acts == []
