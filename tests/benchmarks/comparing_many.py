"""Listing, finding siblings and comparing in an archive of many pulls, and how the time grows.

``python -m tests.benchmarks.comparing_many [pulls ...]`` (1000, 3000 and 10000 without any). The floor
beside it is one pass over the same rows with nothing decoded.
"""

import random
import sqlite3
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from statistics import median
from time import perf_counter

from acquire.comparison.choosing import choose
from acquire.comparison.compare import Asked, compare
from acquire.comparison.siblings import among_siblings
from acquire.records import PullRequest
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from tests.store.examples import CONFIG, SOURCES, UTC

MODELS = 40


def fill(path: Path, count: int) -> None:
    """Complete lift pulls of eight points, two of each head, forty models; no samples."""
    from tests.sheet.example import pull

    rng, pattern = random.Random(3), pull()
    request = pattern.request
    with Archive.open(path) as archive, archive.together():
        for number in range(count):
            head = number // 2
            subject = request.subject.model_copy(
                update={"identifier": f"H-{head:05}", "model": f"Model {head % MODELS}"}
            )
            asked: PullRequest = request.model_copy(update={"subject": subject})
            pull_id = archive.begin_pull(asked, CONFIG, "0.1.0", UTC, None, SOURCES)
            session_id = archive.open_session(pull_id, UTC, "0.1.0", CONFIG, "{}")
            for its in pattern.points:
                off = 1 + 0.01 * rng.gauss(0, 1)
                flow = replace(its.flow, flow_m3_s=its.flow.flow_m3_s * off)
                archive.commit_point(pull_id, session_id, replace(its, flow=flow))
            archive.end_pull(pull_id, "complete", UTC)


def took_ms(work: object, times: int = 5) -> float:
    """Median time of a call."""
    found = []
    for _ in range(times):
        start = perf_counter()
        work()  # type: ignore[operator]
        found.append(1e3 * (perf_counter() - start))
    return median(found)


def main() -> None:
    """Print the table."""
    counts = [int(word) for word in sys.argv[1:]] or [1000, 3000, 10000]
    print("| pulls | list | siblings | compare two heads | floor: read the points' rows |")
    print("|---|---|---|---|---|")
    for count in counts:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "archive.db"
            fill(path, count)
            plain = sqlite3.connect(path)
            floor = took_ms(lambda plain=plain: plain.execute("SELECT step_lift_m, flow_m3_s FROM points").fetchall())
            with ArchiveReader(path) as reader:
                listed = took_ms(reader.pulls)

                def siblings(reader: ArchiveReader = reader) -> None:
                    newest = choose(reader, "H-00000", None)[-1]
                    among_siblings("H-00000", reader.curves("intake", newest.request.subject.model))

                def two(reader: ArchiveReader = reader) -> None:
                    compare(choose(reader, "H-00000", None), choose(reader, "H-00040", None), None, Asked())

                print(f"| {count} | {listed:.0f} ms | {took_ms(siblings):.0f} ms | {took_ms(two):.0f} ms "
                      f"| {floor:.0f} ms |", flush=True)  # fmt: skip
            plain.close()


if __name__ == "__main__":
    main()
