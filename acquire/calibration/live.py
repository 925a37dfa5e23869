"""A reading taken from the running bench: the mean of a settled second of numbers as received."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean, stdev

from acquire.calibration.making import Taken
from acquire.calibration.words import said
from acquire.records import Frame, Refused

_SECOND_US = 1_000_000
_LONGEST_US = 30_000_000
_POLL_S = 0.05
# an instrument that sends fewer in a second is judged by its last four numbers, however long they take
_ENOUGH = 4


@dataclass(frozen=True, slots=True)
class Second:
    """Numbers of one channel over at least a second: (time in us, number), the oldest first."""

    numbers: tuple[tuple[int, float], ...]

    def settled(self, digit: float) -> bool:
        """Whether the two halves agree within the scatter of the quieter one, or within a digit."""
        values = [number for _, number in self.numbers]
        half = len(values) // 2
        if half < 2:
            return False
        first, last = values[:half], values[half:]
        # (of the quieter one: a half that still moved would hide its own move)
        scatter = min(_sd(first), _sd(last)) * math.sqrt(2.0 / half)
        return abs(fmean(last) - fmean(first)) <= max(3.0 * scatter, digit)

    def taken(self, reference: float) -> Taken:
        """The mean with its scatter."""
        values = [number for _, number in self.numbers]
        return Taken(reference, fmean(values), _sd(values), len(values))


def take_live(
    frame: Callable[[], Frame],
    wait: Callable[[float], None],
    channel: str,
    reference: float,
    digit: float = 0.0,
    unrolled: Callable[[float], float] = float,
) -> Taken:
    """Watch a channel until it stands still, for half a minute at most. Raises ``Refused`` with one sentence.

    ``digit``: one digit of the numbers as received. ``unrolled``: a count in its turn.
    """
    seen: list[tuple[int, float]] = []
    begun_us: int | None = None
    while True:
        now = frame()
        reading = now.readings.get(channel)
        if reading is None or reading.state == "lost" or reading.number is None or reading.age_s is None:
            raise Refused(f"The {said(channel)} sends nothing now: look at its cable, or type the reading.")
        begun_us = now.t_us if begun_us is None else begun_us
        t_us = now.t_us - round(reading.age_s * 1e6)
        if t_us >= begun_us and (not seen or t_us > seen[-1][0]):
            seen.append((t_us, unrolled(reading.number)))
        second = Second(_last_second(seen))
        if seen and seen[-1][0] - seen[0][0] >= _SECOND_US and second.settled(digit):
            return second.taken(reference)
        if now.t_us - begun_us > _LONGEST_US:
            raise Refused(
                f"The {said(channel)} did not stand still for a second within half a minute: "
                "wait until the reference is steady, or type the reading."
            )
        wait(_POLL_S)


def _last_second(seen: list[tuple[int, float]]) -> tuple[tuple[int, float], ...]:
    inside = [its for its in seen if seen[-1][0] - its[0] <= _SECOND_US]
    return tuple(inside if len(inside) >= _ENOUGH else seen[-_ENOUGH:])


def _sd(values: list[float]) -> float:
    return stdev(values) if len(values) > 1 else 0.0
