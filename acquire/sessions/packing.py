"""Pulls in one file, to be replayed on another machine: packed with their seal, checked before anything is taken in."""

import shutil
import sqlite3
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire import __version__
from acquire.daemon.single import claim_archive
from acquire.records import Refused
from acquire.store import manifest as manifests
from acquire.store import transfer
from acquire.store.archive import Archive
from acquire.store.connect import connect_reader
from acquire.store.errors import ArchiveError, saying
from acquire.store.manifest import Manifest, PackedPull
from acquire.store.reader import ArchiveReader
from acquire.store.version import VERSION, archive_version


@dataclass(frozen=True, slots=True)
class Unpacked:
    """A pull of the file: its number here, and whether it is new."""

    pull: PackedPull
    pull_id: int
    new: bool


def pack(archive: Path, pulls: Sequence[str], output: Path, packed_utc: str, with_plate: bool = True) -> Manifest:
    """Write pulls into one new file. ``with_plate``: with the blank-plate pull whose leakage was subtracted.

    Raises ``ArchiveError`` or ``Refused`` with one sentence; then no file is left behind.
    """
    if output.exists():
        raise Refused(f"{output} is there already: give another name, or remove it first.")
    with ArchiveReader(archive) as reader:
        ids = {reader.pull(name).id for name in pulls}
    whole = output.with_name(output.name + ".part")
    try:
        found = _write(archive, ids, whole, packed_utc, with_plate)
        whole.replace(output)
    except OSError as error:
        raise Refused(f"{output} cannot be written ({error.strerror}): choose another place.") from error
    finally:
        for name in (whole, *(whole.with_name(whole.name + end) for end in ("-wal", "-shm"))):
            name.unlink(missing_ok=True)
    return found


def _write(archive: Path, ids: set[int], output: Path, packed_utc: str, with_plate: bool) -> Manifest:
    output.unlink(missing_ok=True)
    source = connect_reader(archive, 5.0)
    source.row_factory = None
    with Archive.open(output) as target, saying(archive):
        try:
            source.execute("BEGIN")  # all of it as it is at one moment
            if with_plate:
                ids |= {plate for plate in (transfer.plate_of(source, its) for its in ids) if plate is not None}
            pulls = tuple(_packed(source, its) for its in sorted(ids))
            target.take_over(source, sorted(ids))
        finally:
            source.close()
    with saying(output):
        connection = sqlite3.connect(output, isolation_level=None)
        try:
            connection.execute("PRAGMA journal_mode = DELETE")
            found = Manifest(
                format=manifests.FORMAT,
                software_version=__version__,
                archive_version=VERSION,
                origin=str(archive.absolute()),
                packed_utc=packed_utc,
                pulls=pulls,
                groups=manifests.groups(connection),
            )
            manifests.write(connection, found)
            connection.execute("VACUUM")
        finally:
            connection.close()
    manifests.seal(output)
    return found


def _packed(source: sqlite3.Connection, pull_id: int) -> PackedPull:
    row = source.execute(
        "SELECT uid, identifier, kind, software_version FROM pulls JOIN subjects ON subjects.id = subject_id "
        "WHERE pulls.id = ?",
        [pull_id],
    ).fetchone()
    plate = transfer.plate_of(source, pull_id)
    plate_uid = source.execute("SELECT uid FROM pulls WHERE id = ?", [plate]).fetchone()[0] if plate else ""
    return PackedPull(uid=row[0], head=row[1], kind=row[2], software_version=row[3], plate_uid=plate_uid)


def unpack(file: Path, archive: Path, imported_utc: str) -> tuple[Manifest, list[Unpacked]]:
    """Check a packed file and take its pulls into an archive; those that are there already stay as they are.

    Raises with one sentence when a byte of the file changed, when it is of a
    newer version, or while a daemon owns the archive; then nothing was taken in.
    """
    found = inspect(file)
    with tempfile.TemporaryDirectory() as folder, claim_archive("steadydraw", archive):
        copy = Path(folder) / "packed.db"
        shutil.copyfile(file, copy)
        with Archive.open(copy):  # an older one is brought up to date, the file itself stays as it is
            pass
        source = connect_reader(copy, 5.0)
        source.row_factory = None
        try:
            with Archive.open(archive) as target, saying(copy):
                return found, _take(source, target, found, imported_utc)
        finally:
            source.close()


def _take(source: sqlite3.Connection, target: Archive, found: Manifest, imported_utc: str) -> list[Unpacked]:
    ids = dict(source.execute("SELECT uid, id FROM pulls").fetchall())
    there = target.numbers_of([its.uid for its in found.pulls])
    wanted = [ids[its.uid] for its in found.pulls if its.uid not in there]
    if wanted:
        target.take_over(source, wanted, (found.origin, found.packed_utc, imported_utc))
    now = target.numbers_of([its.uid for its in found.pulls])
    return [Unpacked(its, now[its.uid], its.uid not in there) for its in found.pulls]


def inspect(file: Path) -> Manifest:
    """The manifest of a file that is whole. Raises ``ArchiveError``."""
    if not file.is_file():
        raise ArchiveError(f"there is no file {file}: check its name")
    with saying(file):
        connection = sqlite3.connect(file.absolute().as_uri() + "?mode=ro&immutable=1", uri=True)
        try:
            newer = _newer(connection, file)
        finally:
            connection.close()
    manifests.check_seal(file)
    if newer is not None:
        raise newer
    with saying(file):
        connection = sqlite3.connect(file.absolute().as_uri() + "?mode=ro&immutable=1", uri=True)
        try:
            found = manifests.read(connection, file)
            wrong = list(manifests.changed(connection, found)) if found.archive_version == VERSION else []
        finally:
            connection.close()
    if wrong:
        raise ArchiveError(f"{file} does not hold what its manifest says ({', '.join(wrong[:3])}): get the file again")
    return found


def _newer(connection: sqlite3.Connection, file: Path) -> ArchiveError | None:
    """The sentence for a file that is too new; None for any other, damaged ones included: the seal speaks of those."""
    try:
        archive_version(connection, file)
    except ArchiveError as error:
        return error
    except sqlite3.Error:
        return None
    return None
