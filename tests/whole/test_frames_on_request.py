"""Samples wake nobody and come as one batch; a frame is made for who asks, fresh, and never waited for twice."""

import itertools
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.clock import SystemClock
from acquire.config import parse_config
from acquire.engine import _FRAME_WAIT_S, Engine
from acquire.inbox import Inbox
from drivers.sample import Sample
from tests.service.until import until
from tests.store.kept_pull import config_text


def sample(number: int, channel: str = "lift", t_us: int = 0) -> Sample:
    return Sample(channel, t_us, float(number), "sim://one")


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    its = Engine(parse_config(config_text(), "demo.toml"), config_text(), tmp_path / "archive.db", SystemClock())
    its.start()
    yield its
    its.stop()


def test_samples_gather_until_something_else_comes_after_them_and_keep_their_order() -> None:
    done: list[object] = []
    inbox = Inbox(lambda samples: done.append([its.value for its in samples]), lambda *lost: done.append(lost))
    inbox.put_samples([sample(1)])
    inbox.put_samples([sample(2), sample(3)])
    inbox.put(lambda: done.append("asked"))
    inbox.put_samples([sample(4)])
    inbox.put_samples([sample(5)])
    inbox.close()
    while (work := inbox.get()) is not None:
        work()
    assert done == [[1.0, 2.0, 3.0], "asked", [4.0, 5.0]]


def test_a_sample_that_has_come_is_in_the_next_frame_asked_for(engine: Engine) -> None:
    for number in range(20):
        due = time.monotonic() + 0.04  # later than the frame that was shared
        until(lambda due=due: time.monotonic() > due, "time stands still")  # type: ignore[misc]
        asked_us = engine._clock.t_us()
        engine._on_samples([sample(number, t_us=asked_us)])
        frame = engine.frame()
        if frame.t_us >= asked_us:  # (it may be late on a busy machine, and is then old)
            assert frame.readings["lift"].number == number
    until(lambda: engine._clock.t_us() - engine.frame().t_us < 100_000, "no frame was fresh")


def test_nearly_no_frames_are_made_for_nobody_and_a_busy_asker_shares_them(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []
    make = engine._make_frame

    def counted(now_us: int) -> None:
        made.append(now_us)
        make(now_us)

    monkeypatch.setattr(engine, "_make_frame", counted)
    until(lambda: len(made) == 4, "no frame is made without being asked for")
    assert made[3] - made[0] >= 3 * 250_000
    made.clear()
    asked, end = 0, time.monotonic() + 0.5
    while time.monotonic() < end:
        engine.frame()
        asked += 1
    assert asked > 100
    assert all(second - first >= 30_000 for first, second in itertools.pairwise(made[1:]))


def test_who_asks_a_busy_engine_waits_once_and_gets_the_frame_there_is(engine: Engine) -> None:
    over, busy = threading.Event(), threading.Event()

    def hang() -> None:
        busy.set()
        assert over.wait(20)

    until(lambda: engine.frame().t_us > 0, "there is no frame")
    engine._inbox.put(hang)
    assert busy.wait(20)
    until(lambda: engine._clock.t_us() - engine._frame_us > 30_000, "time stands still")
    old = engine.frame()
    begun = time.monotonic()
    again = [engine.frame() for _ in range(100)]
    took_s = time.monotonic() - begun
    over.set()
    assert took_s < 100 * _FRAME_WAIT_S / 4
    # the same moment all the time: a watchdog that is fed while it moves on is not fed
    assert {its.t_us for its in again} == {old.t_us}
    until(lambda: engine.frame().t_us > old.t_us, "it does not go on")
    until(lambda: engine._clock.t_us() - engine.frame().t_us < 100_000, "no frame was fresh")
