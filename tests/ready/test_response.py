"""The bench's response as the steps of its newest pull show it."""

import shutil
from pathlib import Path

import pytest

from acquire.ready.response import measured_response, response_line
from acquire.records import BenchSummary
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader

KEPT = Path(__file__).parent.parent / "data" / "archives" / "version_1.db"


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "archive.db"
    shutil.copy(KEPT, path)
    Archive.open(path).close()
    return path


def test_the_newest_pull_of_the_bench_is_replayed_and_shows_the_time_constant(db: Path) -> None:
    with ArchiveReader(db) as reader:
        bench = BenchSummary.of(reader.pull("last").config, "0", simulated=True)
        learned, line = measured_response(reader, bench)
        other, none = measured_response(reader, bench.model_copy(update={"name": "another bench"}))
        real, _ = measured_response(reader, bench.model_copy(update={"simulated": False}))
    assert learned is not None
    # the simulated bench answers within 0.3 to 1.2 s
    assert 0.15 <= learned.time_constant_s <= 1.6
    assert line.verdict == "good"
    assert "pull 4" in line.said
    assert learned.noise is not None
    assert (other, real) == (None, None)
    assert none.passes


def test_a_bench_too_slow_to_be_told_from_settled_is_not_ready() -> None:
    assert response_line(3.0, 7).passes
    slow = response_line(4.2, 7)
    assert not slow.passes
    assert slow.said == "answers a step of the valve in 4.2 s (steps of pull 7)"
    assert "by hand" in slow.cure
