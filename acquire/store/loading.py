"""Table rows back into values, inside the caller's transaction."""

import json
import math
import sqlite3
import tomllib
from collections.abc import Callable
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from acquire.basis import Basis
from acquire.config import BenchConfig, ConfigError, parse_tables
from acquire.records import (
    ArchivedPull,
    Imported,
    LeakageLaw,
    PullRequest,
    PullRow,
    SessionRow,
    Setup,
    Subject,
    Template,
)
from acquire.steadiness.many_pulls import HeldPull
from acquire.store.encoding import point_from
from acquire.store.errors import ArchiveError
from acquire.store.recording import SIMULATED
from acquire.store.rows import sample_count
from acquire.values import Mark, Point, Zeros

Kept = TypeVar("Kept")
Model = TypeVar("Model", bound=BaseModel)

_PULL_ROWS = """
    SELECT pulls.id, uid, pulls.kind, direction, identifier AS subject, model, started_utc, outcome,
        step_count AS steps,
        (SELECT count(DISTINCT step) FROM points WHERE points.pull_id = pulls.id) AS taken,
        (SELECT count(*) FROM marks WHERE marks.pull_id = pulls.id) AS marks,
        simulated
    FROM pulls JOIN subjects ON subjects.id = pulls.subject_id
"""
# beside a lone max() SQLite takes the other columns from the row that holds the maximum: the last take
_HELD_PULLS = """
    SELECT pulls.id, started_utc, direction, configuration_id, simulated,
        EXISTS (SELECT 1 FROM marks WHERE marks.pull_id = pulls.id AND marks.kind = 'typed') AS typed,
        count(*) AS points, sum(held) AS held, max(abs(largest_excursion_pa) / target_pa) AS farthest,
        avg((sd_pa / target_pa) * (sd_pa / target_pa)) AS sd_squared,
        avg(abs(slope_pa_per_s) * duration_s / target_pa) AS drift, max(band_pa / target_pa) AS band
    FROM (
        SELECT pull_id, held, largest_excursion_pa, target_pa, band_pa, sd_pa, slope_pa_per_s, duration_s, max(take)
        FROM holds GROUP BY pull_id, step
    ) AS last
    JOIN pulls ON pulls.id = last.pull_id
    WHERE pulls.kind = 'lift' AND started_utc >= :since
    GROUP BY pulls.id ORDER BY started_utc, pulls.id
"""
_SESSION_ROWS = """
    SELECT sessions.id, pull_id, started_utc, ended_utc, software_version AS version, text AS config_text, state_json
    FROM sessions JOIN configurations ON configurations.id = sessions.configuration_id
"""


def all_rows(sql: sqlite3.Connection, query: str, **values: object) -> list[sqlite3.Row]:
    """Every row of a query with named values."""
    return sql.execute(query, values).fetchall()


def decoded(what: str, decode: Callable[[str], Kept], text: str) -> Kept:
    """A value kept as JSON. Raises ``ArchiveError`` for one that this version cannot read."""
    try:
        return decode(text)
    except ValidationError as error:
        raise ArchiveError(
            f"{what} in the archive cannot be read ({error.errors()[0]['msg']}): "
            "it was changed by hand, or the archive is damaged"
        ) from error


def pull_rows(sql: sqlite3.Connection, where: str, limit: int | None, **values: object) -> list[PullRow]:
    """Pulls for a list, the newest first."""
    found = all_rows(
        sql, f"{_PULL_ROWS} {where} ORDER BY pulls.id DESC LIMIT :limit", limit=-1 if limit is None else limit, **values
    )
    return [PullRow(**{**dict(row), "simulated": bool(row["simulated"])}) for row in found]


def session_rows(sql: sqlite3.Connection, where: str, **values: object) -> list[SessionRow]:
    """Sessions, in the order in which they were begun."""
    return [
        SessionRow(**dict(row), samples=sample_count(sql, row["id"]))
        for row in all_rows(sql, f"{_SESSION_ROWS} {where} ORDER BY sessions.id", **values)
    ]


