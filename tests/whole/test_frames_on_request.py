"""Samples wake nobody and come as one batch; a frame is made for who asks, fresh, and never waited for twice."""

import gc
import itertools
import queue
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import pytest

from acquire.clock import SystemClock
from acquire.config import parse_config
from acquire.daemon import inbox as inboxes
from acquire.daemon.engine import _FRAME_WAIT_S, Engine
from acquire.daemon.inbox import Inbox
from acquire.garbage import spare_what_is_loaded
from acquire.records import Action, Frame, LiveEvent
from acquire.store.reader import ArchiveReader
from drivers.sample import Sample
from tests.drivers.far_end import TcpEnd
from tests.service.until import until
from tests.store.kept_pull import config_text, kept_pull


def sample(number: int, channel: str = "lift", t_us: int = 0) -> Sample:
    return Sample(channel, t_us, float(number), "sim://one")


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    its = Engine(parse_config(config_text(), "demo.toml"), config_text(), tmp_path / "archive.db", SystemClock())
    its.start()
    yield its
    its.stop()


def test_it_is_told_once_when_all_that_a_pull_needs_is_loaded(tmp_path: Path) -> None:
    told = threading.Event()
    config = parse_config(config_text(), "demo.toml")
    engine = Engine(config, config_text(), tmp_path / "archive.db", SystemClock(), loaded=told.set)
    engine.start()
    try:
        assert told.wait(60)
        assert "scipy.special" in sys.modules
    finally:
        engine.stop()


def test_what_is_loaded_is_looked_through_for_garbage_no_more() -> None:
    before = gc.get_freeze_count()
    gc.unfreeze()
    try:
        spare_what_is_loaded()
        assert gc.get_freeze_count() >= before
        assert len(gc.get_objects()) < 1000
    finally:
        gc.unfreeze()
        gc.freeze()


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


def test_samples_keep_their_order_and_the_place_of_those_that_were_lost_however_much_work_waits_among_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(inboxes, "MOST_WAITING", 3)
    done: list[object] = []
    inbox = Inbox(lambda samples: done.extend(its.value for its in samples), lambda *lost: done.append(lost))
    for number in (1, 2, 3, 4):
        inbox.put_samples([sample(number, t_us=number)])
        inbox.put(lambda number=number: done.append(f"work {number}"))  # type: ignore[misc]
    inbox.get()()  # type: ignore[misc]
    inbox.put_samples([sample(5, t_us=5)])
    inbox.close()
    while (work := inbox.get()) is not None:
        work()
    assert done == [1.0, "work 1", 2.0, "work 2", 3.0, "work 3", "work 4", (4, 1), 5.0]


def test_what_ports_have_received_is_used_before_the_work_that_comes_after_it() -> None:
    done: list[object] = []
    received = [sample(1), sample(2)]
    inbox = Inbox(
        lambda samples: done.append([its.value for its in samples]),
        lambda *lost: done.append(lost),
        lambda: inbox.put_samples([received.pop(0)]) if received else None,
    )
    inbox.put(lambda: done.append("asked"))
    for _ in range(3):
        inbox.get()()  # type: ignore[misc]
    assert done == [[1.0], "asked", [2.0]]
    with pytest.raises(queue.Empty):
        inbox.get()


def test_the_ports_of_a_bench_are_read_together_and_what_came_is_used_where_it_is_needed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    users: list[str] = []
    monkeypatch.setattr(Engine, "_on_samples", lambda self, samples: users.append(threading.current_thread().name))
    ends = TcpEnd(), TcpEnd()
    text = config_text()
    for end, name in zip(ends, ("front_end", "lift_indicator"), strict=True):
        end.plug()
        text = text.replace(f"/dev/{name}", end.port)
    engine = Engine(parse_config(text, "demo.toml"), text, tmp_path / "archive.db", SystemClock())
    engine.start()

    def spoken() -> bool:
        ends[0].send(b"P1 28.0134 P2 6.2213\r\n")
        ends[1].send(b"+0.3000 in\r\n")
        return len(users) > 20

    try:
        until(spoken, "they are read")
        assert [thread.name for thread in threading.enumerate()].count("ports") == 1
    finally:
        engine.stop()
        for end in ends:
            end.unplug()
    # by the ports' own thread only where nobody looks for long
    assert users.count("engine") > users.count("ports")


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


