"""Whole pulls with an encoder on the lift: rolling over on the way, and losing its count in the middle."""

import contextlib

import pytest

from acquire.config import BenchConfig
from acquire.demo.plan import demo_requests
from acquire.pull.core import PullCore
from acquire.pull.outputs import Marked, Output, PullState, Taken
from acquire.records import Action, PullRequest, Refused
from acquire.units import INCH_M
from acquire.values import Mark, Zeros
from drivers.sample import Press, Sample
from tests.faults.table import told
from tests.whole.virtual import VirtualBench, demo_config

COUNTS = 5000
LIFTS = (0.1 * INCH_M, 0.2 * INCH_M)
AS_COUNT = """field = "lift"
unit = "in"
signal = "count"
counts_per_unit = 5000
rolls_over_at = 65536
preset = {preset}"""
SILENT = (
    "The lift counter was silent for 3 s, came back at 0.1500 in (3.810 mm) after 0.1000 in (2.540 mm) and may have "
    "lost its count at step 1."
)
FELL = "The lift counter fell from 0.1000 in (2.540 mm) to its start at once at step 1."


class CountingBench(VirtualBench):
    """The simulated bench with a counter of 16 bits in place of its indicator: it begins at ``preset``."""

    def __init__(self, seed: int, preset: int) -> None:
        super().__init__(seed)  # the parsers of the simulated indicator's own lines
        self.config: BenchConfig = demo_config(
            **{
                'field = "lift"\nunit = "in"': AS_COUNT.format(preset=preset),
                "accuracy = 0.0005\nresolution = 0.0005": "accuracy = 0.0005",
            }
        )
        self.preset = preset
        self.lift_in = self.zero_in = 0.0
        self.shown: list[int] = []

    def reset(self) -> None:
        """Switched off and on again, or its zero key: it counts from its preset, wherever the valve stands."""
        self.zero_in = self.lift_in

    def tick(self) -> tuple[list[Sample], list[Press]]:
        samples, presses = super().tick()
        return [self._counted(its) if its.channel == "lift" else its for its in samples], presses

    def _counted(self, its: Sample) -> Sample:
        self.lift_in = its.value
        self.shown.append((self.preset + round((its.value - self.zero_in) * COUNTS)) % 65536)
        counted = its._replace(value=float(self.shown[-1]))
        self._latest["lift"] = counted
        return counted


def request(its: BenchConfig) -> PullRequest:
    return demo_requests(its)[1].model_copy(update={"lifts_m": LIFTS})


def test_a_counter_that_rolls_over_on_the_way_costs_the_pull_nothing() -> None:
    bench = CountingBench(3, preset=64800)  # 65536 comes at 0.147 in
    run = bench.pull(request(bench.config))
    assert max(bench.shown) > 65000
    assert min(bench.shown) < 1000
    assert [p.step_lift_m for p in run.points] == list(LIFTS)
    assert [p.settled for p in run.points] == [True] * 2
    for point, truth in zip(run.points, run.truth_at_taking, strict=True):
        # the valve's true lift beside what the counter said, its zero subtracted
        assert point.lift_m == pytest.approx(truth["lift_m"], abs=0.002 * INCH_M)


def test_a_counter_that_is_reset_in_the_middle_stops_the_pull_until_it_is_zeroed_at_the_closed_valve() -> None:
    bench = CountingBench(4, preset=0)
    lost: list[int] = []
    taken_while_lost: list[Output] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        if not lost and len(core.points) == 1 and abs(bench.lift_in - 0.2) < 0.002:
            bench.reset()
            lost.append(bench.t_us)
        if core.zero_lost:
            taken_while_lost.extend(output for output in outputs if isinstance(output, Taken))
            if abs(bench.lift_in) < 0.003 and bench.zero_in > 0.1:  # closed, as the simulated indicator shows it
                bench.reset()
            elif bench.zero_in < 0.1 and bench.shown[-1] == 0:
                with contextlib.suppress(Refused):  # the flow still runs down: the operator tries again
                    core.act(bench.t_us, Action(kind="go_on"))

    run = bench.pull(request(bench.config), each=each)
    assert lost
    assert taken_while_lost == []
    assert [p.step_lift_m for p in run.points] == list(LIFTS)
    # the last point is at its lift, and not as much farther as the count had lost
    assert run.truth_at_taking[-1]["lift_m"] == pytest.approx(LIFTS[-1], abs=0.002 * INCH_M)
    marks = [output.mark for output in run.outputs if hasattr(output, "mark")]
    assert [mark.kind for mark in marks][:1] == ["lift zero lost"]
    assert isinstance(marks[0], Mark)
    told("counter reset", [mark.sentence for mark in marks])


@pytest.mark.parametrize(
    ("counts", "after_s", "said"),
    [
        ((500, 500), 3.0, ""),  # it kept its count
        ((750, 760), 3.0, SILENT),
        ((30, 40), 0.1, FELL),  # reset while the valve moves on
        ((30, 500), 0.1, ""),  # a spoilt digit
        ((30, 20), 1.0, ""),  # closed by hand
        ((1200, 1210), 0.1, ""),  # away from its start: no reset
    ],
)
def test_a_count_that_a_valve_cannot_have_reached_is_not_believed(
    counts: tuple[int, int], after_s: float, said: str
) -> None:
    bench = CountingBench(4, preset=0)
    for _ in range(100):
        bench.tick()
    core = PullCore(bench.config, request(bench.config))
    core.samples([bench._latest[name] for name in ("test_pressure", "meter_pressure")])
    t_us, outputs = bench.t_us, core.act(bench.t_us, Action(kind="skip"))
    for count, later_s in ((495, 0.1), (500, 0.1), (counts[0], after_s), (counts[1], 0.1)):
        t_us += round(later_s * 1e6)
        outputs += core.samples([Sample("lift", t_us, float(count), "sim://lift_indicator")])
    assert (core.zero_lost, core.paused) == (bool(said), bool(said))
    marks = [output.mark.sentence for output in outputs if isinstance(output, Marked)]
    assert marks[1:] == ([said] if said else [])


@pytest.mark.parametrize("counting", [True, False])
def test_a_pull_that_goes_on_in_another_session_wants_the_count_zeroed_first(counting: bool) -> None:
    config = CountingBench(4, preset=0).config if counting else demo_config()
    begun = PullState(phase="steps", now=1, zeros_before=Zeros(1, 0.0, 0.0, 0.0))
    core = PullCore(config, request(config), None, begun)
    assert (core.zero_lost, core.paused) == (counting, counting)
    core.act(2, Action(kind="go_on", by="archive"))
    assert core.paused == counting
    assert not PullCore(config, request(config)).zero_lost
