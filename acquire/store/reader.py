"""The archive's read side: any number of readers, also while a pull runs; never writes."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acquire.bench_records import Kept, R
from acquire.pull.batch import Batch
from acquire.records import ArchivedPull, LeakageLaw, PullRow, SessionRow, Setup, Subject, Template
from acquire.scaling import settings_from_json
from acquire.steadiness.many_pulls import HeldPull
from acquire.store import loading, stream
from acquire.store.connect import check, connect_reader
from acquire.store.curves import Curve, curves
from acquire.store.encoding import utc_text
from acquire.store.errors import ArchiveError, saying
from acquire.store.stream import Event, Records, TimedAction
from acquire.values import Direction, Point, PullKind
from drivers.base import ChannelSettings

__all__ = ["ArchiveError", "ArchiveReader", "Records", "TimedAction"]

_LONGEST_AGE_S = 3e9


class ArchiveReader:
    """Reads the archive. Everything raises :class:`ArchiveError` with one sentence.

    May be handed from thread to thread, but serves one at a time.
    """

    def __init__(self, path: Path, busy_timeout_s: float = 5.0) -> None:
        self.path = Path(path)
        self._sql = connect_reader(self.path, busy_timeout_s)

    def close(self) -> None:
        """Closing twice is harmless."""
        self._sql.close()

    def __enter__(self) -> "ArchiveReader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def check(self) -> None:
        """Look for damage in the whole file, sample blocks included."""
        with saying(self.path):
            check(self._sql, self.path, whole=True)

    # ------------------------------------------------------------ pulls

    def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        """Pulls, the newest first. ``subject`` is an identifier, in upper or lower case."""
        wanted = {"kind": kind, "direction": direction}
        where = [f"pulls.{name} = :{name}" for name, value in wanted.items() if value is not None]
        if subject is not None:
            where.append("subject_id IN (SELECT id FROM subjects WHERE identifier = :subject COLLATE NOCASE)")
        with self._reading():
            return loading.pull_rows(
                self._sql, f"WHERE {' AND '.join(where)}" if where else "", limit, subject=subject, **wanted
            )

    def open_pulls(self) -> list[PullRow]:
        """Pulls that have not ended and can be resumed, the newest first."""
        with self._reading():
            return loading.pull_rows(
                self._sql, "WHERE outcome IS NULL AND pulls.id NOT IN (SELECT pull_id FROM imported_pulls)", None
            )

    def pull(self, id_or_uid: int | str) -> ArchivedPull:
        """Everything about one pull, by its id, its uid, or ``"last"``."""
        with self._reading():
            row = loading.find_pull(self._sql, id_or_uid)
            if row is None:
                raise self._no_pull(id_or_uid)
            return loading.archived_pull(self._sql, row)

    def curves(self, direction: Direction, model: str = "") -> list[Curve]:
        """Flow curves of all complete lift pulls of a model's heads, the oldest first."""
        with self._reading():
            return list(curves(self._sql, direction, model))

    # ------------------------------------------------------------ sessions and samples

    def sessions(self, pull_id: int) -> list[SessionRow]:
        """The recordings of a pull, in order of time."""
        with self._reading():
            if loading.find_pull(self._sql, pull_id) is None:
                raise self._no_pull(pull_id)
            return loading.session_rows(self._sql, "WHERE pull_id = :id", id=pull_id)

    def session(self, session_id: int) -> SessionRow:
        """One recording."""
        with self._reading():
            found = loading.session_rows(self._sql, "WHERE sessions.id = :id", id=session_id)
            if not found:
                (held,) = loading.all_rows(self._sql, "SELECT count(*) AS n, max(id) AS last FROM sessions")
                ids = f"the last one is {held['last']}" if held["n"] else "it holds none yet"
                raise ArchiveError(f"there is no session {session_id} in the archive {self.path}: {ids}")
            return found[0]

    def calibration(self, session_id: int) -> dict[str, ChannelSettings]:
        """Unit, and scale, offset and accuracy or the calibration in force for a session, by channel."""
        self.session(session_id)
        with self._reading():
            found = loading.all_rows(
                self._sql,
                "SELECT channel, settings_json FROM session_calibrations WHERE session_id = :id ORDER BY channel",
                id=session_id,
            )
            return {
                row["channel"]: loading.decoded("a calibration", settings_from_json, row["settings_json"])
                for row in found
            }

    def points_of_session(self, session_id: int) -> list[Point]:
        """The points that were taken in one recording, in the order in which they were taken."""
        self.session(session_id)
        with self._reading():
            return loading.points(self._sql, "WHERE session_id = :id", id=session_id)

    def session_of_point(self, pull_id: int, step: int, take: int) -> int:
        """The session in whose time a point was taken."""
        with self._reading():
            found = loading.all_rows(
                self._sql,
                "SELECT session_id FROM points WHERE pull_id = :pull_id AND step = :step AND take = :take",
                pull_id=pull_id,
                step=step,
                take=take,
            )
        if not found:
            raise ArchiveError(f"pull {pull_id} in the archive {self.path} has no take {take} of step {step + 1}")
        return int(found[0]["session_id"])

    def points_after(self, number: int, limit: int) -> list[tuple[int, int, Point]]:
        """Own points in the order in which they were committed: number, pull, point; imported ones left out."""
        with self._reading():
            return loading.numbered_points(self._sql, number, limit)

    def point_number(self, pull_uid: str, step: int, take: int) -> int | None:
        """The number of a point by what names it everywhere."""
        with self._reading():
            found = loading.all_rows(
                self._sql,
                "SELECT points.id FROM points JOIN pulls ON pulls.id = pull_id "
                "WHERE uid = :uid AND step = :step AND take = :take",
                uid=pull_uid,
                step=step,
                take=take,
            )
        return int(found[0]["id"]) if found else None

    def newest_point(self) -> tuple[int, str, int, int] | None:
        """Number, pull's uid, step and take of the point that was committed last."""
        with self._reading():
            found = loading.all_rows(
                self._sql,
                "SELECT points.id, uid, step, take FROM points JOIN pulls ON pulls.id = pull_id "
                "ORDER BY points.id DESC LIMIT 1",
            )
        return (found[0]["id"], found[0]["uid"], found[0]["step"], found[0]["take"]) if found else None

    def stream(self, session_id: int) -> Iterator[Records]:
        """Everything a session received, in the order of arrival, up to now."""
        self.session(session_id)
        with saying(self.path):
            yield from stream.stream(self._sql, session_id)

    def batches(self, session_id: int, whole_blocks: bool = False) -> Iterator[Batch | Event]:
        """The same with the samples as arrays; ``whole_blocks``: about a second at once, as they were written."""
        self.session(session_id)
        with saying(self.path):
            yield from stream.batches(self._sql, session_id, whole_blocks)

    def samples(
        self, session_id: int, channel: str, t_from_us: int | None = None, t_to_us: int | None = None
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Times (us) and numbers as received of one channel, both ends of the time span included."""
        self.session(session_id)
        with saying(self.path):
            return stream.channel_samples(self._sql, session_id, channel, t_from_us, t_to_us)

    # ------------------------------------------------------------ what serves many pulls

    def subjects(self) -> list[Subject]:
        """Every subject, the newest first."""
        with self._reading():
            found = loading.all_rows(self._sql, "SELECT * FROM subjects ORDER BY id DESC")
            return [loading.record(Subject, row) for row in found]

    def setups(self) -> list[Setup]:
        """Every set-up, the newest first."""
        with self._reading():
            found = loading.all_rows(self._sql, "SELECT * FROM setups ORDER BY id DESC")
            return [loading.record(Setup, row) for row in found]

    def templates(self) -> list[Template]:
        """Every template, by name."""
        with self._reading():
            found = loading.all_rows(self._sql, "SELECT * FROM templates ORDER BY name COLLATE NOCASE, name")
            return [loading.template(self._sql, row) for row in found]

    def leakage_for(self, direction: Direction, setup: Setup, now: datetime, age_limit_s: float) -> LeakageLaw | None:
        """The newest leakage law of a direction that is not older than the limit, if any.

        A leak belongs to the joint between plate and fixture and to the plenum:
        one that was measured on another bore fixture than that of ``setup``, or
        with a gasket where it has none, is left out. Where either does not name
        its fixture it counts. What sits on the port's open side is no matter.
        """
        oldest = now - timedelta(seconds=min(age_limit_s, _LONGEST_AGE_S))
        with self._reading():
            found = loading.all_rows(
                self._sql,
                """
                SELECT law_json FROM leakage_laws
                JOIN pulls ON pulls.id = leakage_laws.pull_id
                JOIN setups ON setups.id = pulls.setup_id
                WHERE leakage_laws.direction = :direction AND measured_utc >= :oldest
                    AND leakage_laws.pull_id NOT IN (SELECT pull_id FROM imported_pulls)
                    AND (:fixture IS NULL OR bore_fixture_diameter_m IS NULL OR bore_fixture_diameter_m = :fixture)
                    AND gasket_fitted = :gasket
                ORDER BY measured_utc DESC, leakage_laws.id DESC LIMIT 1
                """,
                direction=direction,
                oldest=utc_text(oldest.isoformat()),
                fixture=setup.bore_fixture_diameter_m,
                gasket=int(setup.gasket_fitted),
            )
            return loading.leakage_law(found[0]["law_json"]) if found else None

    def held_pulls(self, since_utc: str = "") -> list[HeldPull]:
        """How every lift pull begun since a date held its test pressure, the oldest first."""
        with self._reading():
            return loading.held_pulls(self._sql, since_utc)

    def newest_leakage(self, direction: Direction) -> tuple[LeakageLaw, Setup] | None:
        """The newest leakage law of a direction, of whatever age, and the set-up of its blank-plate run."""
        with self._reading():
            found = loading.all_rows(
                self._sql,
                "SELECT law_json, pull_id FROM leakage_laws WHERE direction = :direction "
                "AND pull_id NOT IN (SELECT pull_id FROM imported_pulls) "
                "ORDER BY measured_utc DESC, id DESC LIMIT 1",
                direction=direction,
            )
            if not found:
                return None
            row = loading.find_pull(self._sql, found[0]["pull_id"])
            assert row is not None  # a foreign key
            return loading.leakage_law(found[0]["law_json"]), loading.archived_pull(self._sql, row).request.setup

    def bench_records(self, model: type[R], key: str | None = None, limit: int | None = None) -> list[Kept[R]]:
        """Records about the bench of one kind (and key), the newest first."""
        with self._reading():
            found = loading.all_rows(
                self._sql,
                'SELECT id, uid, record_json FROM bench_records WHERE kind = :kind AND (:key IS NULL OR "key" = :key) '
                "AND id NOT IN (SELECT record_id FROM imported_records) "
                "ORDER BY made_utc DESC, id DESC LIMIT :limit",
                kind=model.KIND,
                key=key,
                limit=-1 if limit is None else limit,
            )
            return [
                Kept(
                    row["id"],
                    row["uid"],
                    loading.decoded(f"record {row['id']}", model.model_validate_json, row["record_json"]),
                )
                for row in found
            ]

    # ------------------------------------------------------------

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """All queries inside see the archive at one moment."""
        with saying(self.path):
            self._sql.execute("BEGIN")
            try:
                yield
            finally:
                self._sql.rollback()

    def _no_pull(self, wanted: int | str) -> ArchiveError:
        (held,) = loading.all_rows(self._sql, "SELECT count(*) AS n, min(id) AS first, max(id) AS last FROM pulls")
        if held["n"] == 0:
            return ArchiveError(f"the archive {self.path} holds no pulls yet: run a first one")
        ids = f"one pull, {held['last']}" if held["n"] == 1 else f"pulls {held['first']} to {held['last']}"
        return ArchiveError(f"there is no pull {wanted} in the archive {self.path}: it holds {ids} (also called last)")
