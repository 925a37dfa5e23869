"""Connections to the archive: one writer, any number of readers.

WAL lets readers work while the writer commits; ``synchronous=EXTRA`` makes
every commit durable, and the file's first change to WAL too.
"""

import sqlite3
from pathlib import Path

from acquire.store.errors import ArchiveError, saying
from acquire.store.version import VERSION, archive_version

WHOLE_CHECK_BYTES = 64_000_000


def connect_writer(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
    """A checked connection that may write; its file is made when missing. Raises ``ArchiveError``."""
    if sqlite3.sqlite_version_info < (3, 38):
        raise ArchiveError(f"this Python has SQLite {sqlite3.sqlite_version}: the archive needs 3.38 or newer")
    if path.is_dir():
        raise ArchiveError(f"the archive {path} is a folder: give the path of a file in it, such as {path}/archive.db")
    with saying(path):
        connection = sqlite3.connect(path, timeout=busy_timeout_s, isolation_level=None)
        try:
            archive_version(connection, path)
            check(connection, path, whole=path.stat().st_size <= WHOLE_CHECK_BYTES)
            # before the mode changes: that is kept by the removal of a journal, which must reach the disk as well
            connection.execute("PRAGMA synchronous = EXTRA")
            connection.execute("PRAGMA fullfsync = ON")  # macOS: without it a sync stops at the drive's cache
            (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode != "wal":
                raise ArchiveError(f"the archive {path} lies where SQLite cannot share it: move it to a local disk")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA journal_size_limit = 16000000")
        except BaseException:
            connection.close()
            raise
    return connection


def connect_reader(path: Path, busy_timeout_s: float, older: bool = False) -> sqlite3.Connection:
    """A connection that cannot write, for any thread (one at a time). Raises ``ArchiveError``.

    ``older``: also for an archive that is not up to date, to be copied as it is.
    """
    if not path.exists():
        raise ArchiveError(f"there is no archive at {path}: check the path, or run a first pull")
    if path.is_dir():
        raise ArchiveError(f"the archive {path} is a folder: give the path of a file in it, such as {path}/archive.db")
    with saying(path):
        connection = _open_to_read(path, busy_timeout_s)
        try:
            version = archive_version(connection, path)
        except BaseException:
            connection.close()
            raise
    if version == 0 or (version < VERSION and not older):
        connection.close()
        raise ArchiveError(
            f"the archive {path} is empty: run a first pull"
            if version == 0
            else f"the archive {path} has the older archive version {version}, this steadydraw reads {VERSION}: "
            "start the daemon once, it brings the archive up to date"
        )
    connection.row_factory = sqlite3.Row
    return connection


def _open_to_read(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
    uri = path.absolute().as_uri() + "?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError as error:
        connection.close()
        barred = error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not barred or path.with_name(path.name + "-wal").exists():
            raise
        # no writer is at work and the files for sharing cannot be made, as on a write-protected backup
        return sqlite3.connect(uri + "&immutable=1", uri=True, isolation_level=None, check_same_thread=False)
    return connection


def check(connection: sqlite3.Connection, path: Path, whole: bool) -> None:
    """Look for damage. Raises ``ArchiveError``.

    Without ``whole`` the sample blocks are left out, whose size would make
    the check take minutes; each block has its own check sum.
    """
    tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
    wanted = [""] if whole else [f"({name})" for (name,) in tables if name != "sample_blocks"]
    for table in wanted:
        (said,) = connection.execute(f"PRAGMA quick_check{table}").fetchone()
        if said != "ok":
            raise ArchiveError(
                f"the archive {path} is damaged ({' '.join(str(said).split())}): "
                "put back the last backup (steadydraw restore), or save what can be read (steadydraw rescue)"
            )
