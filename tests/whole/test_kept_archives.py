"""Archives of every earlier version are brought up to date and replay: the same flows, point by point."""

import shutil
from pathlib import Path

import pytest

from acquire.sessions.replay import replay
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader

KEPT = sorted((Path(__file__).parent.parent / "data" / "archives").glob("version_*.db"))
# the maths has changed since: by how much a flow, as a share of its interval, and the width of that may have moved
FLOW_SHARE, WIDTH_REL = 0.2, 0.30


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_sessions_of_an_earlier_version_replay_to_the_same_points(kept: Path, tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    shutil.copy(kept, path)
    Archive.open(path).close()
    with ArchiveReader(path) as reader:
        lifts = [reader.pull(row.id) for row in reader.pulls(kind="lift")]
        assert lifts
        for pull in lifts:
            for session in pull.sessions:
                recorded = reader.points_of_session(session.id)
                found = replay(reader, session.id).points
                # a judgement that has become more careful may miss a step that the operator had left by then
                assert len(found) >= len(recorded) / 2
                assert [(p.step, p.take) for p in found] == [(p.step, p.take) for p in recorded][: len(found)]
                for then, now in zip(recorded, found, strict=False):
                    within = FLOW_SHARE * then.flow.half_width_95_m3_s
                    assert now.flow.flow_m3_s == pytest.approx(then.flow.flow_m3_s, abs=within)
                    width = now.flow.half_width_95_m3_s
                    assert width == pytest.approx(then.flow.half_width_95_m3_s, rel=WIDTH_REL)


def test_an_archive_of_every_version_is_kept() -> None:
    from acquire.store.version import VERSION

    assert [path.stem for path in KEPT] == [f"version_{number}" for number in range(1, VERSION + 1)]
