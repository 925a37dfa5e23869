"""The judgement itself: witnesses first, then what is left of the approach, then the scatter."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.series import Floats, t_factor
from acquire.stabiliser.approach import Approach, CreepPrior, Settled
from acquire.stabiliser.blocks import BLOCK_S, BLOCK_US, Block, Blocks
from acquire.stabiliser.captures import by_hand, reading
from acquire.stabiliser.digits import digit_uncertainty
from acquire.stabiliser.noise import Noise, NoisePool
from acquire.stabiliser.response import from_kept, to_keep
from acquire.stabiliser.swings import Swings
from acquire.stabiliser.witness import STILL_US, LiftWitness, PressureWitness
from acquire.values import Capture, Missing, Standing, StandingState, Step

_SILENT_US = 2_000_000
_KEEP = 6500
_SKIP_US = 150_000
_SHORTEST_S = 0.95
_DITHER_BLOCKS = 60
_BEYOND = 0.014
"""Nothing is taken while an error beyond the stated half-width by ``_FALSE`` of the one wanted is likelier."""
_FALSE = 0.8
_LEFT = 1.0
"""Nothing is taken while more than this share of the half-width wanted is still to come."""


class Stabiliser:
    """Causal, incremental, pure: no clock, no I/O; the same code live and in replay.

    All decisions depend on the time stamps that are pushed, never on the
    moment of the call. Push in order of time, within a signal. ``learned``
    is what another stabiliser has learned on the same bench.
    """

    def __init__(self, settings: Settling, learned: BenchResponse | None = None) -> None:
        self._settings = settings
        self._step: Step | None = None
        self._lift = LiftWitness(settings.lift_tolerance_m)
        self._pressure = PressureWitness(settings.test_pressure_band)
        self._pressures: list[float] = []
        self._swings = Swings()
        self._flow = Blocks()
        self._blocks: deque[Block] = deque(maxlen=_KEEP)
        self._approach = Approach(
            BLOCK_S,
            CreepPrior(settings.creep_chance, settings.creep_size),
            from_kept(learned) if learned is not None else None,
        )
        self._pool = NoisePool(BLOCK_S, learned.noise if learned is not None else None)
        self._origin_us: int | None = None
        self._aimed_us = 0
        self._scale = 0.0
        self._close_us = 0
        self._ticks = 0
        self._next_weigh = 0
        self._next_full = 0
        self._last_flow_us: int | None = None
        self._last_pressure_us: int | None = None
        self._begun_us: int | None = None
        self._digit = 0.0
        self._frozen = False
        self._capture: Capture | None = None
        self._standing = Standing("waiting", ("signal",), detail="no step asked for")

    @property
    def learned(self) -> BenchResponse:
        """What the bench has shown so far: worth keeping for its next pull."""
        return to_keep(replace(self._approach.learned, noise=self._pool.seen))

    # ------------------------------------------------------------ what comes in

    def aim(self, t_us: int, step: Step) -> None:
        """A new target from ``t_us`` on; whatever was captured is dropped."""
        self._step = step
        self._lift.aim(step.lift_m)
        self._pressure.aim(step)
        self._aimed_us = t_us
        self._restart()
        self._standing = Standing("waiting", ("signal",), detail="waiting for the first samples")
        self._tick(t_us)

    def push_lift(self, t_us: int, lift_m: float) -> None:
        """One sample of the valve lift."""
        self._lift.push(t_us, lift_m)
        if t_us >= self._close_us:
            self._tick(t_us)

    def push_pressure(self, t_us: int, pressure_pa: float) -> None:
        """One sample of the test pressure."""
        self._pressures.append(pressure_pa)
        self._last_pressure_us = t_us
        if t_us >= self._close_us:
            self._tick(t_us)

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample of the flow, as the area referred to the test pressure of the same moment."""
        self._flow.push(t_us, area_m2, mass_flow_kg_s)
        self._last_flow_us = t_us
        if t_us >= self._close_us:
            self._tick(t_us)

    @property
    def collects_until_us(self) -> int:
        """Samples before this time are only collected; the first at or after it, of any signal, is judged."""
        return self._close_us

    def push_many(
        self,
        *,
        lift_t_us: Sequence[int] = (),
        lift_m: Sequence[float] = (),
        pressure_t_us: Sequence[int] = (),
        pressure_pa: Sequence[float] = (),
        flow_t_us: Sequence[int] = (),
        area_m2: Sequence[float] = (),
        mass_flow_kg_s: Sequence[float] = (),
    ) -> None:
        """Many samples at once, all before ``collects_until_us``: the same to the last bit as one by one.

        Plain numbers (``array.tolist()``), each signal in order of time; how the signals
        lie among each other is free. Then push the first sample at or after
        ``collects_until_us`` by itself, and look at ``capture``. Raises
        ``ValueError`` for a sample that would have to be judged.
        """
        lasts = [times[-1] for times in (lift_t_us, pressure_t_us, flow_t_us) if times]
        if lasts and max(lasts) >= self._close_us:
            raise ValueError(
                f"a sample at {max(lasts)} us is to be judged by itself: only those before {self._close_us}"
            )
        for t_us, value in zip(lift_t_us, lift_m, strict=True):
            self._lift.push(t_us, value)
        if pressure_t_us:
            self._pressures.extend(pressure_pa)
            self._last_pressure_us = pressure_t_us[-1]
        if flow_t_us:
            self._flow.push_many(flow_t_us, area_m2, mass_flow_kg_s)
            self._last_flow_us = flow_t_us[-1]

    # ------------------------------------------------------------ what is said

    def standing(self) -> Standing:
        """Where the judgement stands now."""
        return self._standing

    def capture(self) -> Capture | None:
        """The accepted reading, exactly while the standing is settled."""
        return self._capture

    def capture_now(self) -> Capture | None:
        """The best reading to be had by hand now; None without any flow samples."""
        if self._capture is not None:
            return self._capture
        if not self._blocks:
            return None
        return by_hand(list(self._blocks)[-30:])

    # ------------------------------------------------------------ the judgement

    def _restart(self) -> None:
        if self._capture is None and self._origin_us is not None:
            self._learn()
        self._capture = None
        self._begun_us = None
        self._origin_us = None
        self._approach.begin()
        self._blocks.clear()

    def _learn(self) -> None:
        if self._approach.n >= 20 and not self._frozen:
            s0, s1, p = self._approach.residuals()
            self._pool.keep(s0, s1, float(self._approach.n), p, self._noise(), self._approach.reading)
            self._approach.learn()

    def _noise(self) -> Noise:
        """The noise by this step and the earlier ones."""
        s0, s1, p = self._approach.residuals()
        n = float(self._approach.n)
        return self._pool.estimate(s0, s1, n, p, self._samples_a_block(), self._approach.rough, self._approach.reading)

    def _samples_a_block(self) -> float:
        return sum(b.n for b in self._blocks) / len(self._blocks) if self._blocks else 1.0

    def _tick(self, t_us: int) -> None:
        start_us = max(self._close_us - BLOCK_US, 0)
        self._close_us = (t_us // BLOCK_US + 1) * BLOCK_US
        swings: Floats | None = None
        if self._pressures:
            self._pressure.block(start_us, sorted(self._pressures)[len(self._pressures) // 2])
            if self._step is not None:
                swings = self._swings.block(
                    t_us / 1e6, sum(self._pressures) / len(self._pressures), self._step.test_pressure_pa
                )
            self._pressures.clear()
        block = self._flow.close()
        if block is not None:
            self._add(block, swings)
        if self._step is not None:
            self._ticks += 1
            self._judge(t_us)

    def _add(self, block: Block, swings: Floats | None) -> None:
        origin = self._lift.still_since_us if self._lift.watched else self._aimed_us
        if origin is not None and self._pressure.near_since_us is not None:
            origin = max(origin, self._pressure.near_since_us)
        else:
            origin = None
        if origin != self._origin_us:
            if self._capture is None:
                self._learn()
            self._approach.begin()
            self._blocks.clear()
            self._origin_us = origin
            self._next_weigh = self._next_full = 0
        gap = bool(self._blocks) and block.t_start_us - self._blocks[-1].t_end_us > 2 * BLOCK_US
        self._blocks.append(block)
        if origin is None or block.t_start_us < max(origin + _SKIP_US, self._aimed_us) or swings is None:
            return
        if self._approach.n == 0:
            self._scale = block.area_m2 if block.area_m2 != 0 else 1e-12
        since = (block.t_mean_us - origin) / 1e6
        self._approach.add(since, block.area_m2 / self._scale, swings, gap)

    def _judge(self, now_us: int) -> None:
        lasts = [self._last_flow_us, self._last_pressure_us]
        if self._lift.watched:
            lasts.append(self._lift.last_us)
        if any(last is None or now_us - last > _SILENT_US for last in lasts):
            self._lose("waiting", ("signal",), "no samples from an instrument")
            return
        lift_since = self._lift.settled_since_us()
        pressure_since = self._pressure.inside_since_us
        if lift_since is None or pressure_since is None:
            moving: list[Missing] = []
            if lift_since is None:
                moving.append("lift")
            if pressure_since is None:
                moving.append("test pressure")
            self._lose("moving", tuple(moving), f"waiting for {' and '.join(moving)}")
            return
        if self._capture is not None:
            return
        self._frozen = self._flow.same_for_too_long(now_us, max(lift_since, self._aimed_us))
        if self._frozen:
            self._begun_us = None
            self._standing = Standing(
                "stuck", ("frozen",), detail="the flow reading has stopped changing: it looks frozen"
            )
            return
        start_us = max(lift_since, pressure_since, self._aimed_us)
        if self._begun_us is None or start_us > self._begun_us:
            self._begun_us = start_us
        if self._ticks >= self._next_weigh:
            self._weigh(now_us, self._begun_us)

    def _lose(self, state: StandingState, missing: tuple[Missing, ...], detail: str) -> None:
        self._capture = None
        self._begun_us = None
        self._standing = Standing(state, missing, detail=detail)

    def _weigh(self, now_us: int, begun_us: int) -> None:
        waited_s = (now_us - begun_us) / 1e6
        lift_since = self._lift.settled_since_us() or 0
        short_s = max(_SHORTEST_S - waited_s, (STILL_US - (now_us - lift_since)) / 1e6)
        if self._approach.n < 8 or (short_s > 0 and self._approach.n < 12):
            self._standing = Standing("settling", ("readings",), remaining_s=max(0.1, short_s))
            return
        wanted = self._settings.wanted
        noise = self._noise()
        factor = t_factor(noise.dof) / t_factor(math.inf)
        # every response is tried every other second and before anything is taken
        full = self._ticks >= self._next_full
        if full:
            self._next_full = self._ticks + 20
        digit = self._digit_error(begun_us)
        settled = self._approach.settle(noise, factor, digit, _FALSE * wanted, full)
        if not full and self._good(settled):
            settled = self._approach.settle(noise, factor, digit, _FALSE * wanted, True)
        level = settled.value
        half = settled.half_width / max(abs(level), 1e-12)
        # far from the goal the next look may wait longer
        self._next_weigh = self._ticks + (2 if half < 2 * wanted else 3 if half < 6 * wanted else 5)
        scatter = 1.96 * factor * math.sqrt(noise.long_run * BLOCK_S / max(waited_s, 0.1)) / max(abs(level), 1e-12)
        late = waited_s >= self._settings.longest_wait_s
        if short_s <= 0 and (late or self._good(settled)):
            reason = "settled"
            reached = half <= wanted
            if not reached:
                reason = (
                    f"too unsteady for {100 * wanted:.2g} % in {self._settings.longest_wait_s:.0f} s: "
                    f"taken with {100 * half:.2g} %"
                )
            self._take(
                reading(
                    [b for b in self._blocks if b.t_start_us >= begun_us], settled, noise, self._scale, reached, reason
                ),
                half,
            )
            return
        missing: list[Missing] = []
        if short_s > 0:
            missing.append("readings")
        if half > wanted and scatter > 0.8 * half:
            missing.append("noise")
        elif half > wanted and settled.swing_share > 0.4:
            missing.append("hunting")
        else:
            missing.append("drift")
        power = 2.0 if "noise" in missing else 1.0
        left = max(short_s, waited_s * ((half / wanted) ** power - 1), 0.2)
        hopeless = "noise" in missing and waited_s > 5 and waited_s + left > 1.5 * self._settings.longest_wait_s
        self._standing = Standing(
            "stuck" if hopeless else "settling",
            tuple(missing),
            remaining_s=min(left, max(self._settings.longest_wait_s - waited_s, 0.0)),
            half_width_rel=half,
        )

    def _digit_error(self, begun_us: int) -> float:
        """Standard uncertainty from the meter's last digit, relative."""
        window = [b for b in self._blocks if b.t_start_us >= begun_us][-_DITHER_BLOCKS:] or list(self._blocks)[-1:]
        digit = min(b.digit for b in window)
        if digit < math.inf:
            self._digit = digit
        means = np.array([b.mass for b in window])
        within = np.array([b.mass_square for b in window])
        level = max(abs(float(means.mean())), 1e-30)
        return digit_uncertainty(means, within, window[-1].reading, self._digit) / level

    def _good(self, settled: Settled) -> bool:
        wanted = self._settings.wanted * abs(settled.value)
        enough = self._approach.n >= 8
        return enough and settled.half_width <= wanted and settled.beyond <= _BEYOND and settled.left <= _LEFT * wanted

    def _take(self, capture: Capture, half_rel: float) -> None:
        self._capture = capture
        drift = capture.drift_m2_per_s / capture.area_m2 * 60 if capture.area_m2 else None
        self._standing = Standing("settled", (), 0.0, half_rel, drift, capture.reason)
        self._learn()
