import gc
import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from acquire.client import Client
from acquire.service import Service
from tests.service.bench import FakeArchive, FakeEngine
from tests.service.service_thread import ServiceThread
from tests.service.until import until


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
    # worker threads of a pool end with their loop
    pools = ("asyncio_", "AnyIO worker thread")
    left = [t for t in threading.enumerate() if t not in before and not t.name.startswith(pools)]
    assert not left, f"threads left: {left}"

    def logged(level: int) -> list[str]:
        records = [r for when in ("call", "teardown") for r in caplog.get_records(when)]
        return [r.getMessage() for r in records if r.levelno >= level]

    for error in expected_errors:
        until(lambda error=error: any(error in text for text in logged(0)), f"the log says {error}")  # type: ignore[misc]
    assert [text for text in logged(logging.ERROR) if not any(error in text for error in expected_errors)] == []


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


@dataclass(frozen=True)
class Shared:
    service: Service
    engine: FakeEngine
    archive: FakeArchive


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """One service for a file of tests that only ask, for starting one takes longer than asking."""
    folder = tmp_path_factory.mktemp("shared")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STEADYDRAW_HOME", str(folder))
        engine = FakeEngine(folder / "archive.db")
        archive = FakeArchive(engine)
        made = Service(engine, engine.name, engine.archive_path, open_archive=archive.open)
        with ServiceThread(made):
            yield Shared(made, engine, archive)


@pytest.fixture
def client(service: Service) -> Client:
    return Client(service.url, service.token)
