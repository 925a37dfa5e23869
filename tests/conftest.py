"""What holds for every test: no user's folder is touched, no thread is left behind."""

import gc
import os
import shutil
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.stabiliser.prepare import prepare
from acquire.store.archive import Archive

# tests start some hundred processes: each loads what the first compiled, also where that is turned off
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

KEPT = Path(__file__).parent / "data" / "archives" / "version_2.db"


def pytest_configure(config: pytest.Config) -> None:
    """Have the judgement compiled before any worker or daemon needs it, each by itself."""
    if not hasattr(config, "workerinput"):
        assert prepare()


def pytest_collection_finish() -> None:
    """Keep all that was imported out of later garbage collections: each looked through a million objects."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def home_of_its_own(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the user's archive, addresses and configuration out of every test."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("STEADYDRAW_HOME", str(home))
    return home


@pytest.fixture(scope="module")
def kept_archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the archive of version 2, as this version opens it: two leakage runs (1, 3) and two pulls (2, 4)."""
    path = tmp_path_factory.mktemp("kept") / "archive.db"
    shutil.copy(KEPT, path)
    Archive.open(path).close()
    return path


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """Fail a test that leaves one of our threads running."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 3.0
    left = []
    while time.monotonic() < deadline:
        left = [t for t in threading.enumerate() if t not in before and t.is_alive() and not _pooled(t)]
        if not left:
            return
        left[0].join(0.05)
    pytest.fail(f"threads left running: {', '.join(t.name for t in left)}")


def _pooled(thread: threading.Thread) -> bool:
    """Workers of asyncio's default pool end with their loop or the process."""
    return thread.name.startswith(("asyncio_", "ThreadPoolExecutor", "AnyIO worker"))
