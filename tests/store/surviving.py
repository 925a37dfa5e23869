"""What must be true of an archive after a kill or a power cut, whatever the moment."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire import __version__
from acquire.clock import ManualClock
from acquire.daemon.recorder import Recorder
from acquire.pull.outputs import Ended, Output, Taken, ZerosRead
from acquire.pull.resuming import STATE, resumed_state
from acquire.records import Action
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader, TimedAction
from drivers.sample import Sample
from tests.store.disk import Did, Disk, cut_off, killed, watched
from tests.store.examples import UTC, point, second
from tests.store.kept_pull import KeptPull


@dataclass(frozen=True, slots=True)
class Said:
    """Something that was acknowledged, and how many samples and actions had come in by then."""

    output: Output
    samples: int
    actions: int


@dataclass(frozen=True, slots=True)
class Began:
    """The daemon answered that the pull is begun."""

    pull_id: int
    session_id: int


@dataclass(frozen=True, slots=True)
class Recorded:
    """A pull that was kept on a watched disk: all that came in, and all that was done to the disk."""

    samples: list[Sample]
    actions: list[Action]
    done: list[Did]


class _Counting(Recorder):
    """The shipped recorder; what it is given is also written down here."""

    def __init__(self, archive: Archive, pull_id: int, session_id: int) -> None:
        super().__init__(archive, pull_id, session_id, ManualClock())
        self.came: list[Sample] = []
        self.acted: list[Action] = []

    def samples(self, batch: Sequence[Sample]) -> None:
        self.came += batch
        super().samples(batch)

    def action(self, t_us: int, action: Action) -> None:
        self.acted.append(action)
        super().action(t_us, action)


def record(pull: KeptPull, folder: Path, checkpoint_pages: int = 40, synchronous: str = "") -> Recorded:
    """Keep a pull on a watched disk, with checkpoints as often as a long pull has them."""
    with watched(folder) as disk, Archive.open(folder / "archive.db") as archive:
        archive._sql.execute(f"PRAGMA wal_autocheckpoint = {checkpoint_pages}")
        if synchronous:
            archive._sql.execute(f"PRAGMA synchronous = {synchronous}")
        pull_id, session_id = pull.begin(archive)
        disk.note(Began(pull_id, session_id))
        recorder = _Counting(archive, pull_id, session_id)
        clock = recorder._clock
        assert isinstance(clock, ManualClock)
        for step in pull.steps:
            step(recorder, clock, lambda output: _note(disk, recorder, output))
        recorder.close()
    return Recorded(recorder.came, recorder.acted, disk.done)


def _note(disk: Disk, recorder: _Counting, output: Output) -> None:
    disk.note(Said(output, len(recorder.came), len(recorder.acted)))


def put(files: dict[str, bytes], folder: Path) -> Path:
    """The files as they were left, and nothing else; where the archive is."""
    for old in folder.iterdir():
        old.unlink()
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return folder / "archive.db"


def moment(recorded: Recorded, rng: random.Random) -> tuple[int, dict[str, bytes]]:
    """A moment of the recording, and the files as a power cut left them then."""
    end = rng.randrange(len(recorded.done) + 1)
    return end, cut_off(recorded.done[:end], rng)


def at_kill(recorded: Recorded, end: int) -> dict[str, bytes]:
    """The files of a process killed after so many steps."""
    return killed(recorded.done[:end])


def check(recorded: Recorded, end: int, path: Path, go_on: bool = True) -> None:
    """Open what is left with the shipped code: all that was acknowledged is there, and the pull can go on."""
    said = [did.said for did in recorded.done[:end] if did.what == "said"]
    with Archive.open(path) as archive, ArchiveReader(path) as reader:
        reader.check()
        if not said:
            return
        began, *rest = said
        assert isinstance(began, Began)
        pull = reader.pull(began.pull_id)
        outputs = [its for its in rest if isinstance(its, Said)]
        points = [its.output.point for its in outputs if isinstance(its.output, Taken)]
        # one more may have been kept and not yet acknowledged
        assert list(pull.points[: len(points)]) == points
        assert len(pull.points) <= len(points) + 1
        if any(isinstance(its.output, ZerosRead) and its.output.which == "before" for its in outputs):
            assert pull.zeros_before is not None
        _check_stream(recorded, reader, began.session_id, outputs)
        ended = any(isinstance(its.output, Ended) for its in outputs)
        if ended:
            assert pull.outcome == "complete"
        if go_on and pull.outcome is None:
            assert [row.id for row in reader.open_pulls()] == [began.pull_id]
            _go_on(archive, reader, began.pull_id)


def _check_stream(recorded: Recorded, reader: ArchiveReader, session_id: int, outputs: list[Said]) -> None:
    came: list[Sample] = []
    acted: list[Action] = []
    for record in reader.stream(session_id):
        if isinstance(record, list):
            came += record
        elif isinstance(record, TimedAction):
            acted.append(record.action)
    assert came == recorded.samples[: len(came)]
    assert acted == recorded.actions[: len(acted)]
    # a point, zeros and the end are kept with every sample before them
    whole = [its for its in outputs if isinstance(its.output, (Taken, ZerosRead, Ended))]
    if whole:
        assert len(came) >= whole[-1].samples
        assert len(acted) >= whole[-1].actions


def _go_on(archive: Archive, reader: ArchiveReader, pull_id: int) -> None:
    pull = reader.pull(pull_id)
    state = resumed_state(pull)
    assert state.points == pull.points
    session_id = archive.open_session(
        pull_id, UTC, __version__, reader.session(1).config_text, STATE.dump_json(state).decode()
    )
    archive.commit_point(pull_id, session_id, point(90), second())
    again = reader.pull(pull_id)
    assert again.points[:-1] == pull.points
    assert again.points[-1] == point(90)
    reader.check()
