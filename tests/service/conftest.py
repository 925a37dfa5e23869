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


@pytest.fixture
def expected_errors() -> list[str]:
    """What the daemon may log as an error in this test."""
    return []


@pytest.fixture(autouse=True)
def nothing_leaks(caplog: pytest.LogCaptureFixture, expected_errors: list[str]) -> Iterator[None]:
    before = set(threading.enumerate())
    caplog.set_level(logging.WARNING)
    yield
    gc.collect()
    left = [t for t in threading.enumerate() if t not in before and not t.name.startswith("asyncio_")]
    assert not left, f"threads left: {left}"
    logged = {r.getMessage() for when in ("call", "teardown") for r in caplog.get_records(when)}
    errors = [r for when in ("call", "teardown") for r in caplog.get_records(when) if r.levelno >= logging.ERROR]
    assert [r.getMessage() for r in errors if not any(e in r.getMessage() for e in expected_errors)] == []
    assert all(any(e in text for text in logged) for e in expected_errors)


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
