"""A recorded session behind the same face as a running bench, to be watched."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import NoReturn

from acquire import __version__
from acquire.basis import Basis
from acquire.clock import Clock, SystemClock
from acquire.config import BenchConfig, parse_config
from acquire.frames import FrameMaker, InstrumentStatus
from acquire.live import Lost
from acquire.outputs import Taken
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    Frame,
    LiveEvent,
    PullRequest,
    PullRow,
    Refused,
    Subject,
    Template,
)
from acquire.replay import core_for, play
from acquire.store.reader import ArchiveReader
from acquire.values import Point
from drivers.base import Counts, Instrument
from drivers.sample import Sample

_READ_ONLY = "This is a replay of what was recorded: nothing can be changed."


@dataclass(frozen=True, slots=True)
class _RecordedInstrument:
    """An instrument of the past: always there, nothing discarded."""

    instrument: Instrument
    state: InstrumentStatus = "live"
    sentence: str = ""
    counts: Counts = field(default_factory=Counts)


class RecordedBench:
    """What a dashboard needs, played from the archive at ``speed`` times life."""

    def __init__(
        self,
        reader: ArchiveReader,
        session_id: int,
        speed: float,
        config: BenchConfig | None = None,
        basis: Basis | None = None,
    ) -> None:
        self._reader = reader
        self._session = reader.session(session_id)
        self._pull = reader.pull(self._session.pull_id)
        self._other, self._basis = config, basis
        self._config = config or parse_config(self._session.config_text, f"session {session_id}")
        self._speed = speed

    def bench(self) -> BenchSummary:
        """The bench as it was."""
        return BenchSummary.of(self._config, __version__, self._pull.simulated)

    def begin(self, _request: PullRequest) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def act(self, _action: Action) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def resume(self, _pull_id: int) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def save_template(self, _template: Template) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def pulls(self) -> list[PullRow]:
        """The archive's pulls."""
        return self._reader.pulls()

    def open_pulls(self) -> list[PullRow]:
        """None: nothing can be resumed here."""
        return []

    def pull(self, pull_id: int) -> ArchivedPull:
        """One pull of the archive."""
        return self._reader.pull(pull_id)

    def subjects(self) -> list[Subject]:
        """The archive's heads."""
        return self._reader.subjects()

    def templates(self) -> list[Template]:
        """The archive's templates."""
        return self._reader.templates()

    async def live(self, rate: float = 10) -> AsyncIterator[Frame | LiveEvent | Lost]:
        """The session's frames in its own time, then its last frame again and again."""
        core = core_for(self._pull, self._session, self._other, self._basis)
        frames = FrameMaker(self._config, [_RecordedInstrument(i) for i in self._config.make_instruments()])
        frames.use(core.basis.calibrations)
        clock: Clock = SystemClock(self._speed)
        latest: dict[str, Sample] = {}
        announced: tuple[int, Point] | None = None
        number, next_us, start, t_us = 0, 0, None, 0
        for moment in play(self._reader, self._session.id, core):
            for sample in moment.samples:
                latest[sample.channel] = sample
            start = start or (clock.t_us(), moment.t_us)
            t_us = moment.t_us
            for output in moment.outputs:
                if isinstance(output, Taken):
                    number, announced = number + 1, (t_us, output.point)
                    sentence = frames.guidance().taken(output.point)
                    yield LiveEvent(
                        number=number,
                        kind="taken",
                        t_us=t_us,
                        sentence=sentence,
                        pull_id=self._pull.id,
                        point=output.point,
                    )
            if t_us < next_us and not moment.outputs:
                continue
            next_us = t_us + round(1e6 * self._speed / rate)
            ahead_s = ((t_us - start[1]) - (clock.t_us() - start[0])) / 1e6 / self._speed
            await asyncio.sleep(max(0.0, ahead_s))
            yield frames.frame(t_us, latest, core, self._pull.id, announced, "")
        while True:
            yield frames.frame(t_us, latest, core, self._pull.id, None, "")
            await asyncio.sleep(0.5)
