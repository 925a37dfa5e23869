"""Many kills of the daemon in the middle of pulls: how often something acknowledged is missing afterwards.

Run with ``python -m tests.benchmarks.kills [kills] [seed]``; about two seconds a kill. The moments are those of the
test: a pull just begun or resumed, the acknowledgement of a point, anywhere.
"""

import os
import random
import sys
import tempfile
from pathlib import Path

from tests.whole.killing import kills


def main() -> None:
    """Kill, look, and say what was missing."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 50
    with tempfile.TemporaryDirectory() as folder:
        os.environ["STEADYDRAW_HOME"] = str(Path(folder) / "home")
        found = []
        for its in kills(Path(folder), rounds, random.Random(seed)):
            found.append(its)
            if its.integrity != "ok" or not its.acknowledged <= its.kept:
                print(f"kill {len(found)} ({its.moment}): {its.integrity}, missing {its.acknowledged - its.kept}")
    bad = sum(its.integrity != "ok" or not its.acknowledged <= its.kept for its in found)
    print(
        f"{len(found)} kills ({sum(its.moment == 'point' for its in found)} at a point's acknowledgement), "
        f"{len(found[-1].acknowledged)} points acknowledged, {sum(its.resumed for its in found)} times resumed: "
        f"{bad} lost something"
    )


if __name__ == "__main__":
    main()
