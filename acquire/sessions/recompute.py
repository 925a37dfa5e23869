"""Many pulls computed again under other settings, in parallel, and what that changes.

Nothing that was recorded is touched: the archive is only read. A pull whose
leakage came from a blank-plate run in the same archive gets the leakage that
this run gives under the same settings.
"""

import signal
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from acquire.config import BenchConfig, ConfigError, check_config, parse_config, text_of
from acquire.daemon.recorder import REFUSED
from acquire.leakage.run import fit_law
from acquire.pull.outputs import Marked, Taken
from acquire.records import ArchivedPull, LeakageLaw, Refused
from acquire.sessions.replay import compare, core_for, play
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader
from acquire.values import Direction, Mark, Point, PullKind
from drivers.errors import DriverError

# figures that differ by less are the same to anybody: another library's last digits
_SAME_REL = 1e-9


@dataclass(frozen=True, slots=True)
class Settings:
    """What to compute with in place of what each pull kept; nothing given, its own.

    ``whole``: the text of a configuration for all pulls. ``over``: tables
    that are laid over each pull's own, key by key. ``name`` says where they
    are from, for what is said about them.
    """

    name: str = ""
    whole: str = ""
    over: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def laid_over(cls, path: Path) -> "Settings":
        """The tables of a TOML file, to be laid over each pull's own. Raises ``ConfigError``."""
        try:
            tables = tomllib.loads(text_of(path, "check the path"))
        except tomllib.TOMLDecodeError as error:
            raise ConfigError(f"{path} is not valid TOML: {error}") from error
        if not tables:
            raise ConfigError(f"{path} holds no key: write the ones to change, with their tables")
        return cls(str(path), over=tables)

    @classmethod
    def instead(cls, path: Path) -> "Settings":
        """A whole configuration. Raises ``ConfigError``."""
        text = text_of(path, "check the path")
        parse_config(text, str(path))
        return cls(str(path), whole=text)

    def of(self, pull: ArchivedPull, config_text: str) -> BenchConfig:
        """The configuration for one pull. Raises ``ConfigError`` where the keys do not fit its own."""
        if self.whole:
            return parse_config(self.whole, self.name)
        own = f"the configuration kept with pull {pull.id}"
        if not self.over:
            return parse_config(config_text, own)
        return check_config(_over(tomllib.loads(config_text), self.over), f"{self.name}, laid over {own}")


