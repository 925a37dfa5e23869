"""How fast the bench answers a step of the valve: from the steps of its newest pull, replayed."""

from acquire.ready.record import ReadyLine
from acquire.records import BenchSummary
from acquire.response import BenchResponse
from acquire.sessions.replay import core_for, play
from acquire.store.reader import ArchiveReader

_NAME = "response"
# a bench answers today as it did in the newest pulls; older ones are another season
_MOST_PULLS = 10
# slower than the slowest that the judgement tells from settled; see its grid of responses
_TOO_SLOW_S = 3.5


def measured_response(reader: ArchiveReader, bench: BenchSummary) -> tuple[BenchResponse | None, ReadyLine]:
    """The response that the valve's own steps show, and its line.

    The newest complete lift pull of this bench is fed again through the
    judgement, which learns from each step; later pulls begin with what it
    learned. A bench without a pull is none the less ready: its first pull
    learns as it goes.
    """
    for row in reader.pulls(limit=_MOST_PULLS, kind="lift"):
        pull = reader.pull(row.id)
        if pull.outcome != "complete" or pull.config.name != bench.name or pull.simulated != bench.simulated:
            continue
        if not pull.sessions or not pull.points:
            continue
        session = pull.sessions[-1]
        core = core_for(pull, session)
        for _ in play(reader, session.id, core):
            pass
        learned = core.learned
        if learned.time_constant_s > 0.0:
            return learned, response_line(learned.time_constant_s, pull.id)
    said = "no pull of this bench shows it yet: the first one learns as it goes"
    return None, ReadyLine(name=_NAME, verdict="left out", said=said)


def response_line(time_constant_s: float, pull_id: int) -> ReadyLine:
    """What is said of a measured response: one that is too slow for the judgement may look settled before it is."""
    said = f"answers a step of the valve in {time_constant_s:.1f} s (steps of pull {pull_id})"
    if time_constant_s < _TOO_SLOW_S:
        return ReadyLine(name=_NAME, verdict="good", said=said)
    cure = (
        "that is too slow to be told from settled: look for a leak, a throttled hose or a damped gauge; "
        "else take every point again by hand, a minute after the valve was set"
    )
    return ReadyLine(name=_NAME, verdict="bad", said=said, cure=cure)