def points(sql: sqlite3.Connection, where: str, **values: object) -> list[Point]:
    """Points in the order in which they were taken."""
    return [
        decoded(f"point {row['id']} of pull {row['pull_id']}", point_from, row["point_json"])
        for row in all_rows(sql, f"SELECT id, pull_id, point_json FROM points {where} ORDER BY id", **values)
    ]


def numbered_points(sql: sqlite3.Connection, after: int, limit: int) -> list[tuple[int, int, Point]]:
    """Number, pull and point of own points beyond a number, in the order in which they were committed."""
    found = all_rows(
        sql,
        "SELECT id, pull_id, point_json FROM points WHERE id > :after "
        "AND pull_id NOT IN (SELECT pull_id FROM imported_pulls) ORDER BY id LIMIT :limit",
        after=after,
        limit=limit,
    )
    return [(row["id"], row["pull_id"], decoded(f"point {row['id']}", point_from, row["point_json"])) for row in found]


def find_pull(sql: sqlite3.Connection, id_or_uid: int | str) -> sqlite3.Row | None:
    """The row of a pull by id, uid or ``last``."""
    wanted = str(id_or_uid).strip().lower()
    if wanted == "last":
        query = "SELECT * FROM pulls ORDER BY id DESC LIMIT 1"
    elif wanted.isascii() and wanted.isdigit() and len(wanted) < 19:
        query = "SELECT * FROM pulls WHERE id = CAST(:wanted AS INTEGER)"
    else:
        query = "SELECT * FROM pulls WHERE uid = :wanted"
    found = all_rows(sql, query, wanted=wanted)
    return found[0] if found else None


def archived_pull(sql: sqlite3.Connection, row: sqlite3.Row) -> ArchivedPull:
    """Everything about the pull of a row of ``pulls``."""
    pull_id = row["id"]
    skipped = all_rows(sql, "SELECT step FROM skipped_steps WHERE pull_id = :id ORDER BY step", id=pull_id)
    marks = all_rows(sql, "SELECT kind, sentence FROM marks WHERE pull_id = :id ORDER BY id", id=pull_id)
    return ArchivedPull(
        id=pull_id,
        uid=row["uid"],
        request=_request(sql, row),
        config=config_of(sql, row),
        started_utc=row["started_utc"],
        ended_utc=row["ended_utc"],
        outcome=row["outcome"],
        version=row["software_version"],
        sources=_sources(sql, row),
        points=tuple(points(sql, "WHERE pull_id = :id", id=pull_id)),
        skipped=tuple(found["step"] for found in skipped),
        zeros_before=_zeros(sql, pull_id, "before"),
        zeros_after=_zeros(sql, pull_id, "after"),
        marks=tuple(Mark(found["kind"], found["sentence"]) for found in marks),
        basis=decoded(f"the basis of pull {pull_id}", Basis.model_validate_json, row["basis_json"]),
        leakage=None if row["leakage_json"] is None else leakage_law(row["leakage_json"]),
        sessions=tuple(session_rows(sql, "WHERE pull_id = :id", id=pull_id)),
        imported=_imported(sql, pull_id),
    )


def held_pulls(sql: sqlite3.Connection, since_utc: str) -> list[HeldPull]:
    """Lift pulls with how they held, the oldest first: sums over the last take of each step."""
    found = all_rows(sql, _HELD_PULLS, since=since_utc)
    texts = {row["configuration_id"] for row in found}
    names = {its: _bench_name(sql, its) for its in texts}
    return [
        HeldPull(
            id=row["id"],
            started_utc=row["started_utc"],
            direction=row["direction"],
            bench=names[row["configuration_id"]],
            simulated=bool(row["simulated"]),
            points=row["points"],
            held=row["held"],
            sd=math.sqrt(row["sd_squared"]),
            drift=row["drift"],
            farthest=row["farthest"],
            band=row["band"],
            typed=bool(row["typed"]),
        )
        for row in found
    ]


