"""The record when the archive cannot be written: nothing acknowledged too early, nothing out of turn."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acquire.clock import ManualClock
from acquire.daemon.recorder import Recorder
from acquire.pull.outputs import Moved, Taken
from acquire.records import Action
from acquire.store.archive import Archive
from acquire.store.errors import ArchiveError, RefusedRecordError
from acquire.store.reader import ArchiveReader, TimedAction
from acquire.store.stream import Lost
from acquire.values import Mark
from drivers.sample import Sample
from tests.store.examples import POINT, begin


class FailingArchive:
    """Writes into a list, or not at all while ``broken``."""

    def __init__(self) -> None:
        self.broken = False
        self.kept: list[tuple[str, Any]] = []

    def _keep(self, what: str, detail: Any) -> None:
        if self.broken:
            raise ArchiveError("no space is left on the disk of archive.db: free some, nothing is lost until then")
        self.kept.append((what, detail))

    def add_samples(self, _session_id: int, samples: list[Sample]) -> None:
        self._keep("samples", [s.t_us for s in samples])

    def add_action(self, _session_id: int, after_sample: int, _t_us: int, action: Action) -> None:
        self._keep("action", (after_sample, action.kind))

    def commit_point(self, _pull_id: int, _session_id: int, point: Any, pending: list[Sample]) -> None:
        if point == "no number":
            raise RefusedRecordError("the point of step 1 is nan, not a number")
        if point == "our fault":
            raise KeyError("flow")
        self._keep("point", (point, [s.t_us for s in pending]))

    def add_lost(self, _session_id: int, after_sample: int, _t_us: int, count: int) -> None:
        self._keep("lost", (after_sample, count))

    def add_mark(self, _pull_id: int, mark: Mark) -> None:
        self._keep("mark", mark.sentence)

    def close_session(self, _session_id: int, _utc: str) -> None:
        self._keep("close", None)


def sample(t_us: int) -> Sample:
    return Sample("lift", t_us, 0.1, "sim://x")


def recorder() -> tuple[Recorder, FailingArchive, ManualClock]:
    archive, clock = FailingArchive(), ManualClock()
    return Recorder(archive, 1, 1, clock), archive, clock  # type: ignore[arg-type]


def test_a_point_is_acknowledged_only_once_it_is_durable() -> None:
    record, archive, clock = recorder()
    said: list[str] = []
    record.samples([sample(1), sample(2)])
    archive.broken = True
    record.output(Taken("the point"), lambda: said.append("taken"))  # type: ignore[arg-type]
    assert record.failure.startswith("no space is left")
    assert said == []
    archive.broken = False
    clock.advance(2)
    record.flush_if_due()
    assert said == ["taken"]
    assert archive.kept == [("point", ("the point", [1, 2]))]
    assert record.failure == ""


def test_what_waits_is_written_in_its_order() -> None:
    record, archive, clock = recorder()
    archive.broken = True
    record.samples([sample(1)])
    record.action(1, Action(kind="skip"))
    record.samples([sample(2_000_001)])
    record.flush_if_due()
    record.output(Moved("on"), lambda: None)
    archive.broken = False
    clock.advance(2)
    record.flush_if_due()
    assert archive.kept == [("action", (1, "skip")), ("samples", [1, 2_000_001])]


def test_samples_beyond_the_bound_are_counted_and_nothing_else_is_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    most = 1000
    monkeypatch.setattr("acquire.daemon.recorder.MOST_WAITING", most)
    record, archive, clock = recorder()
    archive.broken = True
    for second in range(6):
        record.samples([sample(second * 2_000_000 + i * 5000) for i in range(most // 4)])
        record.flush_if_due()
    record.action(9, Action(kind="pause"))
    assert record.lost == 2 * (most // 4)
    archive.broken = False
    clock.advance(2)
    record.flush_if_due()
    assert [what for what, _ in archive.kept] == ["samples"] * 4 + ["lost", "action"]
    assert archive.kept[4:] == [("lost", (most, most // 2)), ("action", (most, "pause"))]


def test_a_record_that_is_refused_for_good_is_set_aside_and_its_samples_are_kept() -> None:
    record, archive, _ = recorder()
    said: list[str] = []
    record.samples([sample(1), sample(2)])
    record.output(Taken("no number"), lambda: said.append("taken"))  # type: ignore[arg-type]
    record.action(3, Action(kind="skip"))
    assert said == []
    assert record.failure == ""
    assert record.refused == ["the point of step 1 is nan, not a number"]
    assert archive.kept == [
        ("samples", [1, 2]),
        ("mark", "A record of this pull was not kept: the point of step 1 is nan, not a number."),
        ("action", (2, "skip")),
    ]


def test_a_record_that_meets_a_fault_of_our_own_is_set_aside_and_the_record_goes_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    record, archive, _ = recorder()
    record.samples([sample(1)])
    record.output(Taken("our fault"), lambda: pytest.fail("acknowledged"))  # type: ignore[arg-type]
    record.samples([sample(2)])
    record.close()
    assert record.refused == ["steadydraw has a fault (KeyError('flow')), see the log"]
    assert [what for what, _ in archive.kept] == ["samples", "mark", "samples", "close"]
    assert archive.kept[2] == ("samples", [2])
    assert "KeyError" in caplog.text


def test_the_archive_refuses_a_point_that_is_no_number_once_and_the_session_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    bad = replace(POINT, flow=replace(POINT.flow, flow_m3_s=float("nan")))
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        record = Recorder(archive, pull_id, session_id, ManualClock())
        record.samples([sample(1)])
        record.output(Taken(bad), lambda: pytest.fail("acknowledged"))
        record.samples([sample(2)])
        record.output(Taken(POINT), lambda: None)
        record.output(Taken(POINT), lambda: pytest.fail("the same take twice"))
        record.close()
    with ArchiveReader(path) as reader:
        pull = reader.pull(pull_id)
        assert pull.points == (POINT,)
        assert [mark.kind for mark in pull.marks] == ["record", "record"]
        assert reader.session(session_id).samples == 2
        assert reader.session(session_id).ended_utc is not None


def test_what_was_done_after_lost_samples_stays_in_its_place_among_those_that_were_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("acquire.daemon.recorder.MOST_WAITING", 4)
    path, clock = tmp_path / "archive.db", ManualClock()
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        record = Recorder(archive, pull_id, session_id, clock)
        record.failure = "the disk is full"
        record._retry_us = 10_000_000
        for second in range(1, 4):  # of three blocks of two or three the last does not fit
            record.samples([sample(second * 10_000_000)])
            if second == 3:
                record.action(31_000_000, Action(kind="pause"))
            record.samples([sample(second * 10_000_000 + 1_500_000)])
            record.flush_if_due()
        record.action(32_000_000, Action(kind="go_on"))
        clock.advance(20)
        record.flush_if_due()
        record.samples([sample(40_000_000)])
        record.action(41_000_000, Action(kind="skip"))
        record.close()
        assert record.lost == 2
    with ArchiveReader(path) as reader:
        found = [
            ("samples", [s.t_us for s in its])
            if isinstance(its, list)
            else ("lost", its.samples)
            if isinstance(its, Lost)
            else its.action.kind
            for its in reader.stream(session_id)
            if isinstance(its, (list, Lost, TimedAction))
        ]
    assert found == [
        ("samples", [10_000_000, 11_500_000]),
        ("samples", [20_000_000, 21_500_000]),
        "pause",
        ("lost", 2),
        "go_on",
        ("samples", [40_000_000]),
        "skip",
    ]
