"""From single samples to blocks of a tenth of a second, spikes and dropouts left out."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from operator import mul, sub
from statistics import median

from acquire.series import MAD_TO_SIGMA

BLOCK_US = 100_000
BLOCK_S = BLOCK_US / 1e6
LONGEST_SPIKE = 3
"""One to three stray samples are a spike or a dropout; a longer run is a change."""
_SPIKE_LIMIT = 5.5
_LEAST_SPIKE = 0.02
"""Share of the reading below which nothing is called a spike: averaging copes with it."""
_HISTORY = 64
_FROZEN_US = 800_000
_LONGEST_HABIT_US = 2_000_000
_ALIVE_US = 1_000_000
_HABIT_STEP = 0.01
_FOLLOWS = 0.15
"""Test pressure over absolute pressure at the meter, at most: so much a frozen meter's flow follows."""
_FOLLOWS_AT_MOST = 1e-3
_LEAST_DIGIT = 2e-4
"""Share of the reading below which a digit no longer matters."""


@dataclass(frozen=True, slots=True)
class Block:
    """Means of the accepted samples of one block; times in microseconds.

    ``square_m4`` is the mean square about ``area_m2``; ``mass`` and
    ``mass_square`` likewise for the mass flow as the meter gave it;
    ``digit`` the smallest step of it worth the name, infinite for none, and
    ``reading`` the last one.
    """

    t_start_us: int
    t_end_us: int
    t_mean_us: float
    area_m2: float
    square_m4: float
    mass: float
    mass_square: float
    digit: float
    reading: float
    n: int
    rejected: int


