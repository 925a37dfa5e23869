"""Pulls with all their rows from one archive's connection to another's, under new numbers.

Which rows belong to a pull is read from the foreign keys of the tables, so
that a table that is added later travels too.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from acquire.store import rows

_OWNED_BY = ("pulls", "sessions")
_APART = ("bench_records", "imported_pulls", "imported_records")


@dataclass(slots=True)
class Moved:
    """Old number to new number: of pulls, sessions, and records about the bench."""

    pulls: dict[int, int] = field(default_factory=dict)
    sessions: dict[int, int] = field(default_factory=dict)
    records: dict[int, int] = field(default_factory=dict)
    new_records: list[int] = field(default_factory=list)


def references(sql: sqlite3.Connection, table: str) -> dict[str, str]:
    """Columns of a table that point to another table."""
    return {row[3]: row[2] for row in sql.execute(f'PRAGMA foreign_key_list("{table}")')}


def owned_tables(sql: sqlite3.Connection) -> list[str]:
    """Tables whose rows belong to a pull or to a session of one."""
    names = [name for (name,) in sql.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    return [
        name
        for name in names
        if name not in (*_OWNED_BY, *_APART) and set(references(sql, name).values()) & set(_OWNED_BY)
    ]


def shared_tables(sql: sqlite3.Connection) -> list[str]:
    """Tables whose rows serve many pulls: heads, set-ups, schedules, configurations."""
    return sorted({its for its in references(sql, "pulls").values() if its not in _OWNED_BY})


def columns(sql: sqlite3.Connection, table: str) -> list[str]:
    """A table's columns, in their order."""
    return [row[1] for row in sql.execute(f'PRAGMA table_info("{table}")')]


def key_columns(sql: sqlite3.Connection, table: str) -> list[str]:
    """The columns of a table's primary key."""
    return [row[1] for row in sorted(sql.execute(f'PRAGMA table_info("{table}")'), key=lambda row: row[5]) if row[5]]


def of_pull(sql: sqlite3.Connection, table: str, pull_id: int) -> Iterator[dict[str, Any]]:
    """The rows of an owned table that belong to a pull, in the order of its key."""
    names = columns(sql, table)
    if table == "pulls":
        where = "id = ?"
    elif "pull_id" in names:
        where = "pull_id = ?"
    else:
        where = "session_id IN (SELECT id FROM sessions WHERE pull_id = ?)"
    order = ", ".join(f'"{name}"' for name in key_columns(sql, table))
    for row in sql.execute(f'SELECT {_list(names)} FROM "{table}" WHERE {where} ORDER BY {order}', [pull_id]):
        yield dict(zip(names, row, strict=True))


def record_ids(sql: sqlite3.Connection, pull_id: int) -> list[int]:
    """The records about the bench that a pull was computed from."""
    (basis,) = sql.execute("SELECT basis_json FROM pulls WHERE id = ?", [pull_id]).fetchone()
    ids = set(json.loads(basis).get("calibration_ids", {}).values())
    ids |= {
        its
        for (its,) in sql.execute(
            "SELECT calibration_id FROM session_calibrations JOIN sessions ON sessions.id = session_id "
            "WHERE pull_id = ? AND calibration_id IS NOT NULL",
            [pull_id],
        )
    }
    return sorted(ids)


def plate_of(sql: sqlite3.Connection, pull_id: int) -> int | None:
    """The blank-plate pull whose leakage was subtracted, where the archive holds it."""
    (law,) = sql.execute("SELECT leakage_json FROM pulls WHERE id = ?", [pull_id]).fetchone()
    its = json.loads(law).get("pull_id") if law else None
    return its if its and sql.execute("SELECT 1 FROM pulls WHERE id = ?", [its]).fetchone() else None


def copy(source: sqlite3.Connection, target: sqlite3.Connection, pull_ids: Iterable[int]) -> Moved:
    """Copy pulls, in their order of number, into the caller's transaction on ``target``."""
    moved = Moved()
    for pull_id in sorted(pull_ids):
        for record_id in record_ids(source, pull_id):
            _copy_record(source, target, record_id, moved)
        (pull,) = of_pull(source, "pulls", pull_id)
        moved.pulls[pull_id] = _insert(source, target, "pulls", pull, moved)
        for session in list(of_pull(source, "sessions", pull_id)):
            moved.sessions[session["id"]] = _insert(source, target, "sessions", session, moved)
        for table in owned_tables(source):
            for row in of_pull(source, table, pull_id):
                _insert(source, target, table, row, moved)
    return moved


def _insert(
    source: sqlite3.Connection, target: sqlite3.Connection, table: str, row: dict[str, Any], moved: Moved
) -> int:
    known = {"pulls": moved.pulls, "sessions": moved.sessions, "bench_records": moved.records}
    new = dict(row)
    if key_columns(source, table) == ["id"]:
        del new["id"]
    for column, parent in references(source, table).items():
        if new[column] is None:
            continue
        if parent in known:
            new[column] = known[parent][new[column]]
        else:
            new[column] = _shared(source, target, parent, new[column])
    for column in [name for name in new if name.endswith("_json") and new[name]]:
        new[column] = _renumbered(column, new[column], moved, target, source)
    return rows.insert(target, table, **new)


def _shared(source: sqlite3.Connection, target: sqlite3.Connection, table: str, row_id: int) -> int:
    names = [name for name in columns(source, table) if name != "id"]
    values = source.execute(f'SELECT {_list(names)} FROM "{table}" WHERE id = ?', [row_id]).fetchone()
    return rows.shared(target, table, **dict(zip(names, values, strict=True)))


def _copy_record(source: sqlite3.Connection, target: sqlite3.Connection, record_id: int, moved: Moved) -> None:
    if record_id in moved.records:
        return
    names = [name for name in columns(source, "bench_records") if name != "id"]
    values = source.execute(f"SELECT {_list(names)} FROM bench_records WHERE id = ?", [record_id]).fetchone()
    if values is None:
        return
    row = dict(zip(names, values, strict=True))
    there = target.execute("SELECT id FROM bench_records WHERE uid = ?", [row["uid"]]).fetchone()
    if there is not None:
        moved.records[record_id] = there[0]
        return
    moved.records[record_id] = rows.insert(target, "bench_records", **row)
    moved.new_records.append(moved.records[record_id])


def _renumbered(column: str, text: str, moved: Moved, target: sqlite3.Connection, source: sqlite3.Connection) -> str:
    """JSON that holds numbers of other rows, with those of the target; 0 for a pull that is not there."""
    if column in ("leakage_json", "law_json"):
        law = json.loads(text)
        law["pull_id"] = _pull_there(law["pull_id"], moved, target, source)
        return _text(law)
    if column == "basis_json":
        basis = json.loads(text)
        ids = basis.get("calibration_ids")
        old = basis.get("old_leakage_pull")
        if ids:
            basis["calibration_ids"] = {name: moved.records[its] for name, its in ids.items() if its in moved.records}
        if old is not None:
            basis["old_leakage_pull"] = _pull_there(old, moved, target, source)
        return _text(basis) if ids or old is not None else text
    return text


def _pull_there(pull_id: int, moved: Moved, target: sqlite3.Connection, source: sqlite3.Connection) -> int:
    if pull_id in moved.pulls:
        return moved.pulls[pull_id]
    uid = source.execute("SELECT uid FROM pulls WHERE id = ?", [pull_id]).fetchone()
    there = target.execute("SELECT id FROM pulls WHERE uid = ?", uid).fetchone() if uid else None
    return int(there[0]) if there else 0


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _list(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
