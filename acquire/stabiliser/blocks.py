"""From single samples to blocks of a tenth of a second, spikes and dropouts left out."""

import math
from dataclasses import dataclass

import numpy as np

from acquire.series import MAD_TO_SIGMA

BLOCK_US = 100_000
LONGEST_SPIKE = 3
"""One to three stray samples are a spike or a dropout; a longer run is a change."""
_SPIKE_LIMIT = 5.5
_HISTORY = 64


@dataclass(frozen=True, slots=True)
class Block:
    """Means of the accepted samples of one block; times in microseconds."""

    t_start_us: int
    t_end_us: int
    t_mean_us: float
    area_m2: float
    n: int
    rejected: int
    square_m4: float
    changed: bool


class Blocks:
    """Collects flow samples; ``close`` turns what has come into one block."""

    def __init__(self) -> None:
        self._t: list[int] = []
        self._area: list[float] = []
        self._mass: list[float] = []
        self._accepted: list[float] = []
        self._last_mass = math.nan
        self._steps: list[float] = []

    def push(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample. Cheap: all work waits for ``close``."""
        self._t.append(t_us)
        self._area.append(area_m2)
        self._mass.append(mass_flow_kg_s)

    def close(self) -> Block | None:
        """One block of the samples since the last one; None when there were none."""
        if not self._t:
            return None
        keep, held, rejected = self._sort()
        changed = any(value != self._last_mass for value in self._mass)
        self._last_mass = self._mass[-1]
        block = None
        if keep:
            area = np.array([self._area[i] for i in keep])
            times = np.array([self._t[i] for i in keep], dtype=np.float64)
            block = Block(
                t_start_us=self._t[keep[0]],
                t_end_us=self._t[keep[-1]],
                t_mean_us=float(times.mean()),
                area_m2=float(area.mean()),
                n=len(keep),
                rejected=rejected,
                square_m4=float(area.var()),
                changed=changed,
            )
        self._t = self._t[held:]
        self._area = self._area[held:]
        self._mass = self._mass[held:]
        return block

    def _sort(self) -> tuple[list[int], int, int]:
        """Indices to keep, where the samples begin that wait for their successors, count rejected."""
        keep: list[int] = []
        doubtful: list[int] = []
        rejected = 0
        limit = self._limit()
        for i, value in enumerate(self._area):
            last = self._accepted[-1] if self._accepted else value
            if abs(value - last) <= limit or not math.isfinite(limit):
                rejected += len(doubtful)
                doubtful = []
                self._accept(value)
                keep.append(i)
                continue
            doubtful.append(i)
            if len(doubtful) > LONGEST_SPIKE:
                for j in doubtful:
                    self._accept(self._area[j])
                keep.extend(doubtful)
                doubtful = []
                limit = self._limit()
        return keep, (doubtful[0] if doubtful else len(self._area)), rejected

    def _accept(self, value: float) -> None:
        if self._accepted:
            self._steps.append(abs(value - self._accepted[-1]))
            del self._steps[:-_HISTORY]
        self._accepted.append(value)
        del self._accepted[:-1]

    def _limit(self) -> float:
        if len(self._steps) < 8:
            return math.inf
        steps = np.array(self._steps)
        # coarse digits make the median step 0: the mean step then still knows the digit
        scale = max(MAD_TO_SIGMA * float(np.median(steps)), 1.2533 * float(steps.mean()))
        return max(_SPIKE_LIMIT * scale, 0.02 * abs(self._accepted[-1]))