class Blocks:
    """Collects flow samples; ``close`` turns what has come into one block.

    Plain floats: a block has one to a hundred samples, too few to be worth an array.
    """

    def __init__(self) -> None:
        self._t: list[int] = []
        self._area: list[float] = []
        self._mass: list[float] = []
        self._last: float | None = None
        self._last_seen: tuple[float, float] | None = None
        self._watched = 0
        self._last_kept: float | None = None
        self._steps: deque[float] = deque(maxlen=_HISTORY)
        self._habit_us = 0
        self._same_since_us: int | None = None
        self._jumped_us: int | None = None

    def push(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample. Cheap: all work waits for ``close``."""
        self._t.append(t_us)
        self._area.append(area_m2)
        self._mass.append(mass_flow_kg_s)

    def push_many(self, t_us: Sequence[int], area_m2: Sequence[float], mass_flow_kg_s: Sequence[float]) -> None:
        """The same for several samples."""
        self._t.extend(t_us)
        self._area.extend(area_m2)
        self._mass.extend(mass_flow_kg_s)

    def close(self) -> Block | None:
        """One block of the samples since the last one; None when there were none.

        Up to three samples that stray wait for their successors.
        """
        if not self._t:
            return None
        self._watch()
        keep, held, rejected = self._sort()
        times, area, mass = self._t, self._area, self._mass
        if keep is not None:
            times, area, mass = ([row[i] for i in keep] for row in (times, area, mass))  # type: ignore[assignment]
        block = self._block(times, area, mass, rejected) if times else None
        self._watched = len(self._t) - held
        self._t = self._t[held:]
        self._area = self._area[held:]
        self._mass = self._mass[held:]
        return block

    def _block(self, times: list[int], area: list[float], mass: list[float], rejected: int) -> Block:
        last = mass[-1]
        least = _LEAST_DIGIT * abs(last)
        before = mass[0] if self._last_kept is None else self._last_kept
        self._last_kept = last
        mean_area, square_area = _spread(area)
        mean_mass, square_mass = _spread(mass)
        return Block(
            t_start_us=times[0],
            t_end_us=times[-1],
            t_mean_us=sum(times) / len(times),
            area_m2=mean_area,
            square_m4=square_area,
            mass=mean_mass,
            mass_square=square_mass,
            digit=min([step for step in _steps(before, mass) if step > least], default=math.inf),
            reading=last,
            n=len(times),
            rejected=rejected,
        )

    def same_for_too_long(self, now_us: int, rest_us: int) -> bool:
        """No noise for longer than the meter's own habit is a fault.

        The habit only excuses a meter that has moved again well after the valve
        came to rest at ``rest_us``: one that froze inside the move has not.
        """
        if self._same_since_us is None:
            return False
        alive = self._same_since_us >= rest_us + _ALIVE_US
        return now_us - self._same_since_us > max(_FROZEN_US, 3 * self._habit_us if alive else 0)

    def jumped_since(self, t_us: int) -> bool:
        """Whether the meter has made a step since then that is no digit's: so a fault ends."""
        return self._jumped_us is not None and self._jumped_us >= t_us

    def _watch(self) -> None:
        """Keep since when the meter has shown the same, and its habit of doing so.

        A frozen meter's mass flow still follows the test pressure a little,
        through the density at the meter: such a change is none.
        """
        n = len(self._t)
        if self._watched >= n:
            return
        if self._last_seen is None or self._same_since_us is None:
            self._last_seen = self._area[self._watched], self._mass[self._watched]
            self._same_since_us = self._t[self._watched]
        first = self._watched
        while first < n and not self._changed(first):
            first += 1
        if first < n:
            last = n - 1
            while last > first and not self._changed(last):
                last -= 1
            # a jump ends a fault, a step of a digit ends a habit
            if _step_rel(self._before(first)[1], self._mass[first]) < _HABIT_STEP:
                run_us = self._t[first] - self._same_since_us
                self._habit_us = max(self._habit_us, min(run_us, _LONGEST_HABIT_US))
            else:
                self._jumped_us = self._t[first]
            self._same_since_us = self._t[last]
        self._last_seen = self._area[-1], self._mass[-1]

    def _before(self, i: int) -> tuple[float, float]:
        """Area and mass flow of the sample before one that is being watched."""
        if i > self._watched:
            return self._area[i - 1], self._mass[i - 1]
        assert self._last_seen is not None
        return self._last_seen

    def _changed(self, i: int) -> bool:
        """Whether the meter itself has changed from the sample before."""
        area_before, mass_before = self._before(i)
        mass = self._mass[i]
        step = _step_rel(mass_before, mass)
        if step > _FOLLOWS_AT_MOST:
            return True
        ideal = mass / (self._area[i] or 1.0)
        follows = _FOLLOWS * abs(ideal - mass_before / (area_before or 1.0)) / max(abs(ideal), 1e-30)
        return step > follows

    def _sort(self) -> tuple[list[int] | None, int, int]:
        """Indices to keep (None: all), where the samples begin that must wait, how many were rejected."""
        area = self._area
        before = area[0] if self._last is None else self._last
        steps = _steps(before, area)
        # the usual case needs no limit: nothing so small is a spike
        limit = math.inf
        largest = max(steps)
        if self._last is not None and largest > _LEAST_SPIKE * abs(self._last):
            limit = self._limit()
        if largest <= limit:
            self._accept(area, steps)
            return None, len(area), 0
        keep: list[int] = []
        doubtful: list[int] = []
        rejected = 0
        last = before
        for i, value in enumerate(area):
            if abs(value - last) <= limit:
                rejected += len(doubtful)
                doubtful = []
                keep.append(i)
            else:
                doubtful.append(i)
                if len(doubtful) <= LONGEST_SPIKE:
                    continue
                keep.extend(doubtful)
                doubtful = []
                limit = math.inf
            last = value
        kept = [area[i] for i in keep]
        if kept:
            self._accept(kept, _steps(before, kept))
        return keep, doubtful[0] if doubtful else len(area), rejected

    def _accept(self, area: list[float], steps: list[float]) -> None:
        self._steps.extend(steps)
        self._last = area[-1]

    def _limit(self) -> float:
        if len(self._steps) < 8 or self._last is None:
            return math.inf
        # coarse digits make the median step 0: the mean step then still knows the digit
        scale = max(MAD_TO_SIGMA * median(self._steps), 1.2533 * sum(self._steps) / len(self._steps))
        return max(_SPIKE_LIMIT * scale, _LEAST_SPIKE * abs(self._last))


def _steps(before: float, values: list[float]) -> list[float]:
    """Size of each step, the first one from ``before``."""
    return list(map(abs, map(sub, values, chain((before,), values))))


def _step_rel(before: float, value: float) -> float:
    """Size of a step, as a share of what it led to."""
    return abs(value - before) / max(abs(value), 1e-30)


def _spread(values: list[float]) -> tuple[float, float]:
    """Mean, and mean square about it."""
    n = len(values)
    if n == 1:
        return values[0], 0.0
    mean = sum(values) / n
    off = [value - mean for value in values]
    return mean, sum(map(mul, off, off)) / n
