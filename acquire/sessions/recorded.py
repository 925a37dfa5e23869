"""A recorded session behind the same face as a running bench, to be watched."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import NoReturn

from acquire import __version__
from acquire.basis import Basis
from acquire.beside.choice import pull_beside
from acquire.beside.shadow import PullBeside
from acquire.config import BenchConfig, parse_config
from acquire.daemon.frames import AlwaysThere, FrameMaker
from acquire.live import Lost
from acquire.pull.outputs import Taken
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    EventKind,
    Frame,
    LiveEvent,
    PullRequest,
    PullRow,
    Refused,
    Subject,
    Template,
)
from acquire.sessions.happenings import Happenings
from acquire.sessions.playback import Happening, Playback
from acquire.sessions.replay import core_for, play
from acquire.store.reader import ArchiveReader
from acquire.values import Point
from acquire.wire import Screen
from drivers.sample import Sample

_READ_ONLY = "This is a replay of what was recorded: nothing can be changed."
# what is shown of the time before a moment that is gone to: the traces of pressure and lift are that long
_LEAD_US = 30_000_000
_LEAD_STEP_US = 200_000
_PIECE_US = 100_000
# let the screen live while a session is run through
_BREATHE_EVERY = 200


class RecordedBench:
    """What a dashboard needs, played from the archive under ``playback``'s control."""

    def __init__(
        self,
        archive: Path,
        session_id: int,
        speed: float = 1.0,
        config: BenchConfig | None = None,
        basis: Basis | None = None,
    ) -> None:
        self._reader = ArchiveReader(archive)
        self._session = self._reader.session(session_id)
        self._pull = self._reader.pull(self._session.pull_id)
        self._other, self._basis = config, basis
        self._config = config or parse_config(self._session.config_text, f"session {session_id}")
        self.playback = Playback(speed)

    def archive_path(self) -> Path:
        """The archive that is played from."""
        return self._reader.path

    @property
    def screen(self) -> Screen | None:
        """None: nobody commands a recording."""
        return None

    def close(self) -> None:
        """Let go of the archive."""
        self._reader.close()

    @property
    def name(self) -> str:
        """Which recording this is."""
        return f"pull {self._pull.id}, session {self._session.id}"

    def look_through(self) -> None:
        """Run through the session as fast as possible and note what happened in it. Takes a second or two."""
        core = core_for(self._pull, self._session, self._other, self._basis)
        happenings = Happenings(self._frames().guidance())
        start_us = t_us = 0
        with self._another() as reader:
            for moment in play(reader, self._session.id, core, piece_us=_PIECE_US):
                t_us = moment.t_us
                start_us = start_us or t_us
                happenings.see(moment, core)
        self.playback.start_us, self.playback.end_us = start_us, t_us
        self.playback.happenings = happenings.found

    def _another(self) -> ArchiveReader:
        """A reader for one call: the dashboard asks from other threads while the session plays from its own."""
        return ArchiveReader(self._reader.path)

    def _frames(self) -> FrameMaker:
        return FrameMaker(self._config, [*map(AlwaysThere, self._config.make_instruments())])

    def bench(self) -> BenchSummary:
        """The bench as it was."""
        return BenchSummary.of(self._config, __version__, self._pull.simulated)

    def begin(self, _request: PullRequest) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def act(self, _action: Action) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def enter(self, _channel: str, _text: str) -> NoReturn:
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
        with self._another() as reader:
            return reader.pulls()

    def open_pulls(self) -> list[PullRow]:
        """None: nothing can be resumed here."""
        return []

    def pull(self, pull_id: int) -> ArchivedPull:
        """One pull of the archive."""
        with self._another() as reader:
            return reader.pull(pull_id)

    def beside(self, pull_id: int, other_id: int | None = None) -> PullBeside:
        """One pull beside an earlier one, as the archive holds them now."""
        with self._another() as reader:
            return pull_beside(reader, pull_id, other_id)

    def take_command(self) -> NoReturn:
        """Refused."""
        raise Refused(_READ_ONLY)

    def subjects(self) -> list[Subject]:
        """The archive's heads."""
        with self._another() as reader:
            return reader.subjects()

    def templates(self) -> list[Template]:
        """The archive's templates."""
        with self._another() as reader:
            return reader.templates()

    # ------------------------------------------------------------ playing

    async def live(self, rate: float = 10) -> AsyncIterator[Frame | LiveEvent | Lost]:
        """The session's frames in its own time, as ``playback`` says; from the start again to go back."""
        number = 0
        while True:
            async for item in self._once(1 / rate):
                if isinstance(item, LiveEvent):
                    number += 1
                    item = item.model_copy(update={"number": number})
                yield item

    async def _once(self, every_s: float) -> AsyncIterator[Frame | LiveEvent]:
        """From the start to the end, and its last frame again and again; ends to go back to an earlier moment."""
        its = self.playback
        core = core_for(self._pull, self._session, self._other, self._basis)
        frames = self._frames()
        frames.use(core.basis.calibrations)
        latest: dict[str, Sample] = {}
        announced: tuple[int, Point] | None = None
        next_us = its.now_us = t_us = 0
        its.ended = False

        def frame() -> Frame:
            return frames.frame(t_us, latest, core, self._pull.id, announced, "")

        for count, moment in enumerate(play(self._reader, self._session.id, core, piece_us=_PIECE_US)):
            for sample in moment.samples:
                latest[sample.channel] = sample
            its.now_us = t_us = moment.t_us
            its.start_us = its.start_us or t_us
            its.end_us = max(its.end_us, t_us)
            for output in moment.outputs:
                if isinstance(output, Taken):
                    announced = (t_us, output.point)
                    if its.goal_us is None:
                        yield self._taken(frames.guidance().taken(output.point), t_us, output.point)
            if its.goal_us is not None and t_us < its.goal_us:
                breathe = count % _BREATHE_EVERY == 0
                if breathe:
                    await asyncio.sleep(0)
                # a screen that hears nothing for long says that the daemon is lost
                if breathe or (t_us >= its.goal_us - _LEAD_US and t_us >= next_us):
                    next_us = t_us + _LEAD_STEP_US
                    yield frame()
                continue
            its.goal_us = None
            if its.goal is not None:
                yield self._told(its.goal)
                its.goal = None
            if t_us >= next_us or moment.outputs:
                next_us = t_us + round(1e6 * its.speed * every_s)
                yield frame()
                await asyncio.sleep(every_s)
            while its.paused and its.goal_us is None:
                yield frame()
                await asyncio.sleep(every_s)
            if its.goal_us is not None and its.goal_us < t_us:
                return
        its.ended, its.goal_us, announced = True, None, None
        while its.goal_us is None:
            yield frame()
            await asyncio.sleep(every_s)

    def _told(self, its: Happening) -> LiveEvent:
        kind: EventKind = "mark" if its.doubtful else "notice"
        return LiveEvent(number=0, kind=kind, t_us=its.t_us, sentence=its.sentence, pull_id=self._pull.id)

    def _taken(self, sentence: str, t_us: int, point: Point) -> LiveEvent:
        return LiveEvent(number=0, kind="taken", t_us=t_us, sentence=sentence, pull_id=self._pull.id, point=point)
