"""Valve lifts of steps: which of them are one, when the valve is there, and how many digits show them."""

from collections.abc import Iterable

_TO_SET = {"in": 3, "mm": 2, "thou": 0}


def lift_digits(unit: str, finer: int = 0) -> int:
    """Digits after the point of a lift as it is asked for and set; ``finer``: so many more, as it is read."""
    return _TO_SET.get(unit, 4) + finer


def inside(off: float, band: float) -> bool:
    """Whether a reading that lies ``off`` its target is in its band.

    Readings land on digits: a target and a band that are whole digits must not
    miss each other by rounding.
    """
    return abs(off) <= band * (1 + 1e-6) + 1e-9


def distinct_lifts(lifts_m: Iterable[float], same_m: float) -> list[float]:
    """Every lift once, rising; those within ``same_m`` of the one kept before are that one."""
    found: list[float] = []
    for lift in sorted(lifts_m):
        if not found or lift - found[-1] > same_m:
            found.append(lift)
    return found
