"""The record when the archive cannot be written: nothing acknowledged too early, nothing out of turn."""

from typing import Any

from acquire.clock import ManualClock
from acquire.outputs import Moved, Taken
from acquire.recorder import MOST_WAITING, Recorder
from acquire.records import Action
from acquire.store.errors import ArchiveError
from drivers.sample import Sample


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
        self._keep("point", (point, [s.t_us for s in pending]))

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


def test_samples_beyond_the_bound_are_counted_and_nothing_else_is_lost() -> None:
    record, archive, clock = recorder()
    archive.broken = True
    for second in range(6):
        record.samples([sample(second * 2_000_000 + i * 5) for i in range(MOST_WAITING // 4)])
        record.flush_if_due()
    record.action(9, Action(kind="pause"))
    assert record.lost == 2 * (MOST_WAITING // 4)
    archive.broken = False
    clock.advance(2)
    record.flush_if_due()
    assert [what for what, _ in archive.kept] == ["samples"] * 4 + ["action"]
