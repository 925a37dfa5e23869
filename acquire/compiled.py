"""Functions that are compiled when they are first called, where there is a compiler, and what they keep between calls.

What was compiled is kept in a folder of the user for the next start, one for
each state of these sources: a function may use others and constants of other
files, and a compiler that looks at one file only would take what is stale.
"""

import hashlib
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
from platformdirs import user_cache_path

F = TypeVar("F", bound=Callable[..., Any])
Record = Any
"""One element of a structured array: fields by name, changed in place."""
_OLD_S = 60 * 86_400
NEVER_US = -(2**62)
"""Stands for no time: far before any."""


def _compiler() -> Any:
    """None where there is none for the machine: plain Python, some fifty times slower, is fast enough for a bench."""
    try:
        import numba
    except ImportError:
        return None
    return numba


def sources() -> list[Path]:
    """Of all functions that are compiled, and of all that they use."""
    package = Path(__file__).parent
    return [Path(__file__), package / "series.py", *sorted((package / "stabiliser").glob("*.py"))]


def _keeps() -> bool:
    """Whether what is compiled can be kept, in a folder for just these sources; old ones are removed."""
    if numba is None:
        return False
    # by their place too: the compiler keeps what it made by that
    state = hashlib.sha256(f"{numba.__version__} {np.__version__} {Path(__file__)}".encode())
    for source in sources():
        state.update(source.read_bytes())
    given = numba.config.CACHE_DIR
    kept = Path(given) / "steadydraw" if given else user_cache_path("steadydraw", appauthor=False) / "compiled"
    folder = kept / state.hexdigest()[:16]
    try:
        if not folder.exists():
            folder.mkdir(parents=True, exist_ok=True)
            for other in kept.iterdir():
                if other.stat().st_mtime < time.time() - _OLD_S:
                    shutil.rmtree(other, ignore_errors=True)
        # a folder that another user has begun is there, but not for this one
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        # it is compiled anew at every start, then
        return False
    numba.config.CACHE_DIR = str(folder)
    return True


def is_there() -> bool:
    """Whether all that is compiled is kept from an earlier start; else the first use takes half a minute."""
    return not _COMPILES or (_KEPT and _mark().exists())


def say_all_is_there() -> None:
    """All has been compiled: so it is kept, where it can be."""
    if _COMPILES and _KEPT:
        _mark().touch()


def _mark() -> Path:
    return Path(numba.config.CACHE_DIR) / "all"


numba = _compiler()
_KEPT = _keeps()
_COMPILES = numba is not None and not numba.config.DISABLE_JIT


def compiled(function: F) -> F:
    """Floats as everywhere: a division by zero is infinite, nothing is fused or put into another order."""
    if numba is None:
        return function
    return cast(F, numba.njit(cache=_KEPT, error_model="numpy")(function))


def fields(*named: tuple[str, str] | tuple[str, str, int]) -> np.dtype[Any]:
    """The type of a record: names, types as numpy writes them, and how many of it where there is more than one."""
    # plain Python reads fields as attributes only of numpy's own kind of record, which the compiler does not know
    return np.dtype(list(named) if _COMPILES else (np.record, list(named)))


def new(its: np.dtype[Any]) -> Record:
    """A record of zeros."""
    return np.zeros(1, its)[0]
