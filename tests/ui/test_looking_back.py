"""Looking back from the dashboard: a recorded session of a real archive plays on the screen at the bench, by keys."""

import re
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest

from acquire.config import Display
from acquire.daemon.guide import Guidance
from acquire.pull.batch import Batch
from acquire.pull.core import PullCore
from acquire.pull.outputs import Taken
from acquire.records import Frame, LiveEvent
from acquire.sessions.happenings import Happenings
from acquire.sessions.playback import Playback
from acquire.sessions.recorded import RecordedBench
from acquire.sessions.replay import Moment
from acquire.store.reader import ArchiveReader
from acquire.ui.app import Dashboard
from acquire.ui.watch import SPAN_S
from tests.ui.fake import FLOWS_CFM, frame, point, pull_view, request
from tests.ui.helpers import Stand, stand
from tests.whole.virtual import demo_config


class Known(RecordedBench):
    """A recorded session that was looked through before, once for all tests."""

    seen: ClassVar[dict[int, Playback]] = {}

    def look_through(self) -> None:
        its = self.seen.get(self._session.id)
        if its is None:
            super().look_through()
            self.seen[self._session.id] = self.playback
        else:
            self.playback.start_us, self.playback.end_us = its.start_us, its.end_us
            self.playback.happenings = its.happenings


class Opened:
    """What the dashboard opens, kept so that a test can look at its controls."""

    def __init__(self, archive: Path, speed: float = 30.0) -> None:
        self.archive, self.speed = archive, speed
        self.recorded: RecordedBench

    def __call__(self, session_id: int) -> RecordedBench:
        self.recorded = Known(self.archive, session_id, self.speed)
        return self.recorded

    @property
    def playback(self) -> Playback:
        return self.recorded.playback


async def look_back(its: Stand, archive: Path, pull: int = 2, speed: float = 30.0) -> Opened:
    """Into the replay of one of the four pulls by keys; the newest is the first in the list."""
    opened = Opened(archive, speed)
    its.app.open_session = opened
    its.bench.archive = archive
    await its.press("v")
    await its.sees("Look at which pull again?")
    await its.press(str(5 - pull))
    await its.sees(f"REPLAY pull {pull}")
    return opened


