"""The judgement itself: witnesses first, then what is left of the approach, then the scatter."""

from collections import deque
from collections.abc import Sequence

from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.stabiliser.blocks import BLOCK_US, Block, Blocks
from acquire.stabiliser.captures import by_hand, reading
from acquire.stabiliser.pace import Pace
from acquire.stabiliser.swings import Swings
from acquire.stabiliser.unchanging import Unchanging
from acquire.stabiliser.weighing import Fit, still_missing
from acquire.stabiliser.witness import STILL_US, LiftWitness, PressureWitness
from acquire.values import Capture, Missing, Standing, StandingState, Step

_SILENT_US = 2_000_000
_KEEP = 6500
_SKIP_US = 150_000
_STRAY = 0.02
"""Share of the test pressure: in a block that spreads over more, one reading is probably spoilt."""
_SHORTEST_S = 0.95


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
        self._unchanging = Unchanging()
        self._flow_pace, self._pressure_pace = Pace(), Pace()
        self._swings = Swings()
        self._flow = Blocks()
        self._blocks: deque[Block] = deque(maxlen=_KEEP)
        self._fit = Fit(settings, learned)
        self._origin_us: int | None = None
        self._aimed_us = 0
        self._close_us = 0
        self._ticks = 0
        self._next_weigh = 0
        self._last_flow_us: int | None = None
        self._last_pressure_us: int | None = None
        self._begun_us: int | None = None
        # which signal is; empty for none
        self._frozen = ""
        # what was frozen up to then shows nothing of the approach
        self._thawed_us = 0
        self._froze_us: int | None = None
        self._capture: Capture | None = None
        self._standing = Standing("waiting", ("signal",), detail="no step asked for")

    @property
    def learned(self) -> BenchResponse:
        """What the bench has shown so far: worth keeping for its next pull."""
        return self._fit.learned

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
        self._fit.begin()
        self._blocks.clear()

    def _learn(self) -> None:
        if not self._frozen:
            self._fit.learn(self._blocks)

    def _tick(self, t_us: int) -> None:
        start_us = max(self._close_us - BLOCK_US, 0)
        self._close_us = (t_us // BLOCK_US + 1) * BLOCK_US
        swings: list[float] | None = None
        self._pressure_pace.add(t_us, len(self._pressures))
        if self._pressures:
            middle = sorted(self._pressures)[len(self._pressures) // 2]
            self._pressure.block(start_us, middle)
            self._unchanging.block(start_us, self._pressures, learns=self._pressure.inside_since_us is not None)
            if self._step is not None:
                swings = self._swings.block(t_us / 1e6, self._mean_pressure(middle), self._step.test_pressure_pa)
            self._pressures.clear()
        block = self._flow.close()
        self._flow_pace.add(t_us, block.n + block.rejected if block is not None else 0)
        if block is not None:
            self._add(block, swings)
        if self._step is not None:
            self._ticks += 1
            self._judge(t_us)

    def _mean_pressure(self, middle_pa: float) -> float:
        spread = max(self._pressures) - min(self._pressures)
        return middle_pa if spread > _STRAY * middle_pa else sum(self._pressures) / len(self._pressures)

    def _add(self, block: Block, swings: list[float] | None) -> None:
        origin = self._lift.still_since_us if self._lift.watched else self._aimed_us
        if origin is not None and self._pressure.near_since_us is not None:
            origin = max(origin, self._pressure.near_since_us, self._thawed_us)
        else:
            origin = None
        if origin != self._origin_us:
            if self._capture is None:
                self._learn()
            self._fit.begin()
            self._blocks.clear()
            self._origin_us = origin
            self._next_weigh = 0
        gap = bool(self._blocks) and block.t_start_us - self._blocks[-1].t_end_us > 2 * BLOCK_US
        self._blocks.append(block)
        if origin is None or block.t_start_us < max(origin + _SKIP_US, self._aimed_us) or swings is None:
            return
        self._fit.add((block.t_mean_us - origin) / 1e6, block.area_m2, swings, gap)

    def _judge(self, now_us: int) -> None:
        lasts = [self._last_flow_us, self._last_pressure_us]
        if self._lift.watched:
            lasts.append(self._lift.last_us)
        if any(last is None or now_us - last > _SILENT_US for last in lasts):
            self._lose("waiting", ("signal",), "no samples from an instrument")
            return
        self._look_for_old(now_us)
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
        if self._frozen:
            self._stick("frozen", f"the {self._frozen} has stopped changing: it looks frozen, check its instrument")
            return
        slow = self._flow_pace.slow or self._pressure_pace.slow
        if slow:
            self._stick(
                "readings", f"readings come at {slow} and may be old: check the cable and the instrument's settings"
            )
            return
        start_us = max(lift_since, pressure_since, self._aimed_us, self._thawed_us)
        if self._begun_us is None or start_us > self._begun_us:
            self._begun_us = start_us
        if self._ticks >= self._next_weigh:
            self._weigh(now_us, self._begun_us)

    def _look_for_old(self, now_us: int) -> None:
        """What is frozen now, and up to when what came in shows nothing of the approach: frozen, or on a slow line."""
        rest_us = max((self._lift.still_since_us or 0) if self._lift.watched else 0, self._aimed_us)
        flow_frozen = self._flow.same_for_too_long(now_us, rest_us)
        pressure_frozen = self._unchanging.too_long(now_us)
        self._frozen = "flow reading" if flow_frozen else "test pressure" if pressure_frozen else ""
        if pressure_frozen or self._flow_pace.old or self._pressure_pace.old:
            self._thawed_us = now_us
        # a meter that only stood on a digit has shown something all the time; one that jumps was not there
        if flow_frozen:
            self._froze_us = now_us
        elif self._froze_us is not None:
            if self._flow.jumped_since(self._froze_us):
                self._thawed_us = now_us
            self._froze_us = None

    def _stick(self, missing: Missing, detail: str) -> None:
        self._begun_us = None
        self._standing = Standing("stuck", (missing,), detail=detail)

    def _lose(self, state: StandingState, missing: tuple[Missing, ...], detail: str) -> None:
        self._capture = None
        self._begun_us = None
        self._standing = Standing(state, missing, detail=detail)

    def _weigh(self, now_us: int, begun_us: int) -> None:
        waited_s = (now_us - begun_us) / 1e6
        lift_since = self._lift.settled_since_us() or 0
        short_s = max(_SHORTEST_S - waited_s, (STILL_US - (now_us - lift_since)) / 1e6)
        if self._fit.n < 8 or (short_s > 0 and self._fit.n < 12):
            self._standing = Standing("settling", ("readings",), remaining_s=max(0.1, short_s))
            return
        window = [b for b in self._blocks if b.t_start_us >= begun_us] or [self._blocks[-1]]
        found = self._fit.weigh(self._blocks, window, self._ticks)
        # far from the goal the next look may wait longer
        wanted = self._settings.wanted
        self._next_weigh = self._ticks + (2 if found.half_rel < 2 * wanted else 3 if found.half_rel < 6 * wanted else 5)
        late = waited_s >= self._settings.longest_wait_s
        if short_s <= 0 and (late or found.good):
            reached = found.half_rel <= wanted
            reason = (
                "settled"
                if reached
                else f"too unsteady for {100 * wanted:.2g} % in {self._settings.longest_wait_s:.0f} s: "
                f"taken with {100 * found.half_rel:.2g} %"
            )
            self._take(reading(window, found.settled, found.noise, self._fit.scale, reached, reason), found.half_rel)
        else:
            self._standing = still_missing(found, waited_s, short_s, self._settings)

    def _take(self, capture: Capture, half_rel: float) -> None:
        self._capture = capture
        drift = capture.drift_m2_per_s / capture.area_m2 * 60 if capture.area_m2 else None
        self._standing = Standing("settled", (), 0.0, half_rel, drift, capture.reason)
        self._learn()
