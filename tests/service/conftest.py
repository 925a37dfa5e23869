import gc
import logging
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.client import Client
from acquire.service import Service, ServiceThread
from tests.service.bench import FakeArchive, FakeEngine


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "home"
    monkeypatch.setenv("STEADYDRAW_HOME", str(folder))
    return folder


@pytest.fixture(autouse=True)
def nothing_leaks(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    before = set(threading.enumerate())
    caplog.set_level(logging.WARNING)
    yield
    gc.collect()
    left = [t for t in threading.enumerate() if t not in before and not t.name.startswith("asyncio_")]
    assert not left, f"threads left: {left}"
    assert not [r for r in caplog.get_records("call") if r.levelno >= logging.ERROR and "500" not in r.getMessage()]


@pytest.fixture
def engine(tmp_path: Path) -> FakeEngine:
    return FakeEngine(tmp_path / "archive.db")


@pytest.fixture
def archive(engine: FakeEngine) -> FakeArchive:
    return FakeArchive(engine)


@pytest.fixture
def service(engine: FakeEngine, archive: FakeArchive) -> Iterator[Service]:
    made = Service(engine, engine.name, engine.archive_path, open_archive=archive.open)
    with ServiceThread(made):
        yield made


@pytest.fixture
def client(service: Service) -> Client:
    return Client(service.url, service.token)
