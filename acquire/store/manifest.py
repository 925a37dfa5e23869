"""What a packed file holds and how to tell that it is whole.

Two checks. Every group of rows (a table's rows of one pull, or the rows of a
table that pulls share) has a SHA-256 over its content, so that a change can
be named; and the whole file has a seal, a SHA-256 over its bytes with the
seal's own place blanked, so that not one byte of it can change unseen.
"""

import hashlib
import json
import re
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from pathlib import Path

from pydantic import ValidationError

from acquire.config import Table
from acquire.store import transfer
from acquire.store.errors import ArchiveError

FORMAT = 1
_SEAL = re.compile(rb"seal-sha256:([0-9a-f]{64})")
_BLANK = "seal-sha256:" + "0" * 64


class PackedPull(Table):
    """A pull in the file."""

    uid: str
    head: str
    kind: str
    software_version: str
    plate_uid: str = ""


class Manifest(Table):
    """What the file holds. ``groups``: SHA-256 by name of the group."""

    format: int
    software_version: str
    archive_version: int
    origin: str
    packed_utc: str
    pulls: tuple[PackedPull, ...]
    groups: dict[str, str]


def groups(sql: sqlite3.Connection) -> dict[str, str]:
    """The SHA-256 of every group of rows in a file."""
    pulls = sql.execute("SELECT id, uid FROM pulls ORDER BY id").fetchall()
    found = {}
    for table in ("pulls", "sessions", *transfer.owned_tables(sql)):
        for pull_id, uid in pulls:
            found[f"{table} of pull {uid}"] = _digest(row.values() for row in transfer.of_pull(sql, table, pull_id))
    for table in (*transfer.shared_tables(sql), "bench_records"):
        order = ", ".join(f'"{name}"' for name in transfer.key_columns(sql, table))
        found[table] = _digest(sql.execute(f'SELECT * FROM "{table}" ORDER BY {order}'))
    return found


def _digest(found: Iterable[Iterable[object]]) -> str:
    """Each value with its type and length, so that no two contents have one text."""
    sha = hashlib.sha256()
    for row in found:
        for value in row:
            kind, data = _canonical(value)
            sha.update(kind + len(data).to_bytes(8, "big") + data)
        sha.update(b"|")
    return sha.hexdigest()


def _canonical(value: object) -> tuple[bytes, bytes]:
    if value is None:
        return b"n", b""
    if isinstance(value, int):
        return b"i", str(value).encode()
    if isinstance(value, float):
        return b"r", struct.pack(">d", value)
    return (b"t", value.encode()) if isinstance(value, str) else (b"b", bytes(value))  # type: ignore[call-overload]


def write(sql: sqlite3.Connection, manifest: Manifest) -> None:
    """Put the manifest into the file, with an open place for the seal."""
    sql.execute("CREATE TABLE pack (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT")
    sql.execute("INSERT INTO pack VALUES ('manifest', ?), ('seal', ?)", [manifest.model_dump_json(), _BLANK])


def seal(path: Path) -> None:
    """Close the file: nothing may be written to it from now on."""
    data = path.read_bytes()
    sha = hashlib.sha256(data).hexdigest()
    place = data.index(_BLANK.encode())
    with path.open("r+b") as file:
        file.seek(place + len(_BLANK) - 64)
        file.write(sha.encode())


def check_seal(path: Path) -> None:
    """Raises ``ArchiveError`` when a byte of the file is not what it was when it was packed."""
    data = path.read_bytes()
    for found in _SEAL.finditer(data):
        start, end = found.span(1)
        if hashlib.sha256(data[:start] + b"0" * 64 + data[end:]).hexdigest().encode() == found.group(1):
            return
    raise ArchiveError(
        f"{path} is damaged or was changed after it was packed{_which(path)}: nothing was imported; get the file again"
    )


def read(sql: sqlite3.Connection, path: Path) -> Manifest:
    """The file's manifest. Raises ``ArchiveError`` for a file that is no packed one, or a newer one."""
    try:
        row = sql.execute("SELECT value FROM pack WHERE name = 'manifest'").fetchone()
    except sqlite3.OperationalError:
        row = None
    if row is None:
        raise ArchiveError(f"{path} is not a packed file: make one with 'steadydraw pack PULL -o FILE'")
    form = json.loads(row[0]).get("format", 0)
    if form > FORMAT:
        theirs = json.loads(row[0]).get("software_version", "a newer one")
        raise ArchiveError(
            f"{path} is packed in format {form}, this steadydraw reads {FORMAT}: install steadydraw {theirs} or newer"
        )
    try:
        return Manifest.model_validate_json(row[0])
    except ValidationError as error:
        raise ArchiveError(f"the manifest of {path} cannot be read: get the file again") from error


def changed(sql: sqlite3.Connection, manifest: Manifest) -> Iterator[str]:
    """The groups whose content is not what the manifest says."""
    now = groups(sql)
    yield from sorted(
        name for name in now.keys() | manifest.groups.keys() if now.get(name) != manifest.groups.get(name)
    )


def _which(path: Path) -> str:
    """As far as it can still be told: the groups that changed, as a part of a sentence."""
    connection = sqlite3.connect(path.absolute().as_uri() + "?mode=ro&immutable=1", uri=True)
    try:
        names = list(changed(connection, read(connection, path)))
    except (sqlite3.Error, ArchiveError, ValueError):
        return ""
    finally:
        connection.close()
    return f" ({', '.join(names[:3])})" if names else ""
