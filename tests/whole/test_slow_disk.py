"""A disk that does not answer: the screen says so, samples wait in memory, and what does not fit is counted."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire.clock import ManualClock
from acquire.config import parse_config
from acquire.daemon import engine as engines
from acquire.daemon import inbox
from acquire.daemon.engine import Engine
from acquire.records import Action, LiveEvent, Refused
from acquire.store.reader import ArchiveReader
from acquire.store.stream import Lost
from drivers.sample import Sample
from tests.store.disk import Did, Disk, can_watch, watched
from tests.store.kept_pull import config_text, kept_pull

pytestmark = pytest.mark.skipif(not can_watch(), reason="SQLite is no library of its own in this Python")


def until(what: Callable[[], bool], why: str) -> None:
    deadline = time.monotonic() + 10
    while not what():
        assert time.monotonic() < deadline, why
        time.sleep(0.002)


@contextmanager
def hanging(disk: Disk) -> Iterator[threading.Event]:
    """Every sync waits from now on, until the end; the event is set once one does."""
    waits, over = threading.Event(), threading.Event()

    def trouble(did: Did) -> int:
        if did.what == "sync":
            waits.set()
            assert over.wait(10)
        return 0

    disk.trouble = trouble
    try:
        yield waits
    finally:
        over.set()


def batch(second: float) -> list[Sample]:
    return [Sample("test_pressure", round(1e6 * second) + i, 0.001, "sim://front_end") for i in range(10)]


def test_a_disk_that_hangs_is_said_and_what_memory_cannot_hold_is_counted_in_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "MOST_WAITING", 100)
    clock, told = ManualClock(), list[LiveEvent]()
    path = tmp_path / "archive.db"
    with watched(tmp_path) as disk:
        engine = Engine(parse_config(config_text(), "demo.toml"), config_text(), path, clock)
        engine.subscribe(told.append)
        engine.start()
        try:
            # that the ports are not there is said before, and not into the record
            until(lambda: sum(event.kind == "notice" for event in told) == 3, "the ports are not said to be missing")
            pull_id = engine.begin(kept_pull().request)
            with hanging(disk) as waits:
                engine._on_samples(batch(0))
                engine._on_samples(batch(1.5))  # more than a second: a block is due
                assert waits.wait(10)
                assert engine.frame().guide.situation != "archive_failed"
                clock.advance(7)
                assert "disk has not answered for 7 s" in engine.frame().guide.sentence
                monkeypatch.setattr(engines, "_ANSWER_S", 0.05)
                with pytest.raises(Refused, match="disk has not answered yet"):
                    engine.act(Action(kind="pause"))
                for second in range(2, 14):
                    engine._on_samples(batch(second))
            monkeypatch.setattr(engines, "_ANSWER_S", 10.0)
            engine.act(Action(kind="go_on"))  # answered in its turn, when all before it is done
            until(lambda: engine.frame().guide.situation != "archive_failed", "the frame stays old")
            engine._on_samples(batch(20))
            until(lambda: any("20 samples were dropped" in event.sentence for event in told), "the loss is not said")
        finally:
            engine.stop()
    with ArchiveReader(path) as reader:
        reader.check()
        (session,) = reader.pull(pull_id).sessions
        records = list(reader.stream(session.id))
    came = [
        record if isinstance(record, Lost) else record[0].t_us for record in records if isinstance(record, (Lost, list))
    ]
    assert Lost(12_000_000, 20) in came
    times = [record[0].t_us for record in records if isinstance(record, list)]
    assert times == sorted(times)
    assert came[-1] == 20_000_000
    assert sum(len(record) for record in records if isinstance(record, list)) == 130


def test_more_work_than_can_be_done_at_once_does_not_keep_the_record_waiting(tmp_path: Path) -> None:
    clock = ManualClock()
    path = tmp_path / "archive.db"
    engine = Engine(parse_config(config_text(), "demo.toml"), config_text(), path, clock)
    frames: list[int] = []

    def endless(left: int) -> None:
        """Work that is never done: there is always more of it in the queue."""
        clock.advance(0.1)
        frames.append(engine._frame.t_us)
        if left:
            engine._inbox.put(lambda: endless(left - 1))

    engine.start()
    try:
        engine._inbox.put(lambda: endless(50))
        until(lambda: len(frames) == 51, "the work stopped")
    finally:
        engine.stop()
    assert len(set(frames)) >= 10
