"""``python -m sim``: the simulated bench at the end of real ports."""

import argparse
import os

from sim.bench import SimBench
from sim.meters import METER_KINDS
from sim.process import Process
from sim.scenario import SCENARIOS


def main() -> None:
    """Read the options and run until told to stop."""
    parser = argparse.ArgumentParser(prog="python -m sim", description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="which head and bench (default 1)")
    parser.add_argument("--speed", type=float, default=1.0, help="times real time (default 1)")
    parser.add_argument("--endpoints", choices=("pty", "tcp"), default="pty" if os.name == "posix" else "tcp")
    parser.add_argument("--scenario", choices=tuple(SCENARIOS), default="shop")
    parser.add_argument("--meter", choices=METER_KINDS, default="plate", help="kind of the large range (default plate)")
    options = parser.parse_args()
    if not 0.0 < options.speed <= 100.0:
        parser.error(f"--speed {options.speed:g} must be above 0 and at most 100")
    if options.endpoints == "pty" and os.name != "posix":
        parser.error("pseudo-terminals exist on Linux and macOS only: use --endpoints tcp")
    Process(SimBench(options.seed, SCENARIOS[options.scenario], options.meter), options.endpoints, options.speed).run()


if __name__ == "__main__":
    main()
