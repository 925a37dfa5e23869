"""Pulls with an operator who fumbles, beside the same pulls with a perfect one.

He overshoots, pauses half-way, opens to the wrong lift, lets the pressure sag,
bumps the indicator, has his hands on the screw in a stay, trims late and walks
away (the simulation's habits and mishaps); here he also presses the button too
early and takes the point again, skips a step and comes back to it.
"""

import math
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import Action, LeakageLaw, PullRequest, Refused
from acquire.units import INCH_M
from acquire.values import Point
from sim.bench import SimBench
from sim.scenario import FUMBLING, STEADY_HANDS, Mishaps, Scenario
from tests.whole.virtual import VirtualBench

PERFECT = replace(FUMBLING, name="perfect", habits=STEADY_HANDS, mishaps=Mishaps())
MOVING = ("moving", "paused", "wrong lift", "touching", "changing")
LIFT_OFF_M = 0.0025 * INCH_M
"""The lift tolerance and what the indicator may be wrong by."""
_PRESSURE_OFF_REL = 0.03
"""The band of 2 %, and what can be lost of it before a tenth of a second is full."""
_TAIL_US = 300_000
"""The last of a move is slow and within the tolerance."""
_HISTORY = 4000


@dataclass(frozen=True, slots=True)
class Accepted:
    """A point that was accepted as settled, beside the truth.

    ``wrong``: why it should not have been taken; ``as_it_began``: the hands had
    just begun to move, which showed nowhere yet: what was read is right.
    """

    step: int
    ratio: float
    error_rel: float
    wait_s: float
    wrong: str = ""
    as_it_began: bool = False


@dataclass(slots=True)
class Told:
    """What came of some pulls. ``wait_s``: from the hands' last touch to the taking, added up."""

    accepted: list[Accepted] = field(default_factory=list)
    seconds: float = 0.0
    wait_s: float = 0.0
    early: int = 0
    refused: int = 0
    skipped: int = 0

    def add(self, other: "Told") -> None:
        """Take in other pulls."""
        self.accepted += other.accepted
        self.seconds += other.seconds
        self.wait_s += other.wait_s
        self.early += other.early
        self.refused += other.refused
        self.skipped += other.skipped

    @property
    def inside(self) -> float:
        """Share of points whose interval holds the truth."""
        return sum(abs(its.ratio) <= 1 for its in self.accepted) / len(self.accepted)

    @property
    def spread(self) -> float:
        """Root mean square of error over half-width, 1 where the intervals are as wide as they say."""
        return 1.96 * math.sqrt(sum(its.ratio**2 for its in self.accepted) / len(self.accepted))


class _Watch:
    """Fumbles with the keys, and looks at hands and valve at every tick of a pull."""

    def __init__(self, bench: VirtualBench, request: PullRequest, rng: random.Random | None) -> None:
        self.told = Told()
        self._bench = bench
        self._request = request
        # without one nobody touches a key
        self._rng = rng
        self._lifts: deque[tuple[int, float]] = deque(maxlen=_HISTORY)
        self._touched_s = 0.0
        self._step: int | None = None
        self._early_s = self._skip_s = math.inf
        self._back: int | None = None

    def __call__(self, core: PullCore, outputs: Sequence[Output]) -> None:
        """After one tick's samples."""
        operator, now_s = self._bench.bench.operator, self._bench.bench.t_s
        self._lifts.append((self._bench.t_us, operator.lift_m))
        for output in outputs:
            if isinstance(output, Taken):
                self._taken(output.point)
        if operator.lift_doing != "holding" or operator.pressure_doing != "holding" or operator.bump_m:
            self._touched_s = now_s
        if self._rng is not None and core.phase == "steps":
            self._fumble(core, self._rng, now_s)

    # ------------------------------------------------------------ keys

    def _fumble(self, core: PullCore, rng: random.Random, now_s: float) -> None:
        step = core.view().now
        if step != self._step:
            self._step = step
            self._early_s = now_s + rng.uniform(2.0, 8.0) if rng.random() < 0.2 else math.inf
            self._skip_s = now_s + rng.uniform(0.5, 5.0) if rng.random() < 0.1 else math.inf
            if self._back is not None and step != self._back:
                # he sees what he did a moment later
                self._skip_s, self._early_s = math.inf, now_s + rng.uniform(1.0, 3.0)
        if now_s >= self._early_s and self._back is not None:
            self._act(core, Action(kind="retake", step=self._back))
            self._back, self._early_s = None, math.inf
        elif now_s >= self._early_s:
            self._early_s = math.inf
            if self._act(core, Action(kind="take")):
                self.told.early += 1
                self._back = step
        elif now_s >= self._skip_s and step is not None and step + 1 < len(self._request.lifts_m):
            self._skip_s = math.inf
            self.told.skipped += 1
            self._act(core, Action(kind="skip"))
            self._back = step

    def _act(self, core: PullCore, action: Action) -> bool:
        try:
            outputs = core.act(self._bench.t_us, action)
        except Refused:
            self.told.refused += 1
            return False
        for output in outputs:
            if isinstance(output, Taken):
                self._taken(output.point)
        return True

    # ------------------------------------------------------------ truth

    def _taken(self, point: Point) -> None:
        wait_s = max(self._bench.bench.t_s - self._touched_s, 0.0)
        self.told.wait_s += wait_s
        if not point.settled:
            return
        truth = self._bench.truth_m3_s(self._request.direction, self._request.lifts_m[point.step])
        off = point.flow.flow_m3_s - truth
        ratio = off / point.flow.half_width_95_m3_s
        operator = self._bench.bench.operator
        moves = operator.lift_doing in MOVING or operator.pressure_doing in MOVING
        wrong = self._wrong(point)
        self.told.accepted.append(Accepted(point.step, ratio, off / truth, wait_s, wrong, moves and not wrong))

    def _wrong(self, point: Point) -> str:
        """By the true lift over the window and now, and the true pressure now."""
        asked_m, asked_pa = self._request.lifts_m[point.step], self._request.steps()[point.step].test_pressure_pa
        start_us = point.capture.t_start_us + _TAIL_US
        off_m = max(abs(lift_m - asked_m) for t_us, lift_m in self._lifts if t_us >= start_us)
        off_rel = abs(self._bench.bench.plant.test_pressure_pa / asked_pa - 1)
        if off_m > LIFT_OFF_M:
            return f"lift off by {off_m / INCH_M:.4f} in"
        return f"test pressure off by {off_rel:.1%}" if off_rel > _PRESSURE_OFF_REL else ""


def pull(bench: VirtualBench, request: PullRequest, law: LeakageLaw | None, keys: random.Random | None) -> Told:
    """One pull; ``keys`` draws the fumbles on the keys, None for none."""
    watch = _Watch(bench, request, keys)
    run = bench.pull(request, law, each=watch)
    watch.told.seconds = run.seconds
    return watch.told


def fumbling_bench(seed: int, scenario: Scenario = FUMBLING) -> VirtualBench:
    """A bench with an operator who fumbles."""
    return VirtualBench(seed, bench=SimBench(seed, scenario))


def perfect_bench(seed: int) -> VirtualBench:
    """The same bench and head with one who does not."""
    return VirtualBench(seed, bench=SimBench(seed, PERFECT))
