"""One daemon a bench, one a archive, one a port: kept apart by locks that die with their holder.

A lock is an empty SQLite file held in an open exclusive transaction: the
operating system drops it when the process ends, however it ends. A file
beside it says who holds it.
"""

import contextlib
import hashlib
import os
import sqlite3
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from pydantic import ValidationError

from acquire.clock import Clock, SystemClock
from acquire.config import Table
from acquire.records import Refused
from acquire.where import read_address, slug, state_folder, write_private

# half a second in all: who has just taken a lock is about to write who holds it
_LOOKS, _BETWEEN_S = 25, 0.02


class AlreadyRunning(Refused):
    """Another daemon holds the bench, the archive or a port; the sentence names it."""


class Holder(Table):
    """Who holds a lock, written beside it."""

    what: str
    pid: int
    bench: str
    since: str


class Claim:
    """What this process holds until ``release`` or its end."""

    def __init__(self) -> None:
        self._held: list[tuple[sqlite3.Connection, Path]] = []

    def take(self, lock: Path, holder: Holder) -> None:
        """Take one lock. Raises ``AlreadyRunning``, or ``Refused`` if the file cannot be made."""
        beside = lock.with_name(lock.name + ".json")
        try:
            lock.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(lock, isolation_level=None, timeout=0, check_same_thread=False)
        except (OSError, sqlite3.Error) as error:
            raise _cannot(lock, error) from error
        try:
            connection.execute("BEGIN EXCLUSIVE")
            self._held.append((connection, beside))
            write_private(beside, holder.model_dump_json())
        except sqlite3.DatabaseError as error:
            connection.close()
            if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise AlreadyRunning(_sentence(holder.what, _holder_of(beside))) from error
            raise _cannot(lock, error) from error
        except OSError as error:
            raise _cannot(beside, error) from error

    def release(self) -> None:
        """Give everything back. Twice is harmless."""
        while self._held:
            connection, beside = self._held.pop()
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            connection.close()

    def __enter__(self) -> "Claim":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def claim(
    bench_name: str,
    archive_path: Path,
    ports: Iterable[str],
    clock: Clock | None = None,
    log_file: Path | None = None,
) -> Claim:
    """Claim a bench, its archive, its ports and its log for this process, all or none.

    Raises ``AlreadyRunning`` with a sentence that names the daemon which holds
    one of them, and ``Refused`` where a lock file cannot be made.
    """
    since = (clock or SystemClock()).utc().astimezone().isoformat(sep=" ", timespec="seconds")
    archive = Path(os.path.realpath(archive_path))
    locks = state_folder() / "locks"
    # the same order in every daemon, so that of two that start together one gets everything
    wanted = [(locks / f"bench-{slug(bench_name)}.lock", f"bench {bench_name}")]
    wanted.append((_archive_lock(archive), f"archive {archive}"))
    names = sorted({_port_name(port) for port in ports})
    wanted += [(locks / f"port-{_short(name)}.lock", f"port {name}") for name in names]
    if log_file is not None:
        its_log = os.path.realpath(log_file)
        wanted.append((locks / f"log-{_short(its_log)}.lock", f"log {its_log}"))
    held = Claim()
    try:
        for lock, what in wanted:
            held.take(lock, Holder(what=what, pid=os.getpid(), bench=bench_name, since=since))
    except BaseException:
        held.release()
        raise
    return held


def claim_archive(who: str, archive_path: Path, clock: Clock | None = None) -> Claim:
    """Claim only an archive, for a command that writes to it while no daemon runs.

    Raises ``AlreadyRunning`` when a daemon holds it, and ``Refused`` where the lock file cannot be made.
    """
    since = (clock or SystemClock()).utc().astimezone().isoformat(sep=" ", timespec="seconds")
    archive = Path(os.path.realpath(archive_path))
    held = Claim()
    held.take(_archive_lock(archive), Holder(what=f"archive {archive}", pid=os.getpid(), bench=who, since=since))
    return held


def _archive_lock(archive: Path) -> Path:
    return archive.with_name(f".{archive.name}.lock")


def _short(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()[:16]


def _port_name(port: str) -> str:
    """One name for a port that can be reached by several (links to a device, COM3 and com3)."""
    return port if "://" in port else os.path.normcase(os.path.realpath(port) if Path(port).exists() else port)


def _holder_of(beside: Path) -> Holder | None:
    """Who holds a lock, once that is written; None where nobody says so."""
    for _ in range(_LOOKS):
        with contextlib.suppress(OSError, ValidationError):
            return Holder.model_validate_json(beside.read_bytes())
        time.sleep(_BETWEEN_S)
    return None


def _sentence(what: str, first: Holder | None) -> str:
    if first is None:
        return f"another program holds the {what}: stop it first"
    address = read_address(first.bench)
    where = f", at {address.url}" if address is not None and address.pid == first.pid else ""
    return (
        f"the {what} is already in use by the daemon of bench {first.bench} "
        f"(process {first.pid}, since {first.since}{where}): use that one, or stop it first"
    )


def _cannot(path: Path, error: Exception) -> Refused:
    return Refused(f"the lock {path} cannot be taken ({error}): check that its folder can be written")
