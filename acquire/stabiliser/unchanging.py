"""A signal that has been exactly the same for longer than its own noise allows."""

import math

from acquire.compiled import Record, compiled, fields, new
from acquire.series import Floats

_REVERSALS = 20
"""So many changes of direction have been seen before anything is known of the noise: a smooth approach has none."""
_LEAST_US = 2_000_000
_HABITS = 5.0

# ``last`` is not a number before the first value
UNCHANGING = fields(("last", "f8"), ("rising", "?"), ("reversals", "i8"), ("since_us", "i8"), ("habit_us", "i8"))


def new_unchanging() -> Record:
    """Block by block. A coarse digit may rightly stand for long: the longest run that ended is the habit."""
    its = new(UNCHANGING)
    its["last"] = math.nan
    return its


@compiled
def see_values(its: Record, t_us: int, values: Floats, learns: bool) -> None:
    """The values of one block that begins at ``t_us``; ``learns``: what is seen now is the noise at rest."""
    last, newest = its.last, values[-1]
    its.last = newest
    known = not math.isnan(last)
    same = known
    for value in values:
        same = same and value == last
    if same:
        return
    if learns and known:
        its.habit_us = max(its.habit_us, t_us - its.since_us)
    its.since_us = t_us
    if not known or newest == last:
        return
    rising = newest > last
    if learns and rising != its.rising:
        its.reversals += 1
    its.rising = rising


@compiled
def too_long(its: Record, now_us: int) -> bool:
    """Whether it has been the same for longer than its noise allows."""
    if its.reversals < _REVERSALS or math.isnan(its.last):
        return False
    return bool(now_us - its.since_us > max(float(_LEAST_US), _HABITS * its.habit_us))