def _bench_name(sql: sqlite3.Connection, configuration_id: int) -> str:
    (found,) = all_rows(sql, "SELECT text FROM configurations WHERE id = :id", id=configuration_id)
    return str(tomllib.loads(found["text"]).get("name", ""))


def leakage_law(text: str) -> LeakageLaw:
    """A kept leakage law."""
    return decoded("a leakage law", LeakageLaw.model_validate_json, text)


def template(sql: sqlite3.Connection, row: sqlite3.Row) -> Template:
    """The template of a row of ``templates``."""
    return Template(
        name=row["name"],
        setup=by_id(sql, Setup, "setups", row["setup_id"]),
        direction=row["direction"],
        meter_range=row["meter_range"],
        lifts_m=json.loads(row["lifts_m_json"]),
    )


def record(model: type[Model], row: sqlite3.Row) -> Model:
    """A record whose fields are the columns of a row, or JSON in ``<name>_json``."""
    columns = set(row.keys())
    return model.model_validate(
        {name: row[name] if name in columns else json.loads(row[f"{name}_json"]) for name in model.model_fields}
    )


def by_id(sql: sqlite3.Connection, model: type[Model], table: str, row_id: int) -> Model:
    """The record of a table's row."""
    (row,) = all_rows(sql, f"SELECT * FROM {table} WHERE id = :id", id=row_id)
    return record(model, row)


def _request(sql: sqlite3.Connection, row: sqlite3.Row) -> PullRequest:
    (schedule,) = all_rows(sql, "SELECT * FROM schedules WHERE id = :id", id=row["schedule_id"])
    return PullRequest(
        kind=row["kind"],
        direction=row["direction"],
        subject=by_id(sql, Subject, "subjects", row["subject_id"]),
        setup=by_id(sql, Setup, "setups", row["setup_id"]),
        meter_range=row["meter_range"],
        lifts_m=json.loads(schedule["lifts_m_json"]),
        test_pressures_pa=json.loads(schedule["test_pressures_pa_json"]),
        schedule_name=schedule["name"],
        operator=row["operator"],
    )


def config_of(sql: sqlite3.Connection, row: sqlite3.Row) -> BenchConfig:
    """The configuration that a row of ``pulls`` names."""
    (found,) = all_rows(sql, "SELECT text FROM configurations WHERE id = :id", id=row["configuration_id"])
    try:
        return parse_tables(found["text"], f"the configuration kept with pull {row['id']}")
    except ConfigError as error:
        raise ArchiveError(str(error)) from error


def _sources(sql: sqlite3.Connection, row: sqlite3.Row) -> dict[str, str]:
    """As announced, then as the samples carried them; a simulated one is never covered by another."""
    sources: dict[str, str] = json.loads(row["sources_json"])
    carried = all_rows(
        sql,
        "SELECT channel, source FROM session_channels JOIN sessions ON sessions.id = session_id "
        "WHERE pull_id = :id ORDER BY session_id, number",
        id=row["id"],
    )
    for found in carried:
        if not sources.get(found["channel"], "").startswith(SIMULATED):
            sources[found["channel"]] = found["source"]
    return sources


def _imported(sql: sqlite3.Connection, pull_id: int) -> Imported | None:
    found = all_rows(sql, "SELECT origin, packed_utc, imported_utc FROM imported_pulls WHERE pull_id = :id", id=pull_id)
    return Imported(**dict(found[0])) if found else None


def _zeros(sql: sqlite3.Connection, pull_id: int, which: str) -> Zeros | None:
    found = all_rows(
        sql,
        "SELECT t_us, test_pressure_pa, meter_pressure_pa, lift_m FROM zeros "
        'WHERE pull_id = :id AND "which" = :which ORDER BY id DESC LIMIT 1',
        id=pull_id,
        which=which,
    )
    return Zeros(**dict(found[0])) if found else None
