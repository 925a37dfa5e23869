"""The part of a session that grows: blocks of samples, actions and notices."""

import sqlite3
from collections.abc import Sequence

import numpy as np

from acquire.records import Action
from acquire.store import rows
from acquire.store.blocks import Block, encode
from acquire.store.errors import RefusedRecordError
from drivers.sample import Notice, Sample

SIMULATED = "sim://"
_MOST_CHANNELS = 256


class Recording:
    """Where one session stands: samples kept, events kept, numbers of its channels.

    Writes into the caller's transaction. After a transaction that failed it
    must be made anew, since it counts what may have been undone.
    """

    def __init__(self, sql: sqlite3.Connection, session_id: int) -> None:
        self._sql = sql
        self._session_id = session_id
        self.samples = rows.sample_count(sql, session_id)
        (self._events,) = sql.execute(
            "SELECT (SELECT count(*) FROM actions WHERE session_id = :id) + "
            "(SELECT count(*) FROM notices WHERE session_id = :id) + "
            "(SELECT count(*) FROM lost_samples WHERE session_id = :id)",
            {"id": session_id},
        ).fetchone()
        found = sql.execute("SELECT channel, source, number FROM session_channels WHERE session_id = ?", [session_id])
        self._channels: dict[tuple[str, str], int] = {(channel, source): number for channel, source, number in found}

    def add_samples(self, samples: Sequence[Sample]) -> None:
        """One block, in the order given."""
        names = [(sample.channel, sample.source) for sample in samples]
        for name in dict.fromkeys(names):
            if name not in self._channels:
                self._number(*name)
        block = Block(
            np.array([self._channels[name] for name in names], np.uint8),
            np.array([sample.t_us for sample in samples], np.int64),
            np.array([sample.value for sample in samples], np.float64),
        )
        rows.insert(
            self._sql,
            "sample_blocks",
            session_id=self._session_id,
            first_sample=self.samples,
            sample_count=len(samples),
            earliest_t_us=int(block.t_us.min()),
            latest_t_us=int(block.t_us.max()),
            block=encode(block),
        )
        self.samples += len(samples)

    def add_action(self, after_sample: int, t_us: int, action: Action) -> None:
        """An action, numbered in one series with the notices."""
        rows.insert(
            self._sql,
            "actions",
            **self._event(after_sample, t_us),
            kind=action.kind,
            step=action.step,
            meter_range=action.meter_range,
            done_by=action.by,
        )

    def add_notice(self, after_sample: int, notice: Notice) -> None:
        """A notice, numbered in one series with the actions."""
        rows.insert(
            self._sql,
            "notices",
            **self._event(after_sample, notice.t_us),
            instrument=notice.instrument,
            kind=notice.kind,
            sentence=notice.sentence,
        )

    def add_lost(self, after_sample: int, t_us: int, count: int) -> None:
        """Samples that are missing from here on, numbered in one series with the actions."""
        rows.insert(self._sql, "lost_samples", **self._event(after_sample, t_us), sample_count=count)

    def _event(self, after_sample: int, t_us: int) -> dict[str, object]:
        number = self._events
        self._events += 1
        return {"session_id": self._session_id, "number": number, "after_sample": after_sample, "t_us": t_us}

    def _number(self, channel: str, source: str) -> None:
        number = len(self._channels)
        if number >= _MOST_CHANNELS:
            raise RefusedRecordError(
                f"session {self._session_id} has more than {_MOST_CHANNELS} pairs of channel and source "
                f"({channel} from {source} is one too many): begin a new session"
            )
        rows.insert(
            self._sql,
            "session_channels",
            session_id=self._session_id,
            number=number,
            channel=channel,
            source=source,
        )
        if source.startswith(SIMULATED):
            self._sql.execute(
                "UPDATE pulls SET simulated = 1 WHERE id = (SELECT pull_id FROM sessions WHERE id = ?)",
                [self._session_id],
            )
        self._channels[channel, source] = number
