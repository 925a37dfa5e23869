"""An hour with an operator who fumbles, beside a perfect one on the same benches.

``python -m tests.benchmarks.fumbling [--minutes 60] [--first 1]``

One bench a seed, leakage measured first; an intake and an exhaust pull of eight
lifts, until the fumbling operator's hour is full; then the perfect operator
does the same. Time lost is the difference; the tool's own part of it is what
it waits longer between the hands' last touch and the taking.
"""

import argparse
import random
import statistics
import sys
import time

from acquire.demo.plan import demo_requests
from tests.whole.fumbling import Told, fumbling_bench, perfect_bench, pull
from tests.whole.virtual import VirtualBench


def both(bench: VirtualBench, keys: random.Random | None) -> Told:
    """An intake and an exhaust pull."""
    found, law = Told(), None
    for request in demo_requests(bench.config):
        if request.kind == "leakage":
            law = bench.leakage(request)
        else:
            found.add(pull(bench, request, law, keys))
    return found


def line(name: str, its: Told) -> str:
    """One row of the table."""
    waits = [point.wait_s for point in its.accepted]
    bias = statistics.fmean(point.error_rel for point in its.accepted)
    wrong = f"{sum(bool(point.wrong) for point in its.accepted)}, {sum(point.as_it_began for point in its.accepted)}"
    return (
        f"| {name} | {its.seconds / 60:.1f} | {len(its.accepted)} | {wrong} | {its.inside:.1%} | {its.spread:.2f} "
        f"| {bias:+.3%} | {statistics.median(waits):.1f} |"
    )


def main() -> None:
    """Play the hour twice."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--first", type=int, default=1)
    asked = parser.parse_args()
    began = time.perf_counter()
    fumbled, perfect, seed = Told(), Told(), asked.first
    while fumbled.seconds < 60 * asked.minutes:
        fumbled.add(both(fumbling_bench(seed), random.Random(seed)))
        perfect.add(both(perfect_bench(seed), None))
        seed += 1
        print(f"{fumbled.seconds / 60:.0f} of {asked.minutes:.0f} min", file=sys.stderr)
    print(f"{seed - asked.first} benches in {time.perf_counter() - began:.0f} s")
    report(fumbled, perfect)


def report(fumbled: Told, perfect: Told) -> None:
    """Both operators, and where the time went."""
    print("| operator | min | points | wrong place, as a move began | truth inside | spread | bias | wait s, median |")
    print("|---|---|---|---|---|---|---|---|")
    print(line("fumbles", fumbled))
    print(line("perfect", perfect))
    lost_s = fumbled.seconds - perfect.seconds
    own_s = fumbled.wait_s - perfect.wait_s
    print(
        f"\nPressed early {fumbled.early} times, refused {fumbled.refused} times, skipped {fumbled.skipped} steps.\n"
        f"Time lost: {lost_s / 60:.1f} min ({lost_s / perfect.seconds:.0%} of the perfect operator's), "
        f"of it the tool's own: {own_s / 60:.1f} min ({own_s / lost_s if lost_s else 0.0:.0%})."
    )
    for point in (*fumbled.accepted, *perfect.accepted):
        if point.wrong:
            print(f"step {point.step + 1}: {point.wrong}, error {point.error_rel:+.2%}, ratio {point.ratio:+.2f}")


if __name__ == "__main__":
    main()
