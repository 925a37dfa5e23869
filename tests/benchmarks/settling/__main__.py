"""``python -m tests.benchmarks.settling [--cells] [--stays N] [--scenery NAME] [--methods] [--told] [--seed S]``."""

import argparse
import math

from tests.benchmarks.settling.cost import cost
from tests.benchmarks.settling.detectors import PUBLISHED, Told, fresh, ours
from tests.benchmarks.settling.score import SCENERIES, Maker, Tally, score
from tests.benchmarks.settling.stay import Cell

_COLUMNS = (
    "false",
    "false, no creep",
    "of",
    "false, slow",
    "of slow",
    "plateau",
    "miss",
    "median",
    "90 %",
    "long oracle",
    "cover",
    "cover creep",
    "us",
    "core %",
)
WANTED = (0.003, 0.006, 0.012)
CORRELATIONS_S = (0.02, 0.08, 0.3)
RATES_HZ = (10.0, 50.0, 1000.0)


def say(name: str, tally: Tally) -> None:
    """One line of the table."""
    figures = tally.figures()
    shown = (f"{figures[c]:.3g}" if math.isfinite(figures[c]) else "-" for c in _COLUMNS)
    print(f"| {name} | {figures['stays']:.0f} | " + " | ".join(shown) + " |", flush=True)


def cells(make: Maker, stays: int, seed: int, scenery: str) -> Tally:
    """Every tolerance with every correlation time and rate, and all of them together."""
    every = [Cell(w, theta, rate) for w in WANTED for theta in CORRELATIONS_S for rate in RATES_HZ]
    total = Tally()
    for number, cell in enumerate(every):
        share = (number + 1) * stays // len(every) - number * stays // len(every)
        tally = score(make, cell, share, seed * 1000 + number, scenery)
        say(f"{100 * cell.tolerance:.2g} %, {cell.theta_s:g} s, {cell.rate_hz:g}/s", tally)
        total.add(tally)
    say("all", total)
    return total


def main() -> None:
    """Print the table: the stabiliser, its cells, and on request what it is compared with."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.settling")
    parser.add_argument("--stays", type=int, help="of each detector; 900, with --cells 5000 in all")
    parser.add_argument("--quick", action="store_true", help="90 stays, to see that it runs")
    parser.add_argument("--cells", action="store_true", help="each tolerance, correlation time and rate by itself")
    parser.add_argument("--methods", action="store_true", help="the published methods on the same stays")
    parser.add_argument("--told", action="store_true", help="beside a fresh bench and one whose response is told")
    parser.add_argument("--scenery", choices=sorted(SCENERIES), default="usual", help="which invented stays")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cost", action="store_true", help="what the judgement costs, beside a floor")
    asked = parser.parse_args()
    if asked.cost:
        print("| samples/s | push, us | in bulk, us | floor, us | whole pulls, us a sample | % of a core |")
        print("|---|---|---|---|---|---|")
        for rate_hz in RATES_HZ:
            its = cost(rate_hz)
            figures = (its.push_us, its.bulk_us, its.floor_us, its.all_us, its.core_percent)
            print(f"| {rate_hz:g} | " + " | ".join(f"{figure:.3g}" for figure in figures) + " |", flush=True)
        return
    stays = 90 if asked.quick else asked.stays or (5000 if asked.cells else 900)
    print("| detector | stays | " + " | ".join(_COLUMNS) + " |")
    print("|" + "---|" * (len(_COLUMNS) + 2))
    if asked.cells:
        cells(ours, stays, asked.seed, asked.scenery)
        return
    mine = score(ours, Cell(), stays, asked.seed, asked.scenery)
    say("the stabiliser", mine)
    if asked.told:
        say("the same, bench not measured beforehand", score(fresh, Cell(), stays, asked.seed, asked.scenery))
        if asked.scenery == "usual":
            told = score(Told, Cell(), stays, asked.seed)
            say("the same, told the response", told)
            print(f"\nTime beside the one that is told, in the median: {_beside(mine, told):.2f}")
    if asked.methods:
        for name, method in PUBLISHED.items():
            say(name, score(method, Cell(), stays, asked.seed, asked.scenery))


def _beside(mine: Tally, told: Tally) -> float:
    """Median of the time from true settling, stay by stay where both took a reading after it."""
    pairs = zip(mine.outcomes, told.outcomes, strict=True)
    shares = sorted(
        (a.captured_s - a.settled_s) / (b.captured_s - b.settled_s)
        for a, b in pairs
        if a.captured and b.captured and b.captured_s > b.settled_s
    )
    return shares[len(shares) // 2]


if __name__ == "__main__":
    main()
