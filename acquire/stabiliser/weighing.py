"""What the record of one stay says now: the fit, the noise behind it, whether that is good enough, what is missing."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.series import t_factor
from acquire.stabiliser.approach import Approach, CreepPrior
from acquire.stabiliser.blocks import BLOCK_S, Block
from acquire.stabiliser.digits import digit_uncertainty
from acquire.stabiliser.noise import Noise, NoisePool
from acquire.stabiliser.response import from_kept, to_keep
from acquire.stabiliser.settled import Settled
from acquire.values import Missing, Standing

_DITHER_BLOCKS = 60
_FULL_TICKS = 20
_LEARN_BLOCKS = 20
_BEYOND = 0.02
"""Nothing is taken while an error beyond the stated half-width by ``_FALSE`` of the one wanted is likelier."""
_FALSE = 0.8
_LEFT = 1.0
"""Nothing is taken while more than this share of the half-width wanted is still to come."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """The fit, and relative to its value: the 95 % half-width, that of the noise alone per root second."""

    settled: Settled
    noise: Noise
    half_rel: float
    noise_rel: float
    good: bool


class Fit:
    """The approach of one stay and the noise of all of them, in units of the stay's first block."""

    def __init__(self, settings: Settling, learned: BenchResponse | None) -> None:
        self._wanted = settings.wanted
        creep = CreepPrior(settings.creep_chance, settings.creep_size)
        self._approach = Approach(BLOCK_S, creep, from_kept(learned) if learned is not None else None)
        self._pool = NoisePool(BLOCK_S, learned.noise if learned is not None else None)
        self._digit = 0.0
        self._next_full = 0
        self.scale = 0.0

    @property
    def learned(self) -> BenchResponse:
        """What the bench has shown so far."""
        return to_keep(replace(self._approach.learned, noise=self._pool.seen))

    @property
    def n(self) -> int:
        """Blocks that the fit is made from."""
        return self._approach.n

    def begin(self) -> None:
        """Forget this stay."""
        self._approach.begin()
        self._next_full = 0

    def add(self, since_s: float, area_m2: float, swings: Sequence[float], gap: bool) -> None:
        """One block, by its time since everything came to rest."""
        if self.n == 0:
            self.scale = area_m2 if area_m2 != 0 else 1e-12
        self._approach.add(since_s, area_m2 / self.scale, swings, gap)

    def learn(self, blocks: Sequence[Block]) -> None:
        """Carry over to the next stay what this one has shown, if it was long enough."""
        if self.n >= _LEARN_BLOCKS:
            s0, s1, p = self._approach.residuals()
            self._pool.keep(s0, s1, float(self.n), p, self._noise(blocks), self._approach.reading)
            self._approach.learn()

    def weigh(self, blocks: Sequence[Block], window: Sequence[Block], tick: int) -> Weighed:
        """Look at the record as it is. ``window``: the blocks since everything was in place, one at least."""
        noise = self._noise(blocks)
        factor = t_factor(noise.dof) / t_factor(math.inf)
        digit = self._digit_error(window[-_DITHER_BLOCKS:])
        # every response is tried every other second and before anything is taken
        full = tick >= self._next_full
        if full:
            self._next_full = tick + _FULL_TICKS
        settled = self._approach.settle(noise, factor, digit, full)
        if not full and self._good(settled):
            settled = self._approach.settle(noise, factor, digit, True)
        level = max(abs(settled.value), 1e-12)
        return Weighed(
            settled=settled,
            noise=noise,
            half_rel=settled.half_width / level,
            noise_rel=1.96 * factor * math.sqrt(noise.long_run * BLOCK_S) / level,
            good=self._good(settled),
        )

    def _noise(self, blocks: Sequence[Block]) -> Noise:
        """The noise by this stay and the earlier ones."""
        s0, s1, p = self._approach.residuals()
        samples = sum([b.n for b in blocks]) / len(blocks) if blocks else 1.0
        return self._pool.estimate(s0, s1, float(self.n), p, samples, self._approach.rough, self._approach.reading)

    def _digit_error(self, window: Sequence[Block]) -> float:
        """Standard uncertainty from the meter's last digit, relative."""
        digit = min([b.digit for b in window])
        if digit < math.inf:
            self._digit = digit
        if self._digit == 0.0:
            return 0.0
        means = np.array([b.mass for b in window])
        within = np.array([b.mass_square for b in window])
        off = digit_uncertainty(means, within, window[-1].reading, self._digit)
        return off / max(abs(float(means.sum()) / len(window)), 1e-30) if off > 0 else 0.0

    def _good(self, settled: Settled) -> bool:
        wanted = self._wanted * abs(settled.value)
        near = self.n >= 8 and settled.half_width <= wanted and settled.left <= _LEFT * wanted
        return near and settled.beyond(_FALSE * self._wanted) <= _BEYOND


def still_missing(found: Weighed, waited_s: float, short_s: float, settings: Settling) -> Standing:
    """In words of a standing: what keeps the reading from being settled, and for how long about."""
    wanted, half = settings.wanted, found.half_rel
    scatter = found.noise_rel / math.sqrt(max(waited_s, 0.1))
    missing: list[Missing] = []
    if short_s > 0:
        missing.append("readings")
    if half > wanted and scatter > 0.8 * half:
        missing.append("noise")
    elif half > wanted and found.settled.swing_share() > 0.4:
        missing.append("hunting")
    else:
        missing.append("drift")
    power = 2.0 if "noise" in missing else 1.0
    left = max(short_s, waited_s * ((half / wanted) ** power - 1), 0.2)
    hopeless = "noise" in missing and waited_s > 5 and waited_s + left > 1.5 * settings.longest_wait_s
    return Standing(
        "stuck" if hopeless else "settling",
        tuple(missing),
        remaining_s=min(left, max(settings.longest_wait_s - waited_s, 0.0)),
        half_width_rel=half,
    )
