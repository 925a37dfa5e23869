from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "archive.db"


@pytest.fixture
def archive(path: Path) -> Iterator[Archive]:
    with Archive.open(path) as opened:
        yield opened


@pytest.fixture
def reader(archive: Archive) -> Iterator[ArchiveReader]:
    with ArchiveReader(archive.path) as opened:
        yield opened