def _over(own: dict[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(own)
    for key, value in new.items():
        there = merged.get(key)
        merged[key] = _over(there, value) if isinstance(there, dict) and isinstance(value, dict) else value
    return merged


@dataclass(frozen=True, slots=True)
class PointNow:
    """One take: as it was kept and as it came out now; None where it was not taken."""

    step: int
    take: int
    then: Point | None
    now: Point | None

    @property
    def change_m3_s(self) -> float:
        """By how much the stated flow moved; 0 where one of the two is missing."""
        if self.then is None or self.now is None:
            return 0.0
        return self.now.flow.flow_m3_s - self.then.flow.flow_m3_s

    @property
    def changed(self) -> bool:
        """Whether anything moved that a person would read: a figure, the verdict, or that it was taken at all."""
        then, now = self.then, self.now
        if then is None or now is None:
            return True
        if (then.settled, then.hold.held, then.remark) != (now.settled, now.hold.held, now.remark):
            return True
        pairs = (
            (then.flow.flow_m3_s, now.flow.flow_m3_s),
            (then.flow.half_width_95_m3_s, now.flow.half_width_95_m3_s),
            (then.test_pressure_pa, now.test_pressure_pa),
        )
        return any(abs(b - a) > _SAME_REL * max(abs(a), abs(b)) for a, b in pairs)


@dataclass(frozen=True, slots=True)
class PullNow:
    """One pull, computed again. ``failure``: why it could not be; else ``exact``: the same, bit for bit.

    ``leakage_again``: its blank-plate run came out otherwise, and its new law was used.
    """

    pull_id: int
    uid: str
    kind: PullKind
    direction: Direction
    subject: str
    started_utc: str
    config: BenchConfig
    points: tuple[PointNow, ...] = ()
    marks_new: tuple[Mark, ...] = ()
    marks_gone: tuple[Mark, ...] = ()
    exact: bool = False
    leakage_again: bool = False
    failure: str = ""
    law: LeakageLaw | None = None

    @property
    def changed(self) -> bool:
        """Whether anything came out that a person would read otherwise."""
        return bool(self.marks_new or self.marks_gone) or any(point.changed for point in self.points)

    @property
    def largest(self) -> PointNow | None:
        """The point whose flow moved most, as a share of it."""
        both = [p for p in self.points if p.then is not None and p.now is not None]
        return max(both, key=lambda p: abs(_share(p)), default=None)


def _share(point: PointNow) -> float:
    then = point.then.flow.flow_m3_s if point.then is not None else 0.0
    return point.change_m3_s / abs(then) if then else 0.0


def recompute_pull(
    reader: ArchiveReader, pull_id: int, settings: Settings, laws: Mapping[int, LeakageLaw] | None = None
) -> PullNow:
    """All sessions of one pull through the same code again.

    ``laws``: the laws of blank-plate runs that came out otherwise, by pull.
    What cannot be computed is said in ``failure``, not raised.
    """
    pull = reader.pull(pull_id)
    request = pull.request
    of = PullNow(
        pull.id, pull.uid, request.kind, request.direction, request.subject.identifier, pull.started_utc, pull.config
    )
    law = None
    # an imported pull names its blank-plate run by the number it has elsewhere
    if pull.leakage is not None and pull.imported is None:
        law = (laws or {}).get(pull.leakage.pull_id)
    used = pull if law is None else replace(pull, leakage=law)
    then: list[Point] = []
    now: list[Point] = []
    marks: list[Mark] = []
    try:
        for session in pull.sessions:
            core = core_for(used, session, settings.of(pull, session.config_text))
            then += reader.points_of_session(session.id)
            for moment in play(reader, session.id, core):
                now += [its.point for its in moment.outputs if isinstance(its, Taken)]
                marks += [its.mark for its in moment.outputs if isinstance(its, Marked)]
    except (ConfigError, Refused, ArchiveError, DriverError) as error:
        return replace(of, failure=str(error))
    kept = [mark for mark in pull.marks if mark.kind != REFUSED]
    its = replace(
        of,
        points=tuple(_paired(then, now)),
        marks_new=tuple(mark for mark in marks if mark not in kept),
        marks_gone=tuple(mark for mark in kept if mark not in marks),
        leakage_again=law is not None,
    )
    its = replace(its, exact=not its.marks_new and not its.marks_gone and not list(compare(then, now)))
    if request.kind == "leakage" and pull.outcome == "complete" and its.changed and now:
        last = [p for p in now if p.take == max(q.take for q in now if q.step == p.step)]
        return replace(its, law=fit_law(pull.id, request.direction, pull.ended_utc or pull.started_utc, last))
    return its


def _paired(then: Sequence[Point], now: Sequence[Point]) -> Iterator[PointNow]:
    a = {(p.step, p.take): p for p in then}
    b = {(p.step, p.take): p for p in now}
    for step, take in sorted(a.keys() | b.keys()):
        yield PointNow(step, take, a.get((step, take)), b.get((step, take)))


def compute_again(archive: Path, pull_ids: Sequence[int], settings: Settings, workers: int = 1) -> Iterator[PullNow]:
    """Each pull once, as it becomes ready: blank-plate runs first, then what rests on them.

    With several ``workers`` in processes of their own, each with its own
    reader. Raises ``ArchiveError`` where the archive or a pull is not there.
    """
    with ArchiveReader(archive) as reader:
        kinds = {row.id: row.kind for row in reader.pulls()}
        for pull_id in pull_ids:
            if pull_id not in kinds:
                reader.pull(pull_id)
        wanted = set(pull_ids)
        # a blank-plate run that was not asked for still has to be known for the pulls that rest on it
        plates = {pull_id for pull_id, kind in kinds.items() if kind == "leakage"} if _leaks(settings) else set()
        if workers <= 1:
            laws: dict[int, LeakageLaw] = {}
            for pull_id in _in_turn(plates | wanted, kinds):
                its = recompute_pull(reader, pull_id, settings, laws)
                if its.law is not None:
                    laws[pull_id] = its.law
                if pull_id in wanted:
                    yield its
            return
    yield from _parallel(archive, wanted, plates, kinds, settings, workers)


def _leaks(settings: Settings) -> bool:
    return bool(settings.whole or settings.over)


def _in_turn(pull_ids: set[int], kinds: Mapping[int, PullKind]) -> list[int]:
    return sorted(pull_ids, key=lambda pull_id: (kinds[pull_id] != "leakage", pull_id))


def _parallel(
    archive: Path,
    wanted: set[int],
    plates: set[int],
    kinds: Mapping[int, PullKind],
    settings: Settings,
    workers: int,
) -> Iterator[PullNow]:
    laws: dict[int, LeakageLaw] = {}
    every = _in_turn(plates | wanted, kinds)
    # a worker is a fresh interpreter on every system, so that it behaves alike on each
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_quiet)
    try:
        for plate in (True, False):
            futures: list[Future[PullNow]] = [
                pool.submit(_work, archive, pull_id, settings, laws)
                for pull_id in every
                if (kinds[pull_id] == "leakage") == plate
            ]
            for done in as_completed(futures):
                its = done.result()
                if its.law is not None:
                    laws[its.pull_id] = its.law
                if its.pull_id in wanted:
                    yield its
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _quiet() -> None:
    """Ctrl+C reaches every process of a terminal: the one that was asked ends the others."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(archive: Path, pull_id: int, settings: Settings, laws: Mapping[int, LeakageLaw]) -> PullNow:
    with ArchiveReader(archive) as reader:
        return recompute_pull(reader, pull_id, settings, laws)
