"""``steadydraw replay``: which sessions, how fast, where to show it, what differed."""

from collections.abc import Callable, Sequence
from pathlib import Path

from acquire.calibration.other import changes_text, other_basis
from acquire.clock import SystemClock
from acquire.config import load_config
from acquire.sessions.replay import Replayed, replay
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader

MOST_SHOWN = 40


def replay_command(
    archive: Path,
    which: str,
    speed: float | None,
    config_path: Path | None,
    watch: bool,
    say: Callable[[str], None],
    chosen: Sequence[str] = (),
) -> int:
    """Replay the sessions that ``which`` names; 1 when anything came out otherwise.

    ``chosen``: other calibrations than those kept with the pull, each as channel=number.
    """
    config = load_config(config_path) if config_path is not None else None
    clock = SystemClock(speed) if speed is not None else None
    with ArchiveReader(archive) as reader:
        session_ids = _sessions(reader, which)
        pull = reader.pull(reader.session(session_ids[0]).pull_id)
        basis = other_basis(reader, pull, chosen) if chosen else None
        if watch:
            from acquire.sessions.recorded import RecordedBench
            from acquire.ui.app import run_dashboard

            recorded = RecordedBench(archive, session_ids[0], speed or 1.0, config, basis)
            recorded.look_through()
            try:
                return run_dashboard(recorded)
            finally:
                recorded.close()
        results = [replay(reader, session_id, clock, config, basis=basis) for session_id in session_ids]
    for result in results:
        say(_line(result))
        if basis is not None:
            say(changes_text(pull, basis, result))
            continue
        for difference in result.differences[:MOST_SHOWN]:
            say(f"  {difference.where}: recorded {difference.recorded}, now {difference.replayed}")
        if len(result.differences) > MOST_SHOWN:
            say(f"  and {len(result.differences) - MOST_SHOWN} more")
    return 1 if any(result.differences for result in results) else 0


def _sessions(reader: ArchiveReader, which: str) -> list[int]:
    if which.startswith("pull:"):
        return [session.id for session in reader.pull(which.removeprefix("pull:")).sessions]
    if which == "last":
        return [reader.pull("last").sessions[-1].id]
    try:
        number = int(which)
    except ValueError as error:
        raise ArchiveError(f"{which!r} is not a session: give its number, 'last', or pull:ID") from error
    return [reader.session(number).id]


def _line(result: Replayed) -> str:
    session = result.session
    same = "the same, bit for bit" if not result.differences else f"{len(result.differences)} differences"
    version = "" if session.version == result.version else f" (recorded by {session.version}, now {result.version})"
    return (
        f"session {session.id} of pull {session.pull_id}: {session.samples} samples, "
        f"{len(result.points)} points, {same}{version}"
    )
