"""How often a sound pull is doubted, and how often a 5 % error is found: ``python -m tests.benchmarks.out_of_line``.

Curves of drawn heads with the simulated bench's formula, wider than its own
heads, with a stall at the end in a third of them; read with the scatter that
the simulated bench's budget states. Every pull is judged after each of its
points, as at the bench; a doubt at any moment counts.
"""

import argparse
import math
import random
from collections.abc import Sequence
from dataclasses import replace

from acquire.beside.out_of_line import Seen, doubt
from acquire.units import INCH_M
from sim.build import Port

SCHEDULES = {
    "0.1 to 0.8 in by 0.1": [0.1 * i for i in range(1, 9)],
    "0.05 to 0.6 in by 0.05": [0.05 * i for i in range(1, 13)],
    "0.1 to 0.5 in by 0.1": [0.1 * i for i in range(1, 6)],
}
SCATTER_REL = 0.002
SIBLINGS_REL = 0.015
UNEVEN_REL = 0.004


def draw_port(draw: random.Random) -> Port:
    diameter_m = draw.uniform(1.1, 2.3) * INCH_M
    plateau_m2 = draw.uniform(0.48, 0.72) * math.pi / 4 * diameter_m**2
    return Port(
        diameter_m, draw.uniform(0.55, 0.75), plateau_m2, draw.uniform(1.6, 3.2), low_lift=draw.uniform(-0.05, 0.05)
    )


def like(port: Port, draw: random.Random) -> Port:
    """A head of the same model."""
    return replace(
        port,
        curtain_coefficient=port.curtain_coefficient * (1 + draw.gauss(0, SIBLINGS_REL)),
        plateau_m2=port.plateau_m2 * (1 + draw.gauss(0, SIBLINGS_REL)),
        knee=port.knee * (1 + draw.gauss(0, SIBLINGS_REL)),
        low_lift=port.low_lift + draw.gauss(0, 0.01),
        mounted=1 + draw.gauss(0, 0.003),
    )


def other_way(port: Port, draw: random.Random) -> Port:
    narrower = draw.uniform(0.75, 0.88)
    return replace(
        port,
        valve_diameter_m=port.valve_diameter_m * narrower,
        curtain_coefficient=port.curtain_coefficient * draw.uniform(0.85, 1.1),
        plateau_m2=port.plateau_m2 * draw.uniform(0.6, 0.8),
        knee=port.knee * draw.uniform(0.85, 1.15),
    )


def stall_of(draw: random.Random, lifts_in: Sequence[float]) -> tuple[float, float]:
    """Where the port begins to pass less again, and by how much at the end; a third of the heads do."""
    return (lifts_in[-3] * INCH_M, draw.uniform(0.0, 0.03)) if draw.random() < 1 / 3 else (1.0, 0.0)


def read(
    port: Port, lifts_in: Sequence[float], draw: random.Random, stall: tuple[float, float], wrong: int | None = None,
    by: float = 0.0,
) -> list[Seen]:  # fmt: skip
    points = []
    for step, lift_in in enumerate(lifts_in):
        lift_m = lift_in * INCH_M
        past = max(0.0, lift_m - stall[0]) / max(1e-9, lifts_in[-1] * INCH_M - stall[0])
        area = port.area_m2(lift_m) * (1 - stall[1] * past) * (1 + draw.gauss(0, SCATTER_REL))
        # the lift is set by hand, within a few ten thousandths of an inch of what its indicator says
        area *= 1 + draw.gauss(0, 0.0002 * INCH_M) / lift_m
        # and no real port is as smooth as a formula
        area *= 1 + draw.gauss(0, UNEVEN_REL)
        points.append(Seen(step, lift_m, area * (1 + by * (step == wrong)), SCATTER_REL))
    return points


def told(points: Sequence[Seen], other: Sequence[Seen], way: bool) -> list[set[int]]:
    """The step in doubt after each point."""
    said = [doubt(points[:n], other, way) for n in range(1, len(points) + 1)]
    return [set() if its is None else {its.step} for its in said]


def study(name: str, beside: str, pulls: int, seed: int) -> str:
    draw, lifts_in = random.Random(seed), SCHEDULES[name]
    false, found, at_once, wrongly = 0, 0, 0, 0
    for _ in range(pulls):
        port, stall = draw_port(draw), stall_of(draw, lifts_in)
        older = {"nothing": None, "a sibling": like(port, draw), "the other direction": other_way(port, draw)}[beside]
        other = read(older, lifts_in, draw, stall if beside == "a sibling" else (1.0, 0.0)) if older else []
        way = beside == "the other direction"
        false += any(told(read(port, lifts_in, draw, stall), other, way))
        wrong = draw.randrange(len(lifts_in))
        said = told(read(port, lifts_in, draw, stall, wrong, draw.choice((-0.05, 0.05))), other, way)
        found += any(wrong in its for its in said)
        at_once += any(wrong in its for its in said[: wrong + 2])
        wrongly += not any(wrong in its for its in said) and any(said)
    share = 100 / pulls
    return (
        f"| {name} | {beside} | {false * share:.1f} % | {found * share:.0f} % | {at_once * share:.0f} % | "
        f"{wrongly * share:.0f} % |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pulls", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    its = parser.parse_args()
    print(
        "| schedule | beside | sound pulls doubted | 5 % found | of it at once or with the next | wrong point named |"
    )
    print("|---|---|---|---|---|---|")
    for name in SCHEDULES:
        for beside in ("nothing", "a sibling", "the other direction"):
            print(study(name, beside, its.pulls, its.seed), flush=True)


if __name__ == "__main__":
    main()
