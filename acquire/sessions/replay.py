"""Replay: the recorded session through the very same code again.

What was received and done is fed in its recorded order to a fresh
:class:`~acquire.pull.core.PullCore`; what comes out must be what was committed,
bit for bit.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np

from acquire import __version__
from acquire.basis import Basis
from acquire.clock import Clock
from acquire.config import BenchConfig, parse_config
from acquire.pull.batch import Batch
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.pull.resuming import STATE
from acquire.records import ArchivedPull, Refused, SessionRow
from acquire.scaling import channel_settings, number_of, scale_for
from acquire.store.reader import ArchiveReader
from acquire.store.stream import Lost
from acquire.units import from_si
from acquire.values import Point, Zeros
from drivers.sample import Notice, Sample


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that came out otherwise: where, what was kept, what came now."""

    where: str
    recorded: str
    replayed: str


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay found."""

    session: SessionRow
    version: str
    points: tuple[Point, ...]
    differences: tuple[Difference, ...]
    recorded: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Moment:
    """One batch that went in, and what came out of it.

    ``said``: what the operator was told besides: an instrument's notice, samples
    that were lost, an action that was refused.
    """

    t_us: int
    batch: Batch | None
    outputs: list[Output]
    said: str = ""

    @property
    def samples(self) -> list[Sample]:
        """The samples of the batch, one by one."""
        return self.batch.samples() if self.batch is not None else []


def core_for(
    pull: ArchivedPull, session: SessionRow, config: BenchConfig | None = None, basis: Basis | None = None
) -> PullCore:
    """A fresh core that starts where the session started.

    With another ``basis`` the zeros that were read before are those of the
    same numbers as received, by its calibrations.
    """
    used = config or parse_config(session.config_text, f"the configuration kept with session {session.id}")
    start = STATE.validate_json(session.state_json)
    if basis is not None and start.zeros_before is not None:
        start = replace(start, zeros_before=_zeros_by(start.zeros_before, used, pull.basis, basis))
    return PullCore(used, pull.request, pull.leakage, start, basis or pull.basis)


def _zeros_by(zeros: Zeros, config: BenchConfig, then: Basis, now: Basis) -> Zeros:
    instruments, water = config.make_instruments(), config.water
    before = channel_settings(instruments, then.calibrations, water)
    after = channel_settings(instruments, now.calibrations, water)

    def moved(channel: str) -> float:
        value = zeros.of(channel)
        if before[channel] == after[channel]:
            return value
        its = before[channel]
        return scale_for(after[channel], water).si(number_of(its, from_si(value, its.unit, water)))

    return replace(
        zeros,
        test_pressure_pa=moved("test_pressure"),
        meter_pressure_pa=moved("meter_pressure"),
        lift_m=moved("lift"),
    )


def play(
    reader: ArchiveReader, session_id: int, core: PullCore, watched: bool = True, piece_us: int | None = None
) -> Iterator[Moment]:
    """Feed a session to ``core`` in its recorded order; ``watched``: about a second at once, else more.

    ``piece_us``: cut into pieces about that long, for somebody who looks on.
    """
    for record in reader.batches(session_id, whole_blocks=watched):
        if isinstance(record, Notice):
            yield Moment(record.t_us, None, [], record.sentence)
            continue
        if isinstance(record, Lost):
            yield Moment(record.t_us, None, [], f"{record.samples} samples came in but could not be kept.")
            continue
        if isinstance(record, Batch):
            if piece_us is None:
                yield Moment(int(record.t_us[-1]), record, core.batch(record))
            else:
                for piece in _pieces(record, piece_us):
                    # so few cost less one by one
                    yield Moment(int(piece.t_us[-1]), piece, core.samples(piece.samples()))
            continue
        outputs: list[Output] = []
        said = ""
        try:
            outputs = core.act(record.t_us, record.action)
        except Refused as refused:
            said = str(refused)
        yield Moment(record.t_us, None, outputs, said)


def _pieces(batch: Batch, piece_us: int) -> Iterator[Batch]:
    """A batch in its order of arrival, cut where its time has gone on by so much."""
    latest = np.maximum.accumulate(batch.t_us) // piece_us
    cuts = np.flatnonzero(np.diff(latest)) + 1
    for start, end in zip([0, *cuts.tolist()], [*cuts.tolist(), len(latest)], strict=True):
        yield batch.part(start, end)


def replay(
    reader: ArchiveReader,
    session_id: int,
    clock: Clock | None = None,
    config: BenchConfig | None = None,
    watch: Callable[[Moment, PullCore], None] | None = None,
    basis: Basis | None = None,
) -> Replayed:
    """Replay a session and compare its points with those that were committed.

    ``clock``: wait between samples as they waited then (its speed applies);
    None: as fast as possible. ``config``, ``basis``: other settings, other calibrations than those kept.
    """
    session = reader.session(session_id)
    pull = reader.pull(session.pull_id)
    core = core_for(pull, session, config, basis)
    recorded = reader.points_of_session(session_id)
    points: list[Point] = []
    start: tuple[int, int] | None = None
    for moment in play(reader, session_id, core, watched=clock is not None or watch is not None):
        if clock is not None:
            start = start or (clock.t_us(), moment.t_us)
            ahead_us = (moment.t_us - start[1]) - (clock.t_us() - start[0])
            if ahead_us > 0:
                clock.sleep(ahead_us / 1e6)
        points += [output.point for output in moment.outputs if isinstance(output, Taken)]
        if watch is not None:
            watch(moment, core)
    return Replayed(session, __version__, tuple(points), tuple(compare(recorded, points)), tuple(recorded))


def compare(recorded: list[Point], replayed: list[Point]) -> Iterator[Difference]:
    """Every figure that is not the same to the last bit, point by point."""
    then = {(p.step, p.take): p for p in recorded}
    now = {(p.step, p.take): p for p in replayed}
    for key in sorted(then.keys() | now.keys()):
        where = f"step {key[0] + 1}, take {key[1]}"
        if key not in now:
            yield Difference(where, "taken", "not taken")
        elif key not in then:
            yield Difference(where, "not taken", "taken")
        else:
            yield from _differences(where, then[key], now[key])


def _differences(where: str, then: Any, now: Any) -> Iterator[Difference]:
    if then == now:
        return
    if is_dataclass(then) and type(then) is type(now):
        for field in fields(then):
            yield from _differences(f"{where}: {field.name}", getattr(then, field.name), getattr(now, field.name))
    elif isinstance(then, tuple) and isinstance(now, tuple) and len(then) == len(now):
        for i, (a, b) in enumerate(zip(then, now, strict=True)):
            yield from _differences(f"{where} {i + 1}", a, b)
    elif not (where.endswith("contribution_rel") and then == abs(now)):
        # (budgets of the first version hold contributions without their sign)
        yield Difference(where, repr(then), repr(now))
