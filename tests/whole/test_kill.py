"""The daemon is killed in the middle of a pull, again and again; nothing acknowledged is lost.

Three kills of every four-fold of moments are enough here; ``python -m tests.benchmarks.kills 50`` makes many.
"""

import random
from pathlib import Path

import pytest

from tests.whole.killing import MOMENTS, kills

KILLS = 3 * len(MOMENTS)


@pytest.mark.timeout(300)
def test_kills_at_every_kind_of_moment_lose_no_acknowledged_point_and_the_pull_goes_on(tmp_path: Path) -> None:
    found = []
    for its in kills(tmp_path, KILLS, random.Random(50)):
        assert its.integrity == "ok"
        assert its.acknowledged <= its.kept
        found.append(its)
    assert len(found) == KILLS
    assert all(its.heard for its in found if its.moment == "point")
    assert sum(its.resumed for its in found) >= KILLS // 3
