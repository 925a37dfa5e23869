"""Which archives this steadydraw reads and writes, and whether a file is one of them."""

import sqlite3
from pathlib import Path

from acquire import __version__
from acquire.store.errors import ArchiveError
from acquire.store.schema import APPLICATION_ID

VERSION = 2


def archive_version(connection: sqlite3.Connection, path: Path) -> int:
    """The version of an open archive, 0 for a file without any table.

    Raises :class:`ArchiveError` for another program's database and for an
    archive newer than this steadydraw.
    """
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if tables == 0:
        return 0
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    if application != APPLICATION_ID:
        raise ArchiveError(f"{path} is a database of another program, not an archive: choose another path")
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > VERSION:
        row = connection.execute("SELECT value FROM about WHERE name = 'software_version'").fetchone()
        theirs = f"steadydraw {row[0]}" if row else "a newer steadydraw"
        raise ArchiveError(
            f"the archive {path} was written by {theirs} (archive version {version}), and this is steadydraw "
            f"{__version__} (archive version {VERSION}): install {theirs} or newer"
        )
    return version
