"""An archive of many invented pulls, and what looking over all of them costs.

Run with ``python -m tests.benchmarks.many_pulls [pulls]``: eight points a
pull, eight pulls a day, the test pressure's scatter rising by 0.01 % of the
target per 100 pulls.
"""

import random
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter

from acquire.basis import NO_BASIS
from acquire.steadiness.many_pulls import bench_steadiness
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.store.rows import insert_point, insert_pull, insert_session
from acquire.values import Point
from tests.store.examples import CONFIG, POINT, REQUEST, SOURCES

POINTS = 8
FIRST = datetime(2021, 1, 4, 8, tzinfo=UTC)


def held_point(step: int, sd_rel: float, rng: random.Random) -> Point:
    """A point whose test pressure scattered by about this share of its target."""
    target = POINT.hold.target_pa
    sd = target * sd_rel * rng.uniform(0.8, 1.25)
    farthest = rng.choice((-1, 1)) * sd * rng.uniform(2.5, 3.5)
    hold = replace(
        POINT.hold,
        sd_pa=sd,
        slope_pa_per_s=rng.gauss(0.0, sd / 10),
        largest_excursion_pa=farthest,
        held=abs(farthest) < 2 * POINT.hold.band_pa,
    )
    return replace(POINT, step=step, hold=hold)


def fill(path: Path, pulls: int, sd_of: Callable[[int], float], seed: int = 1, a_day: int = 8) -> None:
    """Write the pulls in one transaction: a day's pulls twenty minutes apart, intake and exhaust in turn."""
    rng = random.Random(seed)
    with Archive.open(path) as archive:
        sql = archive._sql
        sql.execute("BEGIN")
        for number in range(pulls):
            began = FIRST + timedelta(days=number // a_day, minutes=20 * (number % a_day))
            utc = began.isoformat(timespec="milliseconds").replace("+00:00", "Z")
            request = REQUEST.model_copy(update={"direction": ("intake", "exhaust")[number % 2]})
            pull_id = insert_pull(sql, f"p{number:09}", request, CONFIG, "0.1.0", utc, None, SOURCES, NO_BASIS)
            session_id = insert_session(sql, pull_id, utc, "0.1.0", CONFIG, "{}", 0)
            for step in range(POINTS):
                insert_point(sql, pull_id, session_id, 0, held_point(step, sd_of(number), rng))
        sql.execute("COMMIT")


def main() -> None:
    """Measure the query, the trend, and the whole command."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "archive.db"
        start = perf_counter()
        fill(path, count, lambda number: 0.004 + 1e-6 * number)
        print(f"{count} pulls written in {perf_counter() - start:.1f} s, {path.stat().st_size / 1e6:.0f} MB")
        with ArchiveReader(path) as reader:
            start = perf_counter()
            pulls = reader.held_pulls()
            read = perf_counter()
            bench_steadiness(pulls)
            print(f"read {read - start:.3f} s, judged {perf_counter() - read:.3f} s (the first loads scipy)")
            start = perf_counter()
            bench_steadiness(pulls)
            print(f"judged again {perf_counter() - start:.3f} s")
        start = perf_counter()
        subprocess.run(
            [sys.executable, "-m", "acquire", "steady", "--all", "--db", str(path)], check=False, capture_output=True
        )
        print(f"the whole command {perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
