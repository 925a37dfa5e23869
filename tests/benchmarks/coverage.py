"""How often the stated 95 % interval holds the simulated truth, over many benches.

``python -m tests.benchmarks.coverage [--seeds 100] [--first 1]``

One bench a seed: its meter, transducers, weather, leakage and ports are drawn
anew; an intake and an exhaust pull of five lifts each, leakage measured first.
The meter's calibration error is shared by all points of a bench, so the error
of the shares below is about that of as many independent cases as benches.
"""

import argparse
import math
import statistics
import time
from dataclasses import dataclass

from acquire.demo.plan import demo_requests
from acquire.units import INCH_M
from tests.whole.virtual import VirtualBench

LIFTS = tuple(lift * INCH_M for lift in (0.1, 0.2, 0.35, 0.5, 0.7))


@dataclass(frozen=True, slots=True)
class Case:
    """One point beside the truth."""

    seed: int
    step: int
    ratio: float
    error_rel: float
    half_width_rel: float
    during_a_move: bool


def cases(seed: int) -> list[Case]:
    """Both pulls of one bench."""
    bench, law, found = VirtualBench(seed), None, []
    for request in demo_requests(bench.config):
        if request.kind == "leakage":
            law = bench.leakage(request)
            continue
        run = bench.pull(request.model_copy(update={"lifts_m": LIFTS}), law)
        for point, state in zip(run.points, run.truth_at_taking, strict=True):
            truth = bench.truth_m3_s(request.direction, LIFTS[point.step])
            off, half = point.flow.flow_m3_s - truth, point.flow.half_width_95_m3_s
            moving = state["lift_doing"] != "holding" or state["pressure_doing"] != "holding"
            found.append(Case(seed, point.step, off / half, off / truth, half / truth, moving))
    return found


def line(name: str, found: list[Case]) -> str:
    """One row of the table."""
    inside = sum(abs(case.ratio) <= 1 for case in found) / len(found)
    spread = 1.96 * math.sqrt(statistics.fmean(case.ratio**2 for case in found))
    bias = statistics.fmean(case.error_rel for case in found)
    half = statistics.median(case.half_width_rel for case in found)
    moving = sum(case.during_a_move for case in found)
    return f"| {name} | {len(found)} | {inside:.1%} | {spread:.2f} | {bias:+.3%} | {half:.2%} | {moving} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=1)
    wanted = parser.parse_args()
    start = time.perf_counter()
    found = [case for seed in range(wanted.first, wanted.first + wanted.seeds) for case in cases(seed)]
    print("| lift | points | truth inside | spread (1 = as stated) | bias | median half-width | taken in a move |")
    print("|---|---|---|---|---|---|---|")
    for step, lift in enumerate(LIFTS):
        print(line(f"{lift / INCH_M:.2f} in", [case for case in found if case.step == step]))
    print(line("all", found))
    print(f"\n{wanted.seeds} benches in {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