def test_a_frame_that_cannot_be_made_is_said_by_its_name_and_the_record_goes_on(
    engine: Engine, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pull_id = engine.begin(kept_pull().request)
    engine._on_samples([sample(1, t_us=1_000_000)])
    until(lambda: engine.frame().readings["lift"].number == 1, "the sample is not shown")

    def broken(*_: object) -> NoReturn:
        raise KeyError("no such sentence")

    with monkeypatch.context() as patch:
        patch.setattr(engine._frames, "frame", broken)
        until(lambda: "no such sentence" in engine.frame().guide.sentence, "the fault is not said")
        engine._on_samples([sample(2, t_us=2_000_000), sample(3, t_us=4_000_000)])
        first_us = engine.frame().t_us
        until(lambda: engine.frame().t_us > first_us, "the engine's thread has ended")
        frame = engine.frame()
        assert frame.guide.sentence == (
            "The screens stand still: steadydraw has a fault (KeyError('no such sentence')). "
            "Recording goes on; see the log."
        )
        assert (frame.pull_id, frame.readings["lift"].state) == (pull_id, "stale")
        # once, however many frames fail alike
        (logged,) = (its for its in caplog.records if its.exc_info is not None)
        assert "broken" in (logged.exc_text or "")
    until(lambda: engine.frame().readings["lift"].number == 3, "the screens do not go on")
    assert "fault" not in engine.frame().guide.sentence
    engine.act(Action(kind="abort"))
    with ArchiveReader(engine.archive_path) as reader:
        (session,) = reader.pull(pull_id).sessions
        kept = [its.value for part in reader.stream(session.id) if isinstance(part, list) for its in part]
    assert kept[-3:] == [1.0, 2.0, 3.0]


def test_an_engine_whose_very_first_frame_fails_starts_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    its = Engine(parse_config(config_text(), "demo.toml"), config_text(), tmp_path / "archive.db", SystemClock())
    monkeypatch.setattr(its._frames, "frame", lambda *_: dict[str, Frame]()["lift"])
    its.start()
    try:
        assert "fault (KeyError('lift'))" in its.frame().guide.sentence
    finally:
        its.stop()


def test_a_fault_while_the_record_is_looked_after_is_said_and_the_engine_goes_on(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine.begin(kept_pull().request)
    with monkeypatch.context() as patch:
        patch.setattr(engine, "_say_failure", lambda _: dict[str, None]()["said"])
        until(lambda: "fault (KeyError('said'))" in engine.frame().guide.sentence, "the fault is not said")
    engine.act(Action(kind="abort"))


def test_whatever_keeps_the_engine_from_starting_is_told_to_who_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: Engine) -> NoReturn:
        raise KeyError("a record that no version has written")

    monkeypatch.setattr(Engine, "_show_calibrated", broken)
    its = Engine(parse_config(config_text(), "demo.toml"), config_text(), tmp_path / "archive.db", SystemClock())
    with pytest.raises(KeyError, match="no version has written"):
        its.start()
    its.stop()


def test_a_listener_that_fails_keeps_nobody_from_hearing_and_the_engine_going(
    engine: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    def deaf(_: LiveEvent) -> NoReturn:
        raise RuntimeError("cannot hear")

    heard: list[str] = []
    engine.subscribe(deaf)
    engine.subscribe(lambda event: heard.append(event.sentence))
    engine.announce("another screen is in command")
    until(lambda: "another screen is in command" in heard, "the others hear nothing")
    # the work goes on, and knows of no fault of its own
    pull_id = engine.begin(kept_pull().request)
    until(lambda: engine.frame().pull_id == pull_id, "the engine's thread has ended")
    assert "fault" not in engine.frame().guide.sentence
    engine.act(Action(kind="abort"))
    assert {its.exc_text.splitlines()[-1] for its in caplog.records if its.exc_text} == {"RuntimeError: cannot hear"}
