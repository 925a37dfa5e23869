"""How the daemon and its bench are doing: more than that it is alive."""

import logging
import os
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from acquire.clock import Clock
from acquire.records import BenchSummary, Frame
from acquire.service.command import Command
from acquire.service.ports import EngineApi
from acquire.wire import ArchiveStatus, Health, InstrumentStatus, PullStatus, Status

Publishing = Callable[[], tuple[str, bool]]
"""A sentence about where points are published to, and whether that is well."""
LEAST_FREE_BYTES = 200_000_000
FRAME_LATE_US = 2_000_000


class LastError(logging.Handler):
    """Keeps the last error that was logged, with its time."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(logging.ERROR)
        self._clock = clock
        self.said = ""

    def emit(self, record: logging.LogRecord) -> None:
        """Keep its message, without the traceback."""
        first = record.getMessage().partition("\n")[0]
        self.said = f"{self._clock.utc().isoformat(timespec='seconds')} {first}"


class Reporter:
    """Makes the status; looks at the disk, so not in the loop's thread."""

    def __init__(
        self,
        engine: EngineApi,
        command: Command,
        clock: Clock,
        health: Health,
        since: datetime,
        publishing: Publishing | None = None,
    ) -> None:
        self._engine = engine
        self._command = command
        self._clock = clock
        self._health = health
        self._since_utc = since.isoformat(timespec="seconds")
        self._publishing = publishing
        self.errors = LastError(clock)

    def _late_us(self, frame: Frame) -> int:
        return self._clock.t_us() - frame.t_us

    def judged(self, health: Health) -> Health:
        """Who is there, and whether its engine moves on."""
        late = self._late_us(self._engine.frame()) > FRAME_LATE_US
        return health.model_copy(update={"status": "stalled"}) if late else health

    def status(self, live_clients: int) -> Status:
        """How it stands now. ``troubles`` is empty when all is well."""
        frame = self._command.show(self._engine.frame())
        archive = archive_status(self._engine.archive_path)
        late_us = self._late_us(frame)
        troubles = [f"The engine stands still since {late_us / 1e6:.0f} s."] if late_us > FRAME_LATE_US else []
        if frame.guide.situation == "archive_failed":
            troubles.append(frame.guide.sentence)
        elif not archive.writable:
            troubles.append(f"{archive.path} cannot be written: check its folder and who owns it.")
        if archive.free_bytes is not None and archive.free_bytes < LEAST_FREE_BYTES:
            troubles.append(f"Only {archive.free_bytes / 1e6:.0f} MB are free beside the archive: make room.")
        troubles += [its.sentence or f"{its.name} is {its.state}" for its in frame.instruments if its.state != "live"]
        publishing, published = self._publishing() if self._publishing is not None else ("", True)
        if not published:
            troubles.append(f"{publishing[:1].upper()}{publishing[1:]}.")
        return Status(
            **self._health.model_dump(exclude={"status"}),
            well=not troubles,
            troubles=tuple(troubles),
            since_utc=self._since_utc,
            pull=_pull(frame),
            guide=frame.guide.sentence,
            instruments=_instruments(frame, self._engine.bench()),
            archive=archive,
            commander=frame.commander,
            live_clients=live_clients,
            last_error=self.errors.said,
            publishing=publishing,
        )


def free_bytes(folder: Path) -> int:
    """How much room is left in a folder. Raises ``OSError``."""
    return shutil.disk_usage(folder).free


def archive_status(path: Path, usage: Callable[[Path], int] = free_bytes) -> ArchiveStatus:
    """Whether the archive can be written, and how much room is left beside it."""
    try:
        free: int | None = usage(path.parent)
    except OSError:
        free = None
    writable = os.access(path if path.exists() else path.parent, os.W_OK) and os.access(path.parent, os.W_OK)
    return ArchiveStatus(path=str(path), writable=writable, free_bytes=free)


def _pull(frame: Frame) -> PullStatus | None:
    pull = frame.pull
    if pull is None or frame.pull_id is None or pull.outcome is not None:
        return None
    return PullStatus(
        id=frame.pull_id,
        subject=frame.subject.identifier if frame.subject is not None else "",
        direction=pull.direction,
        phase=pull.phase,
        paused=pull.paused,
        step=pull.now + 1 if pull.now is not None else None,
        steps=len(pull.steps),
    )


def _instruments(frame: Frame, bench: BenchSummary) -> tuple[InstrumentStatus, ...]:
    ages: dict[str, float] = {}
    for channel, its in bench.channels.items():
        reading = frame.readings.get(channel)
        if reading is not None and reading.age_s is not None:
            ages[its.instrument] = min(reading.age_s, ages.get(its.instrument, reading.age_s))
    return tuple(
        InstrumentStatus(name=its.name, state=its.state, sentence=its.sentence, age_s=ages.get(its.name))
        for its in frame.instruments
    )
