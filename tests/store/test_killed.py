"""What was acknowledged outlives a killed writer."""

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from acquire.store.reader import ArchiveReader
from tests.store.examples import point, second

ROOT = Path(__file__).parents[2]
ROUNDS = 25

# a copy of the process for each round: starting Python anew would take most of the time
WRITER = """
import os, sys
from pathlib import Path
from acquire.store.archive import Archive
from tests.store.examples import begin, point, second

for line in sys.stdin:
    child = os.fork()
    if child == 0:
        with Archive.open(Path(line.strip())) as archive:
            pull_id, session_id = begin(archive)
            for step in range(100_000):
                archive.add_samples(session_id, second(100 * step))
                archive.commit_point(pull_id, session_id, point(step), second(100 * step + 50))
                os.write(1, b"%d %d\\n" % (os.getpid(), step))
    os.waitpid(child, 0)
    os.write(1, b"dead\\n")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and kill -9")
def test_no_acknowledged_point_is_missing_after_kill_9_at_any_moment(tmp_path: Path) -> None:
    rng = random.Random(9)
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert writer.stdin is not None
    assert writer.stdout is not None
    counts = []
    for number in range(ROUNDS):
        path = tmp_path / f"{number}.db"
        writer.stdin.write(f"{path}\n")
        writer.stdin.flush()
        pid, first = writer.stdout.readline().split()
        assert first == "0"
        end = time.perf_counter() + rng.uniform(0, 0.06)
        while time.perf_counter() < end:
            pass
        os.kill(int(pid), 9)
        acknowledged = 1
        while (line := writer.stdout.readline()) != "dead\n":
            assert line == f"{pid} {acknowledged}\n"
            acknowledged += 1
        counts.append(acknowledged)
        plain = sqlite3.connect(path)
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        plain.close()
        with ArchiveReader(path) as reader:
            pull = reader.pull("last")
            kept = len(pull.points)
            # the last one may have been kept but not yet acknowledged
            assert acknowledged <= kept <= acknowledged + 1
            assert pull.points == tuple(point(step) for step in range(kept))
            (session,) = pull.sessions
            came = [sample for record in reader.stream(session.id) if isinstance(record, list) for sample in record]
            assert came[: kept * 220] == [sample for step in range(2 * kept) for sample in second(50 * step)]
    writer.stdin.close()
    assert writer.wait(10) == 0
    writer.stdout.close()
    # kills fell at different places, and after several commits
    assert max(counts) >= 3
    assert len(set(counts)) >= 3
