"""Looking back from the dashboard: a recorded session of a real archive plays on the screen at the bench, by keys."""

from pathlib import Path
from typing import ClassVar

from acquire.sessions.playback import Playback
from acquire.sessions.recorded import RecordedBench
from acquire.ui.app import Dashboard
from tests.ui.fake import frame, pull_view
from tests.ui.helpers import Stand, stand


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

    def __init__(self, archive: Path) -> None:
        self.archive = archive
        self.recorded: RecordedBench

    def __call__(self, session_id: int) -> RecordedBench:
        self.recorded = Known(self.archive, session_id, speed=30.0)
        return self.recorded

    @property
    def playback(self) -> Playback:
        return self.recorded.playback


async def look_back(its: Stand, archive: Path) -> Opened:
    """Into the replay of pull 2 by keys."""
    opened = Opened(archive)
    its.app.open_session = opened
    its.bench.archive = archive
    await its.press("v")
    await its.sees("Look at which pull again?")
    await its.press("3")
    await its.sees("REPLAY pull 2")
    return opened


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
            assert size[0] < 80 or "Up faster" in its.rows()[-1]
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
