"""The judgement as others see it: samples go in, a standing and captures come out."""

import math

import numpy as np
import numpy.typing as npt

from acquire.compiled import NEVER_US, new
from acquire.config import Settling
from acquire.response import BenchResponse
from acquire.series import Floats
from acquire.stabiliser import pace
from acquire.stabiliser.advance import ENDS, FLOW, FULL, JUDGE, LIFT, LOOK, PRESSURE, SAID, TICK, USED, Kept, run
from acquire.stabiliser.blocks import BLOCK, new_meter
from acquire.stabiliser.captures import by_hand, reading
from acquire.stabiliser.look import begin, learn, look, new_fit, shown
from acquire.stabiliser.standing import half_width_rel, standing
from acquire.stabiliser.sums import SumsKept, clear
from acquire.stabiliser.swings import new_swings
from acquire.stabiliser.unchanging import new_unchanging
from acquire.stabiliser.witness import aim_pressure, lift_witness, pressure_witness
from acquire.values import Capture, Standing, Step

_MOST_BLOCKS = 6500
_BY_HAND = 30
_ROOM = 256


class Stabiliser:
    """Causal, incremental, pure: no clock, no I/O; the same code live and in replay.

    All decisions depend on the time stamps that are pushed, never on the
    moment of the call. Push in order of time, within a signal. ``learned``
    is what another stabiliser has learned on the same bench.
    """

    def __init__(self, settings: Settling, learned: BenchResponse | None = None) -> None:
        self._settings = settings
        self._kept = _new_kept(settings)
        self._fit = new_fit(settings, learned)
        self._judge = self._kept.judge
        self._close_us = 0
        self._kind: list[int] = []
        self._t_us: list[int] = []
        self._first: list[float] = []
        self._second: list[float] = []
        self._capture: Capture | None = None
        self._standing = Standing("waiting", ("signal",), detail="no step asked for")

    @property
    def learned(self) -> BenchResponse:
        """What the bench has shown so far: worth keeping for its next pull."""
        return shown(self._fit)

    # ------------------------------------------------------------ what comes in

    def aim(self, t_us: int, step: Step) -> None:
        """A new target from ``t_us`` on; whatever was captured is dropped."""
        self._use_waiting()
        kept, judge = self._kept, self._judge
        self._end_stay()
        judge["stepping"], judge["target_pa"], judge["aimed_us"] = True, step.test_pressure_pa, t_us
        # stillness is a matter of the valve and stays
        kept.lift["target_m"] = math.nan if step.lift_m is None else step.lift_m
        aim_pressure(kept.pressure, step.test_pressure_pa)
        judge["blocks"] = 0
        judge["captured"], judge["begun_us"], judge["origin_us"] = False, NEVER_US, NEVER_US
        judge["stands"] = SAID
        self._standing = Standing("waiting", ("signal",), detail="waiting for the first samples")
        self._put(TICK, t_us, 0.0)
        self._use_waiting()

    def push_lift(self, t_us: int, lift_m: float) -> None:
        """One sample of the valve lift."""
        self._put(LIFT, t_us, lift_m)

    def push_pressure(self, t_us: int, pressure_pa: float) -> None:
        """One sample of the test pressure."""
        self._put(PRESSURE, t_us, pressure_pa)

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None:
        """One sample of the flow, as the area referred to the test pressure of the same moment."""
        self._put(FLOW, t_us, area_m2, mass_flow_kg_s)

    def _put(self, kind: int, t_us: int, first: float, second: float = 0.0) -> None:
        """Nothing is worked out until a block is full: a sample more costs next to nothing."""
        self._kind.append(kind)
        self._t_us.append(t_us)
        self._first.append(first)
        self._second.append(second)
        if t_us >= self._close_us:
            self._use_waiting()

    def _use_waiting(self) -> None:
        if not self._t_us:
            return
        # whole numbers would be another loop to compile
        came = (
            np.array(self._kind, np.int8),
            np.array(self._t_us, np.int64),
            np.array(self._first, np.float64),
            np.array(self._second, np.float64),
        )
        for column in (self._kind, self._t_us, self._first, self._second):
            column.clear()
        at = 0
        while at < came[0].size:
            at = self._run(*came, at)

    @property
    def collects_until_us(self) -> int:
        """Samples before this time are only collected; the first at or after it, of any signal, is judged."""
        return self._close_us

    def push_many(
        self, kind: npt.NDArray[np.int8], t_us: npt.NDArray[np.int64], first: Floats, second: Floats, at: int = 0
    ) -> int:
        """Many samples in the order of their arrival, from ``at`` on, up to the one by which a reading is captured.

        The same to the last bit as one by one. ``kind``: ``LIFT``, ``PRESSURE`` or ``FLOW``; ``first`` and ``second``:
        what ``push_lift``, ``push_pressure`` and ``push_flow`` take. Gives how many are used then.
        """
        self._use_waiting()
        return self._run(kind, t_us, first, second, at)

    def _run(
        self, kind: npt.NDArray[np.int8], t_us: npt.NDArray[np.int64], first: Floats, second: Floats, at: int
    ) -> int:
        while True:
            at, why = run(self._kept, kind, t_us, first, second, at)
            if why == USED or (why == LOOK and self._look()):
                break
            if why == ENDS:
                self._end_stay()
            elif why == FULL:
                self._make_room()
        self._close_us = int(self._judge["close_us"])
        return at

    def _make_room(self) -> None:
        """Twice the room for samples that wait for the end of their block; of the oldest blocks half are forgotten."""
        kept, n = self._kept, int(self._judge["blocks"])
        if n == kept.blocks.size:
            forgotten = n // 2
            kept.blocks[: n - forgotten] = kept.blocks[forgotten:].copy()
            self._judge["blocks"] = n - forgotten
        else:
            room = 2 * kept.t_us.size
            self._kept = kept._replace(
                pressures=np.resize(kept.pressures, room),
                t_us=np.resize(kept.t_us, room),
                area_m2=np.resize(kept.area_m2, room),
                mass_kg_s=np.resize(kept.mass_kg_s, room),
            )

    # ------------------------------------------------------------ what is said

    def standing(self) -> Standing:
        """Where the judgement stands now."""
        stands = self._judge["stands"]
        return self._standing if stands == SAID else standing(self._kept, self._fit, self._settings)

    def capture(self) -> Capture | None:
        """The accepted reading, exactly while the standing is settled."""
        return self._capture if self._judge["captured"] else None

    def capture_now(self) -> Capture | None:
        """The best reading to be had by hand now; None without any flow samples."""
        blocks = self._blocks
        return self.capture() or (by_hand(blocks[-_BY_HAND:]) if blocks.size else None)

    # ------------------------------------------------------------ looking, taking, learning

    @property
    def _blocks(self) -> npt.NDArray[np.void]:
        return self._kept.blocks[: self._judge["blocks"]]

    def _look(self) -> bool:
        """Look at the fit; whether a reading is taken by it."""
        judge, settings = self._judge, self._settings
        good = look(self._kept.sums, self._fit, self._blocks, int(judge["begun_us"]))
        half_rel = half_width_rel(self._fit)
        far = half_rel / settings.wanted
        # far from the goal the next look may wait longer
        judge["next_look"] = judge["ticks"] + (2 if far < 2 else 3 if far < 6 else 5)
        if judge["short_s"] > 0 or not (good or judge["waited_s"] >= settings.longest_wait_s):
            return False
        self._take(half_rel)
        return True

    def _take(self, half_rel: float) -> None:
        settings, its = self._settings, self._fit.its
        reached = half_rel <= settings.wanted
        reason = (
            "settled"
            if reached
            else f"too unsteady for {100 * settings.wanted:.2g} % in {settings.longest_wait_s:.0f} s: "
            f"taken with {100 * half_rel:.2g} %"
        )
        window = self._blocks[its["first_block"] :]
        self._capture = capture = reading(window, its, float(self._kept.sums.its["scale"]), reached, reason)
        self._judge["captured"], self._judge["stands"] = True, SAID
        drift = capture.drift_m2_per_s / capture.area_m2 * 60 if capture.area_m2 else None
        self._standing = Standing("settled", (), 0.0, half_rel, drift, reason)
        self._learn()

    def _learn(self) -> None:
        if not (self._judge["flow_frozen"] or self._judge["pressure_frozen"]):
            learn(self._kept.sums, self._fit, self._blocks)

    def _end_stay(self) -> None:
        """Learn from the stay, unless its reading did so already, and begin its sums anew."""
        if not self._judge["captured"]:
            self._learn()
        clear(self._kept.sums)
        begin(self._fit)
        self._judge["is_new"] = True


def _new_kept(settings: Settling) -> Kept:
    judge = new(JUDGE)
    for name in ("flow_us", "pressure_us", "origin_us", "begun_us", "froze_us"):
        judge[name] = NEVER_US
    judge["is_new"] = True
    return Kept(
        judge,
        lift_witness(settings.lift_tolerance_m),
        pressure_witness(settings.test_pressure_band),
        new_unchanging(),
        pace.new_pace(),
        pace.new_pace(),
        new_swings(),
        new_meter(),
        new(BLOCK),
        np.zeros(_ROOM),
        np.zeros(_ROOM, np.int64),
        np.zeros(_ROOM),
        np.zeros(_ROOM),
        np.zeros(_MOST_BLOCKS, BLOCK),
        SumsKept.none(),
    )
