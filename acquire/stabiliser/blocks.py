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
        self._last_mass: float | None = None
        self._last_kept: float | None = None
        self._steps = np.zeros(0)
        self.same_since_us: int | None = None

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
        steps = np.abs(np.diff(mass, prepend=mass[0] if self._last_mass is None else self._last_mass))
        changes = np.flatnonzero(steps > 0)
        if changes.size:
            self.same_since_us = self._t[int(changes[-1])]
        elif self.same_since_us is None:
            self.same_since_us = self._t[0]
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
        if held:
            self._last_mass = self._mass[held - 1]
        self._t = self._t[held:]
        self._area = self._area[held:]
        self._mass = self._mass[held:]
        return block

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
