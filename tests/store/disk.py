"""A disk that writes down all that SQLite does to it, and can fail, fill up or wait when told to.

The shipped archive is opened as ever: what is put in between is SQLite's own
layer to the operating system (its VFS, https://sqlite.org/vfs.html), which
the library that Python loaded lets be replaced.
"""

import ctypes
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

IOERR_WRITE, IOERR_SYNC, FULL = 10 | 3 << 8, 10 | 4 << 8, 13
SECTOR = 512

_POINTER, _INT, _INT64 = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64
_OPEN = ctypes.CFUNCTYPE(_INT, _POINTER, _POINTER, _POINTER, _INT, _POINTER)
_DELETE = ctypes.CFUNCTYPE(_INT, _POINTER, ctypes.c_char_p, _INT)
_WRITE = ctypes.CFUNCTYPE(_INT, _POINTER, _POINTER, _INT, _INT64)
_TRUNCATE = ctypes.CFUNCTYPE(_INT, _POINTER, _INT64)
_SYNC = ctypes.CFUNCTYPE(_INT, _POINTER, _INT)


class _Vfs(ctypes.Structure):
    _fields_ = (
        *((name, _INT) for name in ("version", "file_size", "longest_path")),
        *((name, _POINTER) for name in ("next", "name", "data", "open", "delete")),
        ("rest", _POINTER * 13),
    )


class _Methods(ctypes.Structure):
    _fields_ = (
        ("version", _INT),
        *((name, _POINTER) for name in ("close", "read", "write", "truncate", "sync")),
        ("rest", _POINTER * 13),
    )


@dataclass(frozen=True, slots=True)
class Did:
    """One thing that was done to a file; ``said`` is what a test was told in between.

    ``offset`` is the new size of a truncation, and 1 for a deletion that is
    to be on the disk before SQLite goes on.
    """

    what: Literal["write", "truncate", "sync", "delete", "said"]
    file: str = ""
    offset: int = 0
    data: bytes = b""
    said: object = None


@dataclass
class Disk:
    """All that was done, in order. ``trouble``: called before it is done; what is not 0 is returned instead."""

    done: list[Did] = field(default_factory=list)
    trouble: Callable[[Did], int] = lambda did: 0

    def note(self, said: object) -> None:
        self.done.append(Did("said", said=said))


def _library() -> Any:
    import _sqlite3

    found = ctypes.CDLL(_sqlite3.__file__)
    found.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
    found.sqlite3_vfs_find.argtypes = [ctypes.c_char_p]
    found.sqlite3_vfs_register.argtypes = [_POINTER, _INT]
    return found


def can_watch() -> bool:
    """Whether SQLite is a library of its own here, whose disk can be watched."""
    try:
        return bool(_library().sqlite3_vfs_find(None))
    except (ImportError, AttributeError, OSError):
        return False


_alive: list[object] = []  # SQLite keeps pointers to these as long as a connection is open


