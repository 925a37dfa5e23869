"""Valve lifts of steps: which of them are one, and how many digits show them."""

from collections.abc import Iterable

_TO_SET = {"in": 3, "mm": 2, "thou": 0}


def lift_digits(unit: str, finer: int = 0) -> int:
    """Digits after the point of a lift as it is asked for and set; ``finer``: so many more, as it is read."""
    return _TO_SET.get(unit, 4) + finer


def distinct_lifts(lifts_m: Iterable[float], same_m: float) -> list[float]:
    """Every lift once, rising; those within ``same_m`` of the one kept before are that one."""
    found: list[float] = []
    for lift in sorted(lifts_m):
        if not found or lift - found[-1] > same_m:
            found.append(lift)
    return found
