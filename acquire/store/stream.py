"""Samples, actions and notices of a session in the order in which they arrived."""

import sqlite3
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acquire.pull.batch import Batch, Names
from acquire.records import Action
from acquire.store.blocks import Block, BlockError, decode
from acquire.store.errors import ArchiveError
from drivers.sample import Notice, Sample


class TimedAction(NamedTuple):
    """An action and when it was done, in the session's time."""

    t_us: int
    action: Action


class Lost(NamedTuple):
    """Samples that came in but could not be kept; the first of them at ``t_us``."""

    t_us: int
    samples: int


Event = TimedAction | Notice | Lost
Records = list[Sample] | Event
_AT_ONCE = 16
"""Blocks, mostly of a second, that come as one batch where nobody watches."""


def stream(sql: sqlite3.Connection, session_id: int) -> Iterator[Records]:
    """Runs of samples with the actions and notices between them; see :func:`batches`."""
    for record in batches(sql, session_id, whole_blocks=True):
        yield record.samples() if isinstance(record, Batch) else record


def batches(sql: sqlite3.Connection, session_id: int, whole_blocks: bool = False) -> Iterator[Batch | Event]:
    """Runs of samples as arrays, with the actions and notices between them.

    What is kept after the call is left out, so that nothing comes out of
    turn while the session still grows. ``whole_blocks``: never more at once
    than was written at once, about a second.
    """
    sql.execute("BEGIN")
    try:
        events = _events(sql, session_id)
        names = _names(sql, session_id)
        (last_block,) = sql.execute(
            "SELECT coalesce(max(id), 0) FROM sample_blocks WHERE session_id = ?", [session_id]
        ).fetchone()
    finally:
        sql.execute("ROLLBACK")
    next_event = 0
    for first_sample, block in _blocks(sql, session_id, last_block, 1 if whole_blocks else _AT_ONCE):
        batch = Batch(*block, names)
        start = 0
        while next_event < len(events) and events[next_event][0] <= first_sample + len(batch):
            after_sample, event = events[next_event]
            end = after_sample - first_sample
            if end > start:
                yield batch.part(start, end)
                start = end
            yield event
            next_event += 1
        if start < len(batch):
            yield batch.part(start, len(batch))
    for _, event in events[next_event:]:
        yield event


def channel_samples(
    sql: sqlite3.Connection, session_id: int, channel: str, t_from_us: int | None, t_to_us: int | None
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times and numbers of one channel within a time span, both ends included."""
    numbers = [number for number, (name, _) in _names(sql, session_id).items() if name == channel]
    t_from = -(2**63) if t_from_us is None else t_from_us
    t_to = 2**63 - 1 if t_to_us is None else t_to_us
    times = [np.empty(0, np.int64)]
    values = [np.empty(0, np.float64)]
    found = sql.execute(
        "SELECT first_sample, block FROM sample_blocks "
        "WHERE session_id = ? AND latest_t_us >= ? AND earliest_t_us <= ? ORDER BY first_sample",
        [session_id, t_from, t_to],
    )
    is_wanted = np.zeros(256, np.bool_)
    is_wanted[numbers] = True
    for first_sample, data in found if numbers else ():
        block = _decode(data, session_id, first_sample)
        wanted = is_wanted[block.channel] & (block.t_us >= t_from) & (block.t_us <= t_to)
        times.append(block.t_us[wanted])
        values.append(block.value[wanted])
    return np.concatenate(times), np.concatenate(values)


def _blocks(sql: sqlite3.Connection, session_id: int, last_block: int, at_once: int) -> Iterator[tuple[int, Block]]:
    """Some blocks joined to one. A query each: a reader that takes its time must not hold a view of the file open."""
    first_sample = -1
    while True:
        rows = sql.execute(
            "SELECT first_sample, block FROM sample_blocks WHERE session_id = ? AND first_sample > ? AND id <= ? "
            "ORDER BY first_sample LIMIT ?",
            [session_id, first_sample, last_block, at_once],
        ).fetchall()
        if not rows:
            return
        blocks = [_decode(data, session_id, first) for first, data in rows]
        first_sample = rows[-1][0]
        yield rows[0][0], Block(*map(np.concatenate, zip(*blocks, strict=True))) if len(blocks) > 1 else blocks[0]


def _decode(data: bytes, session_id: int, first_sample: int) -> Block:
    try:
        return decode(data)
    except BlockError as error:
        raise ArchiveError(
            f"the samples of session {session_id} from number {first_sample} on are damaged ({error}): "
            "put back the last backup, and keep this file for recovery"
        ) from error


def _names(sql: sqlite3.Connection, session_id: int) -> Names:
    found = sql.execute("SELECT number, channel, source FROM session_channels WHERE session_id = ?", [session_id])
    return {number: (channel, source) for number, channel, source in found}


def _events(sql: sqlite3.Connection, session_id: int) -> list[tuple[int, Event]]:
    numbered: list[tuple[int, int, Event]] = [
        (after, number, TimedAction(t_us, Action(kind=kind, step=step, meter_range=meter_range, by=by)))
        for after, number, t_us, kind, step, meter_range, by in sql.execute(
            "SELECT after_sample, number, t_us, kind, step, meter_range, done_by FROM actions WHERE session_id = ?",
            [session_id],
        )
    ]
    numbered += [
        (after, number, Notice(instrument, t_us, kind, sentence))
        for after, number, t_us, instrument, kind, sentence in sql.execute(
            "SELECT after_sample, number, t_us, instrument, kind, sentence FROM notices WHERE session_id = ?",
            [session_id],
        )
    ]
    numbered += [
        (after, number, Lost(t_us, count))
        for after, number, t_us, count in sql.execute(
            "SELECT after_sample, number, t_us, sample_count FROM lost_samples WHERE session_id = ?", [session_id]
        )
    ]
    return [(after, event) for after, _, event in sorted(numbered, key=lambda item: item[:2])]
