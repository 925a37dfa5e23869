"""The archive's writer: used by exactly one thread, every method one durable transaction."""

import secrets
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, NamedTuple

from acquire import __version__
from acquire.basis import NO_BASIS, Basis
from acquire.bench_records import BenchRecord
from acquire.records import Action, LeakageLaw, PullRequest, Template
from acquire.store import rows, transfer
from acquire.store.connect import connect_writer
from acquire.store.encoding import model_text, utc_text
from acquire.store.errors import ArchiveError, saying
from acquire.store.migrations import bring_up_to_date
from acquire.store.recording import Recording
from acquire.store.sqlite_tools import Database
from acquire.values import Mark, Outcome, Point, Zeros
from drivers.sample import Notice, Sample

__all__ = ["Archive", "ArchiveError", "PendingAction"]

_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_BASE32 = _LETTERS + "234567"


def _new_uid() -> str:
    return secrets.choice(_LETTERS) + "".join(secrets.choice(_BASE32) for _ in range(9))


class PendingAction(NamedTuple):
    """An action not yet kept: samples of the session received before it, its time, what was done."""

    after_sample: int
    t_us: int
    action: Action


class Archive:
    """Writes the archive. Everything raises :class:`ArchiveError` with one sentence.

    A method that has returned has written to the disk for good: it outlives
    a killed process and a power cut. A method that raised has written
    nothing, and may be called again once the trouble is over.
    """

    def __init__(self, path: Path, database: Database) -> None:
        self.path = path
        self._db = database
        self._sql = database.conn
        self._recordings: dict[int, Recording] = {}

    @classmethod
    def open(cls, path: Path, busy_timeout_s: float = 5.0) -> "Archive":
        """Open the archive, make it when it is missing, bring an older one up to date."""
        path = Path(path)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ArchiveError(
                f"the folder {path.parent} for the archive cannot be made ({error.strerror}): choose another place"
            ) from error
        archive = cls(path, Database(connect_writer(path, busy_timeout_s), execute_plugins=False))
        try:
            with archive.together():
                bring_up_to_date(archive._db, __version__)
        except BaseException:
            archive.close()
            raise
        return archive

    def close(self) -> None:
        """Leave one complete file behind. Closing twice is harmless."""
        self._sql.close()

    def __enter__(self) -> "Archive":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """All writes inside are one transaction: all of them are kept, or none."""
        with saying(self.path):
            try:
                if self._sql.in_transaction:
                    with self._db.atomic():
                        yield
                    return
                # not deferred: a transaction that begins by reading could not wait for another writer
                self._sql.execute("BEGIN IMMEDIATE")
                try:
                    yield
                    self._sql.execute("COMMIT")
                except BaseException:
                    self._db.rollback()
                    raise
            except BaseException:
                self._recordings.clear()  # what they counted may be undone: count again from what is kept
                raise

    # ------------------------------------------------------------ pulls and sessions

    def begin_pull(
        self,
        request: PullRequest,
        config_text: str,
        version: str,
        utc: str,
        leakage: LeakageLaw | None,
        sources: dict[str, str],
        basis: Basis = NO_BASIS,
    ) -> int:
        """Keep what is asked and what is in force; the new pull's id.

        Subject, set-up, schedule and configuration are kept once and shared
        by all pulls with the very same content. ``sources`` by channel.
        """
        with self.together():
            return rows.insert_pull(
                self._sql, _new_uid(), request, config_text, version, utc_text(utc), leakage, sources, basis
            )

    def open_session(
        self,
        pull_id: int,
        utc: str,
        version: str,
        config_text: str,
        state_json: str,
        t_us: int | None = None,
    ) -> int:
        """Begin a recording for a pull; the new session's id.

        ``state_json``: the state of the pull at this moment, for one that is
        resumed. ``t_us``: what the session's clock reads at ``utc``. The
        calibration in force is taken from the configuration.
        """
        with self.together():
            return rows.insert_session(self._sql, pull_id, utc_text(utc), version, config_text, state_json, t_us)

    def close_session(self, session_id: int, utc: str) -> None:
        """Note that the recording ended in good order."""
        with self.together():
            self._change_one(
                f"session {session_id}", "UPDATE sessions SET ended_utc = ? WHERE id = ?", [utc_text(utc), session_id]
            )
        self._recordings.pop(session_id, None)

    def end_pull(self, pull_id: int, outcome: Outcome, utc: str) -> None:
        """Note how the pull ended."""
        with self.together():
            self._change_one(
                f"pull {pull_id}",
                "UPDATE pulls SET outcome = ?, ended_utc = ? WHERE id = ?",
                [outcome, utc_text(utc), pull_id],
            )

    # ------------------------------------------------------------ what arrives

    def add_samples(self, session_id: int, samples: Sequence[Sample]) -> None:
        """Keep samples in the order of arrival as one block, about a second's worth."""
        if samples:
            with self.together():
                self._recording(session_id).add_samples(samples)

    def add_action(self, session_id: int, after_sample: int, t_us: int, action: Action) -> None:
        """Keep an action that came after ``after_sample`` samples of the session."""
        with self.together():
            self._recording(session_id).add_action(after_sample, t_us, action)

    def add_notice(self, session_id: int, after_sample: int, notice: Notice) -> None:
        """Keep a notice that came after ``after_sample`` samples of the session."""
        with self.together():
            self._recording(session_id).add_notice(after_sample, notice)

    def add_lost(self, session_id: int, after_sample: int, t_us: int, count: int) -> None:
        """Note that ``count`` samples, the first at ``t_us``, are missing after ``after_sample`` of the session."""
        with self.together():
            self._recording(session_id).add_lost(after_sample, t_us, count)

    def commit_point(
        self,
        pull_id: int,
        session_id: int,
        point: Point,
        pending: Sequence[Sample] = (),
        pending_actions: Sequence[PendingAction] = (),
    ) -> None:
        """Keep a point with the samples and actions that are not kept yet, all or nothing."""
        with self.together():
            recording = self._recording(session_id)
            if pending:
                recording.add_samples(pending)
            for after_sample, t_us, action in pending_actions:
                recording.add_action(after_sample, t_us, action)
            rows.insert_point(self._sql, pull_id, session_id, recording.samples, point)

    # ------------------------------------------------------------ what belongs to a pull

    def add_mark(self, pull_id: int, mark: Mark) -> None:
        """Write a mark on the whole pull."""
        with self.together():
            rows.insert(self._sql, "marks", pull_id=pull_id, kind=mark.kind, sentence=mark.sentence)

    def set_zeros(self, pull_id: int, session_id: int, which: Literal["before", "after"], zeros: Zeros) -> None:
        """Keep zeros; the last ones of their kind are in force, earlier ones are kept."""
        with self.together():
            rows.insert_zeros(self._sql, pull_id, session_id, which, zeros)

    def skip_step(self, pull_id: int, step: int, skipped: bool) -> None:
        """Note that a step is left out, or is no longer."""
        with self.together():
            self._sql.execute("DELETE FROM skipped_steps WHERE pull_id = ? AND step = ?", [pull_id, step])
            if skipped:
                rows.insert(self._sql, "skipped_steps", pull_id=pull_id, step=step)

    # ------------------------------------------------------------ what serves many pulls

    def add_leakage_law(self, law: LeakageLaw) -> None:
        """Keep a leakage law; the newest of its direction is in force."""
        with self.together():
            rows.insert_leakage_law(self._sql, law)

    def add_record(self, record: BenchRecord) -> int:
        """Keep a record about the bench; its number. The newest of its kind and key is in force."""
        with self.together():
            return rows.insert(
                self._sql,
                "bench_records",
                uid=_new_uid(),
                kind=record.KIND,
                key=record.key,
                made_utc=utc_text(record.made_utc),
                record_json=model_text(record),
            )

    def save_template(self, template: Template) -> None:
        """Keep a template; one of the same name is replaced."""
        with self.together():
            rows.insert_template(self._sql, template)

    def delete_template(self, name: str) -> None:
        """Forget a template; pulls made with it are not touched."""
        with self.together():
            self._change_one(f"template {name!r}", "DELETE FROM templates WHERE name = ?", [name])

    # ------------------------------------------------------------ from another archive

    def numbers_of(self, uids: Sequence[str]) -> dict[str, int]:
        """The numbers of those pulls that are here, by uid."""
        with saying(self.path):
            every = ((uid, self._sql.execute("SELECT id FROM pulls WHERE uid = ?", [uid]).fetchone()) for uid in uids)
            return {uid: row[0] for uid, row in every if row is not None}

    def take_over(
        self, source: sqlite3.Connection, pull_ids: Sequence[int], imported: tuple[str, str, str] | None = None
    ) -> None:
        """Copy pulls with all their rows from another archive, all of them or none.

        ``imported`` (where from, when packed, when imported) marks them as
        such: what they bring is never in force on this bench.
        """
        with self.together():
            moved = transfer.copy(source, self._sql, pull_ids)
            if imported is None:
                return
            origin, packed_utc, imported_utc = imported[0], utc_text(imported[1]), utc_text(imported[2])
            for pull_id in moved.pulls.values():
                rows.insert(
                    self._sql,
                    "imported_pulls",
                    pull_id=pull_id,
                    origin=origin,
                    packed_utc=packed_utc,
                    imported_utc=imported_utc,
                )
            for record_id in moved.new_records:
                rows.insert(
                    self._sql, "imported_records", record_id=record_id, origin=origin, imported_utc=imported_utc
                )

    # ------------------------------------------------------------

    def _recording(self, session_id: int) -> Recording:
        if session_id not in self._recordings:
            self._recordings[session_id] = Recording(self._sql, session_id)
        return self._recordings[session_id]

    def _change_one(self, what: str, sql: str, values: list[object]) -> None:
        if self._sql.execute(sql, values).rowcount != 1:
            raise ArchiveError(f"the archive {self.path} has no {what}: nothing was changed")
