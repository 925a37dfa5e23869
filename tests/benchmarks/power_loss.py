"""Many power cuts: how often something acknowledged is missing afterwards.

Run with ``python -m tests.benchmarks.power_loss [cuts] [seed]``. A pull is
kept by the shipped code on a watched disk; each cut is at a moment drawn
anew, and of what was not synced pieces of 512 bytes are there, missing or
garbage.
"""

import random
import sys
import tempfile
from pathlib import Path

from tests.store.kept_pull import kept_pull
from tests.store.surviving import check, moment, put, record


def main() -> None:
    """Cut, open, look, and say what was missing."""
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    memory = Path("/dev/shm")
    with (
        tempfile.TemporaryDirectory() as watched,
        tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as after,
    ):
        recorded = record(kept_pull(lifts=3), Path(watched))
        missing = 0
        for _ in range(cuts):
            end, files = moment(recorded, rng)
            try:
                check(recorded, end, put(files, Path(after)))
            except Exception as error:
                missing += 1
                print(f"after step {end}: {error!r}")
    print(f"{cuts} power cuts at {len(recorded.done)} steps of the disk: {missing} lost something acknowledged")


if __name__ == "__main__":
    main()
