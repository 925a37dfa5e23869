"""From single samples to blocks of a tenth of a second, spikes and dropouts left out."""

import math
from dataclasses import dataclass

import numpy as np

from acquire.series import MAD_TO_SIGMA, Floats

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
    """Collects flow samples; ``close`` turns what has come into one block."""

    def __init__(self) -> None:
        self._t: list[int] = []
        self._area: list[float] = []
        self._mass: list[float] = []
        self._last: float | None = None
        self._last_seen: tuple[float, float] | None = None
        self._watched = 0
        self._last_kept: float | None = None
        self._steps = np.zeros(0)
        self._habit_us = 0
        self._same_since_us: int | None = None

    def push(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample. Cheap: all work waits for ``close``."""
        self._t.append(t_us)
        self._area.append(area_m2)
        self._mass.append(mass_flow_kg_s)

    def close(self) -> Block | None:
        """One block of the samples since the last one; None when there were none.

        Up to three samples that stray wait for their successors.
        """
        if not self._t:
            return None
        area, mass = np.array(self._area), np.array(self._mass)
        self._watch(area, mass)
        keep, held, rejected = self._sort(area)
        block = None
        if keep.size:
            kept, weighed = area[keep], mass[keep]
            apart = np.abs(np.diff(weighed, prepend=self._last_kept if self._last_kept is not None else weighed[0]))
            digits = apart[apart > _LEAST_DIGIT * abs(weighed[-1])]
            self._last_kept = float(weighed[-1])
            block = Block(
                t_start_us=self._t[int(keep[0])],
                t_end_us=self._t[int(keep[-1])],
                t_mean_us=sum(self._t[i] for i in keep.tolist()) / keep.size,
                area_m2=float(kept.mean()),
                square_m4=float(kept.var()),
                mass=float(weighed.mean()),
                mass_square=float(weighed.var()),
                digit=float(digits.min()) if digits.size else math.inf,
                reading=float(weighed[-1]),
                n=int(keep.size),
                rejected=rejected,
            )
        self._watched = len(self._t) - held
        self._t = self._t[held:]
        self._area = self._area[held:]
        self._mass = self._mass[held:]
        return block

    def same_for_too_long(self, now_us: int, rest_us: int) -> bool:
        """No noise for longer than the meter's own habit is a fault.

        The habit only excuses a meter that has moved again well after the valve
        came to rest at ``rest_us``: one that froze inside the move has not.
        """
        if self._same_since_us is None:
            return False
        alive = self._same_since_us >= rest_us + _ALIVE_US
        return now_us - self._same_since_us > max(_FROZEN_US, 3 * self._habit_us if alive else 0)

    def _watch(self, area: Floats, mass: Floats) -> None:
        """Keep since when the meter has shown the same, and its habit of doing so.

        A frozen meter's mass flow still follows the test pressure a little,
        through the density at the meter: such a change is none.
        """
        area, mass = area[self._watched :], mass[self._watched :]
        times = self._t[self._watched :]
        if not times:
            return
        ideal = mass / np.where(area == 0, 1.0, area)
        before = (float(ideal[0]), float(mass[0])) if self._last_seen is None else self._last_seen
        scale = np.maximum(np.abs(mass), 1e-30)
        step = np.abs(np.diff(mass, prepend=before[1])) / scale
        follows = _FOLLOWS * np.abs(np.diff(ideal, prepend=before[0])) / np.maximum(np.abs(ideal), 1e-30)
        changed = np.flatnonzero(step > np.minimum(follows, _FOLLOWS_AT_MOST))
        self._last_seen = (float(ideal[-1]), float(mass[-1]))
        if self._same_since_us is None:
            self._same_since_us = times[0]
        if changed.size:
            run_us = times[int(changed[0])] - self._same_since_us
            # a jump ends a fault, a step of a digit ends a habit
            if step[changed[0]] < _HABIT_STEP:
                self._habit_us = max(self._habit_us, min(run_us, _LONGEST_HABIT_US))
            self._same_since_us = times[int(changed[-1])]

    def _sort(self, area: Floats) -> tuple[np.ndarray, int, int]:
        """Indices to keep, where the samples begin that must wait, how many were rejected."""
        steps = np.abs(np.diff(area, prepend=area[0] if self._last is None else self._last))
        worst = float(steps.max())
        # the usual case needs no limit: nothing so small is a spike
        limit = math.inf
        if self._last is not None and worst > _LEAST_SPIKE * abs(self._last):
            limit = self._limit()
        if worst <= limit:
            self._accept(area, steps)
            return np.arange(area.size), area.size, 0
        keep: list[int] = []
        doubtful: list[int] = []
        rejected = 0
        last = area[0] if self._last is None else self._last
        for i, value in enumerate(area.tolist()):
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
        kept = area[keep]
        if kept.size:
            self._accept(kept, np.abs(np.diff(kept, prepend=kept[0] if self._last is None else self._last)))
        return np.array(keep, dtype=np.intp), doubtful[0] if doubtful else area.size, rejected

    def _accept(self, area: Floats, steps: Floats) -> None:
        self._steps = np.concatenate([self._steps, steps])[-_HISTORY:]
        self._last = float(area[-1])

    def _limit(self) -> float:
        if self._steps.size < 8 or self._last is None:
            return math.inf
        # coarse digits make the median step 0: the mean step then still knows the digit
        scale = max(MAD_TO_SIGMA * float(np.median(self._steps)), 1.2533 * float(self._steps.mean()))
        return max(_SPIKE_LIMIT * scale, _LEAST_SPIKE * abs(self._last))
