"""Whole pulls in virtual time on a bench with spoilt wires; what each port's watch says is kept."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

from acquire.config import BenchConfig
from acquire.pull.core import PullCore
from acquire.pull.outputs import Marked, Output
from acquire.records import Action, PullRequest, Refused
from acquire.units import INCH_M
from acquire.values import Point
from drivers.sample import Press, Sample
from drivers.watch import Watch
from sim.faults import Fault
from sim.scenario import CALM
from sim.wire import WiredBench, WireFault
from tests.whole.test_pulls import request
from tests.whole.virtual import Run, VirtualBench

SEED = 5
# transducers without error: what a fault does is then not lost in what they may be off by
QUIET = replace(CALM, name="quiet", instrument_errors=0.0)
LIFT = 0.3 * INCH_M
# two readings of the same flow, each to 0.3 %
ALIKE_REL = 0.0045
Placing = Callable[[WiredBench], object]


class FaultyBench(VirtualBench):
    """Faults begin when the wanted reading is under way."""

    def __init__(self, config: BenchConfig | None = None, seed: int = SEED) -> None:
        self.wired = WiredBench(seed, QUIET)
        self.slept_us = 0
        super().__init__(seed, config, bench=self.wired)
        self.counts = {name: parser.counts for name, parser in self._parsers.items()}
        self._watches = {name: Watch(its, self._parsers[name].counts) for name, its in self._instruments.items()}
        for watch in self._watches.values():
            watch.opened(0)
        self.said: list[str] = []

    @property
    def t_us(self) -> int:
        return super().t_us + self.slept_us

    def tick(self) -> tuple[list[Sample], list[Press]]:
        samples, presses = super().tick()
        for name, watch in self._watches.items():
            mine = {s.channel for s in samples if s.channel in self._instruments[name].settings.channels}
            notices = watch.heard(self.t_us, mine) if mine else []
            self.said += [notice.sentence for notice in [*notices, *watch.tick(self.t_us)]]
        return samples, presses

    def run(
        self,
        place: Placing | None,
        when: Callable[[PullCore], bool],
        lifts: tuple[float, ...] = (LIFT,),
        each: Callable[[PullCore, list[Output]], None] = lambda core, outputs: None,
        **changes: Any,
    ) -> Run:
        """A pull; ``place`` is done once, when ``when`` holds. Marks and what the guide says are added to ``said``."""
        waiting = [place]

        def look(core: PullCore, outputs: list[Output]) -> None:
            if waiting and when(core):
                begin = waiting.pop()
                if begin is not None:
                    begin(self.wired)
            each(core, outputs)

        its: PullRequest = request(lifts, **changes)
        run = self.pull(its, each=look, limit_s=200.0)
        self.said += run.sentences + [o.mark.sentence for o in run.outputs if isinstance(o, Marked)]
        return run


def settling(core: PullCore) -> bool:
    """A reading is under way."""
    return core.phase == "steps" and core.standing().state == "settling"


def wire(device: str, kind: str, **its: Any) -> Placing:
    """A fault of the wire, now."""
    return lambda bench: bench.spoil(device, WireFault(kind, at_s=bench.t_s, **its))  # type: ignore[arg-type]


def own(device: str, kind: str, **its: Any) -> Placing:
    """A fault of the instrument, now."""
    return lambda bench: bench.add_fault(Fault(device, kind, at_s=bench.t_s, **its))  # type: ignore[arg-type]


def zeroes_it_closed(bench: FaultyBench) -> Callable[[PullCore, list[Output]], None]:
    """What an operator does who reads that the zero is lost."""

    def each(core: PullCore, outputs: list[Output]) -> None:
        if not core.zero_lost or bench.wired.operator.lift_m > 5e-5:
            return
        bench.wired.wires["lift_indicator"].mend()
        try:
            outputs += core.act(bench.t_us, Action(kind="go_on"))
        except Refused as refused:
            bench.said.append(str(refused))

    return each


@cache
def clean(lift_m: float = LIFT) -> Point:
    """The same reading without a fault."""
    return FaultyBench().run(None, settling, (lift_m,)).points[0]


def assert_right(bench: FaultyBench, point: Point) -> None:
    """The truth is inside, and the reading is the one that it is without the fault."""
    assert point.step_lift_m is not None
    truth = bench.truth_m3_s("intake", point.step_lift_m)
    assert abs(point.flow.flow_m3_s - truth) <= point.flow.half_width_95_m3_s
    usual = clean(point.step_lift_m).flow.flow_m3_s
    assert abs(point.flow.flow_m3_s / usual - 1) <= ALIKE_REL
