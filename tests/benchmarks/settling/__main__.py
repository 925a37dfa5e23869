"""``python -m tests.benchmarks.settling [--stays N] [--quick] [--cells] [--methods] [--seed S]``."""

import argparse
import math

from acquire.config import Settling
from acquire.stabiliser import Stabiliser
from tests.benchmarks.settling.methods import METHODS
from tests.benchmarks.settling.scene import Cell
from tests.benchmarks.settling.score import Detector, Maker, score

_COLUMNS = (
    "false",
    "false, no creep",
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


def ours(wanted: float) -> Detector:
    """The stabiliser as the engine makes it."""
    return Stabiliser(Settling(wanted=wanted))


def say(name: str, make: Maker, cell: Cell, stays: int, seed: int) -> None:
    """One line of the table."""
    figures = score(make, cell, stays, seed).figures()
    shown = (f"{figures[c]:.3g}" if math.isfinite(figures[c]) else "-" for c in _COLUMNS)
    print(f"| {name} | {figures['stays']:.0f} | " + " | ".join(shown) + " |", flush=True)


def main() -> None:
    """Print the table: the stabiliser, and on request its cells and the published methods."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.settling")
    parser.add_argument("--stays", type=int, default=900)
    parser.add_argument("--quick", action="store_true", help="90 stays, to see that it runs")
    parser.add_argument("--cells", action="store_true", help="each tolerance, correlation time and rate by itself")
    parser.add_argument("--methods", action="store_true", help="the published methods on the same stays")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    stays = 90 if asked.quick else asked.stays
    print("| detector | stays | " + " | ".join(_COLUMNS) + " |")
    print("|" + "---|" * (len(_COLUMNS) + 2))
    say("the stabiliser", ours, Cell(), stays, asked.seed)
    if asked.cells:
        for wanted in (0.003, 0.006, 0.012):
            for theta in (0.02, 0.3):
                for rate in (10.0, 50.0, 1000.0):
                    cell = Cell(wanted=wanted, theta_s=theta, rate_hz=rate)
                    name = f"{100 * cell.tolerance:.2g} %, {theta:g} s, {rate:g}/s"
                    say(name, ours, cell, max(stays // 10, 27), asked.seed)
    if asked.methods:
        for name, method in METHODS.items():
            say(name, method, Cell(), stays, asked.seed)


if __name__ == "__main__":
    main()