@pytest.fixture(scope="module")
def fumbled(kept_archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive with a pull 4 whose operator went back before the first step, took it too soon and left one out."""
    path = tmp_path_factory.mktemp("fumbled") / "archive.db"
    shutil.copy(kept_archive, path)
    with ArchiveReader(path) as reader:
        t_us = [t for its in reader.batches(4, whole_blocks=True) if isinstance(its, Batch) for t in its.t_us.tolist()]
    with closing(sqlite3.connect(path)) as archive, archive:
        for number, (at_s, kind) in enumerate(((15, "back"), (24, "take"), (49, "skip")), 1):
            at_us = t_us[0] + at_s * 1_000_000
            before = sum(t <= at_us for t in t_us)
            archive.execute(
                "INSERT INTO actions (session_id, number, after_sample, t_us, kind, meter_range, done_by) "
                "VALUES (4, ?, ?, ?, ?, '', 'bench')",
                (number, before, at_us, kind),
            )
    return path


async def until_reached(its: Stand, opened: Opened) -> None:
    await its.until(lambda: opened.playback.goal_us is None and its.app.seen.frame is not None, "the moment")
    await its.until(lambda: _shown(its) >= opened.playback.now_us, "its frame")
    its.app.tick()


async def until_said(its: Stand, sentence: str) -> None:
    await its.until(lambda: its.app.seen.notice == sentence, "what happened there")


def _shown(its: Stand) -> int:
    return its.app.seen.frame.t_us if its.app.seen.frame is not None else 0


async def test_a_recorded_pull_plays_on_the_screen_at_the_bench_and_the_way_back_leads_to_the_bench(
    kept_archive: Path,
) -> None:
    async with stand((100, 30)) as its:
        opened = await look_back(its, kept_archive)
        assert its.app.recorded is opened.recorded
        await its.until(lambda: _shown(its) > opened.playback.start_us + 1_000_000, "it to play")
        await its.press("escape")
        await its.until(lambda: its.app.recorded is None, "the bench")
        await its.show(frame())
        await its.sees("Set up a new pull")


async def test_keys_and_the_list_go_to_what_happened_next_and_before_and_stop_there(kept_archive: Path) -> None:
    async with stand((100, 30)) as its:
        opened = await look_back(its, kept_archive)
        taken = [one.t_us for one in opened.playback.happenings]
        assert len(taken) == 8
        await its.press("enter")
        assert opened.playback.paused
        for key, which in (("right", 0), ("right", 1), ("right", 2), ("left", 1)):
            await its.press(key)
            await until_reached(its, opened)
            assert opened.playback.now_us == taken[which]
            await until_said(its, opened.playback.happenings[which].sentence)
        await its.sees("2 of 8 taken", "stopped")
        # the screens of the bench, and what they show is what was recorded
        await its.press("i")
        await its.sees("Readings as recorded: pull 2", "test pressure")
        # of how the instruments did nothing was kept
        assert "reconnects" not in its.text()
        await its.press("escape", "question_mark")
        await its.sees("At the bench, in a replay")
        await its.press("escape")
        for size in ((60, 20), (80, 24), (160, 50), (100, 30)):
            await its.pilot.resize_terminal(*size)
            await its.pilot.pause()
            assert its.app.screen.size == size
            its.app.tick()
            assert "▶  3" in its.text()
            assert "REPLAY pull 2" in its.text()
            assert "Esc leave" in its.rows()[-1]
            assert size[0] < 80 or "+ faster" in its.rows()[-1]
        # the list leads there as well
        await its.press("l")
        await its.sees("What happened", "Taken at 0.800 in")
        await its.press("8")
        await until_reached(its, opened)
        await its.sees("8 of 8 taken")


async def test_speed_is_changed_a_replay_can_begin_again_and_nothing_recorded_can_be_changed(
    kept_archive: Path,
) -> None:
    async with stand((100, 30)) as its:
        opened = await look_back(its, kept_archive)
        await its.press("up")
        await its.sees("100 times life")
        await its.press("down", "down")
        await its.sees("10 times life")
        await its.press("home")
        await its.until(lambda: _shown(its) < opened.playback.start_us + 60_000_000, "the start")
        # the keys of a pull change nothing that was recorded
        await its.press("s", "x", "m")
        assert its.bench.acts == []
        await its.scan("H-1")
        await its.sees("Scanned 'H-1' during a replay")


async def test_one_key_goes_from_one_rejected_thing_to_the_next_with_its_reason_and_its_trace(fumbled: Path) -> None:
    async with stand((100, 30)) as its:
        opened = await look_back(its, fumbled, pull=4, speed=1.0)
        reasons = (
            "There is no step",
            "not settled. Taken by hand before it had settled.",
            "Step 3 was left out.",
            "before it had settled: flow still",
        )
        for reason in reasons:
            await its.press("r")
            await until_reached(its, opened)
            await its.until(lambda reason=reason: reason in its.app.seen.notice, reason)  # type: ignore[misc]
            assert its.app.seen.notice_bad
            assert opened.playback.paused
            # the half minute before it is drawn, as far as the recording goes back, and not only the moment itself
            traced = [t_s for t_s, value in its.app.seen.pressure.samples if value is not None]
            recorded_s = (opened.playback.now_us - opened.playback.start_us) / 1e6
            assert traced[-1] - traced[0] == pytest.approx(min(SPAN_S, recorded_s), abs=2.0)
            assert len(traced) > 2 * (traced[-1] - traced[0])
        # over the whole screen the flow is drawn, too, and every key of the replay goes on doing what it does
        await its.press("t")
        await its.sees("Valve lift in, last 30 s", "Test pressure inH2O, last 30 s", "Flow cfm, last 30 s")
        flow = [value for _, value in its.app.seen.flow.samples if value is not None]
        assert 0.01 < min(flow) < max(flow) < 0.1
        assert "of 8 taken" not in its.text()
        await its.press("r")
        await its.sees("Nothing was rejected after this")
        await its.press("t")
        await its.sees("of 8 taken")
        await its.press("l")
        await its.sees("What happened")
        assert len(re.findall(r":\d\d ! ", its.text())) == len(reasons)
        await its.press("2")
        await until_reached(its, opened)
        await its.sees("Taken at 0.100 in", "1 of 8 taken", "by hand")


async def test_a_replay_is_stopped_and_goes_on_with_the_large_key_and_begins_anew_at_its_end(
    kept_archive: Path,
) -> None:
    async with stand() as its:
        opened = await look_back(its, kept_archive, pull=3)
        for key in ("enter", "space", "pagedown", "p"):
            await its.press(key)
            assert opened.playback.paused
            await its.press(key)
            assert not opened.playback.paused
        opened.playback.go_to(opened.playback.end_us + 1)
        await its.sees("at its end")
        await its.press("enter")
        await its.until(lambda: not opened.playback.ended and not opened.playback.paused, "it to begin anew")


async def test_of_a_pull_that_was_resumed_the_session_to_look_at_is_asked(kept_archive: Path) -> None:
    async with stand() as its:
        its.bench.archive = kept_archive
        opened = Opened(kept_archive)
        its.app.open_session = opened
        one = its.bench.pull(3)
        twice = replace(one, sessions=(replace(one.sessions[0], id=1), one.sessions[0]))
        its.bench.pull = lambda pull_id: twice  # type: ignore[method-assign]
        await its.press("v")
        await its.sees("Look at which pull again?")
        await its.press("2")
        await its.sees("The pull was recorded in several sessions. Which one?", "samples")
        await its.press("2")
        await its.sees("REPLAY pull 3, session 3")


async def test_on_its_way_to_a_distant_moment_a_replay_is_heard_of(kept_archive: Path) -> None:
    recorded = Known(kept_archive, 2)
    recorded.look_through()
    recorded.playback.go_to(recorded.playback.happenings[-1])
    goal_us, seen_us = recorded.playback.happenings[-1].t_us, []
    async for item in recorded.live():
        if isinstance(item, LiveEvent):
            break
        assert isinstance(item, Frame)
        seen_us.append(item.t_us)
    recorded.close()
    assert seen_us[-1] < goal_us
    # two minutes are run through; a screen misses its daemon after a second and a half
    assert sum(t_us < goal_us - 40_000_000 for t_us in seen_us) > 3


def test_a_pressure_that_did_not_hold_is_told_in_the_unit_of_the_bench() -> None:
    happenings = Happenings(Guidance(Display(), "conventional"))
    its = point(1, FLOWS_CFM[1])
    moved = replace(its.hold, held=False, reason="it rose by 249 Pa during the reading and left the band of 139 Pa")
    core = PullCore(demo_config(), request(meter_range="large"))
    happenings.see(Moment(5_000_000, None, [Taken(replace(its, hold=moved))]), core)
    (one,) = happenings.found
    assert one.kind == "not held"
    assert one.sentence.endswith("It rose by 1.0 inH2O during the reading and left the band of 0.6 inH2O.")


async def test_during_a_pull_there_is_no_looking_back() -> None:
    async with stand(first=frame(pull=pull_view(2))) as its:
        await its.press("v")
        assert "Look at which pull" not in its.text()


async def test_a_dashboard_on_a_recording_alone_closes_when_it_is_left(kept_archive: Path) -> None:
    recorded = RecordedBench(kept_archive, 2, speed=100.0)
    app = Dashboard(recorded)
    async with app.run_test(size=(100, 30)) as pilot:
        assert app.recorded is recorded
        await pilot.press("escape")
        await pilot.pause()
    assert app.return_code == 0
    recorded.close()
