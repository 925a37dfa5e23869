"""Every trouble with the archive as one sentence: what, where, what to do."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class ArchiveError(Exception):
    """One sentence. What was acknowledged before is still in the archive."""


class RefusedRecordError(ArchiveError):
    """The record itself cannot be kept, however often it is tried; the archive is well."""


_SAID: dict[int, str] = {
    sqlite3.SQLITE_FULL: "no space is left for the archive {path}: free space on that disk; "
    "what was kept before is safe",
    sqlite3.SQLITE_READONLY: "the archive {path} cannot be written, the file or its disk is read-only: "
    "change its permissions or choose another place",
    sqlite3.SQLITE_BUSY: "the archive {path} is locked by another program: close the program that has it open",
    sqlite3.SQLITE_LOCKED: "the archive {path} is locked by another program: close the program that has it open",
    sqlite3.SQLITE_NOTADB: "{path} is not an archive (it is not a database): choose another path",
    sqlite3.SQLITE_CORRUPT: "the archive {path} is damaged: put back the last backup (steadydraw restore), "
    "or save what can be read (steadydraw rescue)",
    sqlite3.SQLITE_CANTOPEN: "the archive {path} cannot be opened: check that its folder exists and may be written",
    sqlite3.SQLITE_PERM: "the archive {path} cannot be opened: check the permissions of the file and its folder",
    sqlite3.SQLITE_AUTH: "the archive {path} cannot be opened: check the permissions of the file and its folder",
    sqlite3.SQLITE_IOERR: "the disk of the archive {path} failed: check the disk and its cable; "
    "what was kept before is safe",
    sqlite3.SQLITE_CONSTRAINT: "the archive {path} refused a record ({error}): nothing of it was written; "
    "this is a fault of steadydraw, please report it",
    sqlite3.SQLITE_MISMATCH: "the archive {path} refused a record ({error}): nothing of it was written; "
    "this is a fault of steadydraw, please report it",
    sqlite3.SQLITE_TOOBIG: "the archive {path} refused a record ({error}): nothing of it was written; "
    "this is a fault of steadydraw, please report it",
}


@contextmanager
def saying(path: Path) -> Iterator[None]:
    """Turn what SQLite raises inside into an :class:`ArchiveError`.

    A wrong use of the connection (closed, another thread) is not turned.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", None)
        if code is None:
            raise
        said = _SAID.get(code & 0xFF, "the archive {path} cannot be used ({error}): check the file and its disk")
        refused = code & 0xFF in (sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG)
        raise (RefusedRecordError if refused else ArchiveError)(said.format(path=path, error=error)) from error
