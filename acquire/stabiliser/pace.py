"""How fast readings come, against how fast they came before: a line that drips brings old readings as new ones."""

from acquire.compiled import NEVER_US, Record, compiled, fields, new
from acquire.stabiliser.order import middle, remember

_STRETCH_US = 1_000_000
_STRETCHES = 31
_SILENT_US = 2_000_000
_KNOWN = 5
_LEAST = 4
"""Readings a stretch from which on a rate can be told."""
_SLOW = 0.25

# ``counts``: readings in the latest ``known`` stretches, the newest last; ``slow_for``: how many were slow up to now
PACE = fields(
    ("counts", "f8", _STRETCHES),
    ("known", "i8"),
    ("begun_us", "i8"),
    ("n", "i8"),
    ("last_us", "i8"),
    ("slow_for", "i8"),
    ("per_s", "f8"),
    ("usual_per_s", "f8"),
)


def new_pace() -> Record:
    """Counted in stretches of a second; a slow one teaches nothing."""
    pace = new(PACE)
    pace["begun_us"] = NEVER_US
    return pace


def slow(pace: Record) -> str:
    """How slow in words; empty when it is not."""
    if not pace["slow_for"]:
        return ""
    return f"{pace['per_s']:.1f} a second instead of {pace['usual_per_s']:.0f}"


@compiled
def is_old(pace: Record) -> bool:
    """Slow for longer than a pause of the line: what came in that time may be older than it says."""
    return bool(pace.slow_for > 1)


@compiled
def count(pace: Record, t_us: int, n: int) -> None:
    """``n`` more readings up to ``t_us``."""
    silent = t_us - pace.last_us >= _SILENT_US
    pace.last_us = t_us
    if pace.begun_us == NEVER_US or silent:
        # nothing at all came: that is no line that drips
        pace.begun_us, pace.n = t_us, 0
        return
    pace.n += n
    span_us = t_us - pace.begun_us
    if span_us < _STRETCH_US:
        return
    known = pace.known
    pace.per_s = pace.n * 1e6 / span_us
    pace.usual_per_s = middle(pace.counts[:known]) if known >= _KNOWN else 0.0
    if pace.usual_per_s >= _LEAST and pace.per_s < _SLOW * pace.usual_per_s:
        pace.slow_for += 1
    else:
        pace.slow_for = 0
        pace.known = remember(pace.counts, known, float(round(pace.per_s)))
    pace.begun_us, pace.n = t_us, 0
