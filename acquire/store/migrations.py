"""Numbered steps from an empty file to the present archive version.

A step that has been released is never changed: a new one is added, and
:data:`VERSION` rises with it.
"""

from acquire.store.schema import APPLICATION_ID, BENCH_RECORDS, BLOCK_FORMAT, TABLES, UNITS_NOTE
from acquire.store.sqlite_tools import Database, Migrations
from acquire.store.version import VERSION

migrations = Migrations("steadydraw")


@migrations(name="0001 first tables")
def _first_tables(db: Database) -> None:
    for statement in TABLES:
        db.conn.execute(statement)
    db.conn.executemany(
        "INSERT INTO about (name, value) VALUES (?, ?)",
        [("block_format", BLOCK_FORMAT), ("units", UNITS_NOTE)],
    )
    db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")


@migrations(name="0002 what is known about the bench")
def _bench_records(db: Database) -> None:
    for statement in BENCH_RECORDS:
        db.conn.execute(statement)


def bring_up_to_date(db: Database, software_version: str) -> None:
    """Apply what is missing, in the caller's transaction, and note who did it."""
    if not migrations.pending(db):
        return
    migrations.apply(db)
    db.conn.execute(f"PRAGMA user_version = {VERSION}")
    db.conn.execute(
        "INSERT INTO about (name, value) VALUES ('software_version', ?) "
        "ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        [software_version],
    )
