"""Single readings that lie far from all others: a spoilt digit, not a movement. Pure."""

from collections.abc import Sequence
from statistics import median

LONGEST = 3
"""So many in a row at most are strays; a longer run is a change, and stays in."""


def without_strays(values: Sequence[float], far: float) -> list[int] | None:
    """Indices of the values left when runs of up to ``LONGEST`` farther than ``far`` from the median are left out.

    None where nothing is left out.
    """
    if not values or max(values) - min(values) <= far:
        return None
    middle = median(values)
    kept: list[int] = []
    run: list[int] = []
    for i, value in enumerate(values):
        if abs(value - middle) > far:
            run.append(i)
            continue
        if len(run) > LONGEST:
            kept += run
        run = []
        kept.append(i)
    if len(run) > LONGEST:
        kept += run
    return kept if len(kept) < len(values) else None