@contextmanager
def watched(folder: Path) -> Iterator[Disk]:
    """Archives opened inside, in this folder, are on a disk that is watched."""
    library = _library()
    usual = library.sqlite3_vfs_find(None)
    disk = Disk()
    ours = _Vfs()
    ctypes.memmove(ctypes.byref(ours), usual, ctypes.sizeof(_Vfs))
    name = f"watched {id(ours)}".encode()
    open_file, delete_file = _OPEN(usual.contents.open), _DELETE(usual.contents.delete)
    files: dict[int, str] = {}
    patched: dict[int, _Methods] = {}
    usual_methods: dict[int, _Methods] = {}

    def do(did: Did, really: Callable[[], int]) -> int:
        code = disk.trouble(did) or really()
        if code == 0:
            disk.done.append(did)
        return code

    def opening(_vfs: int, path: int | None, file: int, flags: int, out: int | None) -> int:
        code = open_file(ctypes.addressof(usual.contents), path, file, flags, out)
        its = Path(ctypes.string_at(path).decode()) if path else None
        if code == 0 and its is not None and its.parent == folder:
            place = ctypes.cast(file, ctypes.POINTER(_POINTER))
            address = int(place[0] or 0)
            files[file] = its.name
            if address not in patched:
                patched[address] = _patched(address)
            usual_methods[file] = _Methods.from_address(address)
            place[0] = ctypes.addressof(patched[address])
        return int(code)

    def deleting(_vfs: int, path: bytes, sync: int) -> int:
        def really() -> int:
            return int(delete_file(ctypes.addressof(usual.contents), path, sync))

        its = Path(path.decode())
        return do(Did("delete", its.name, sync), really) if its.parent == folder else really()

    def writing(file: int, data: int, size: int, offset: int) -> int:
        did = Did("write", files[file], offset, ctypes.string_at(data, size))
        return do(did, lambda: _WRITE(usual_methods[file].write)(file, data, size, offset))

    def truncating(file: int, size: int) -> int:
        did = Did("truncate", files[file], size)
        return do(did, lambda: _TRUNCATE(usual_methods[file].truncate)(file, size))

    def syncing(file: int, flags: int) -> int:
        return do(Did("sync", files[file]), lambda: _SYNC(usual_methods[file].sync)(file, flags))

    calls = {"write": _WRITE(writing), "truncate": _TRUNCATE(truncating), "sync": _SYNC(syncing)}
    opens, deletes = _OPEN(opening), _DELETE(deleting)

    def _patched(address: int) -> _Methods:
        methods = _Methods()
        ctypes.memmove(ctypes.byref(methods), address, ctypes.sizeof(_Methods))
        for which, call in calls.items():
            setattr(methods, which, ctypes.cast(call, _POINTER).value)
        return methods

    ours.name = ctypes.cast(ctypes.c_char_p(name), _POINTER).value
    ours.open = ctypes.cast(opens, _POINTER).value
    ours.delete = ctypes.cast(deletes, _POINTER).value
    _alive.extend((ours, name, calls, opens, deletes, patched))
    library.sqlite3_vfs_register(ctypes.byref(ours), 1)
    try:
        yield disk
    finally:
        library.sqlite3_vfs_unregister(ctypes.byref(ours))
        library.sqlite3_vfs_register(usual, 1)


# ---------------------------------------------------------------- after the power came back


def killed(done: Sequence[Did]) -> dict[str, bytes]:
    """The files as a killed process leaves them: all that was done is there, synced or not."""
    files: dict[str, bytearray] = {}
    for did in done:
        _apply(files, did)
    return {name: bytes(data) for name, data in files.items()}


def cut_off(done: Sequence[Did], rng: random.Random) -> dict[str, bytes]:
    """The files as a power cut may leave them, one of the many ways.

    What was synced is there. Of what came after, each piece of 512 bytes may
    be there, be missing or be garbage, in any order; a new length and a
    deletion may be there or not. Bytes outside of what was being written are
    left alone.
    """
    synced = {did.file: number for number, did in enumerate(done) if did.what == "sync"}
    files: dict[str, bytearray] = {}
    arrived = rng.choice((0.0, 0.1, 0.5, 0.9, 1.0))
    garbage = rng.choice((0.0, 0.0, 0.2))
    for number, did in enumerate(done):
        if did.what != "write" or number <= synced.get(did.file, -1):
            durable = number <= synced.get(did.file, -1) or (did.what == "delete" and did.offset == 1)
            if durable or rng.random() < arrived:
                _apply(files, did)
            continue
        for start in range(0, len(did.data), SECTOR):
            piece = did.data[start : start + SECTOR]
            if rng.random() < garbage:
                piece = rng.randbytes(len(piece))
            elif rng.random() >= arrived:
                continue
            _apply(files, Did("write", did.file, did.offset + start, piece))
    return {name: bytes(data) for name, data in files.items()}


def _apply(files: dict[str, bytearray], did: Did) -> None:
    if did.what == "write":
        data = files.setdefault(did.file, bytearray())
        data.extend(bytes(max(0, did.offset + len(did.data) - len(data))))
        data[did.offset : did.offset + len(did.data)] = did.data
    elif did.what == "truncate":
        data = files.setdefault(did.file, bytearray())
        del data[did.offset :]
    elif did.what == "delete":
        files.pop(did.file, None)
