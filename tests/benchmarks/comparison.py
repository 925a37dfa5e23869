"""Do comparisons keep their promises? Simulated pairs of heads with known truth.

``python -m tests.benchmarks.comparison [--comparisons 2000]``

Each pull is a mount: the head's true curve, times a mount's error common to
its lifts in part, times a pull's own error at each lift, times the bench's
calibration error, which both heads share. Stored repeatability is itself
estimated from a drawn study of 6 mounts by 3 pulls.
"""

import argparse
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acquire.comparison.differences import Differences, Repeats, Spread, differences, one_pull_variance
from acquire.comparison.verdict import CurveVerdict, judge
from acquire.records import ArchivedPull
from tests.sheet.example import LIFTS_IN, pull

LIFTS = len(LIFTS_IN)
TRUE_WITHIN, TRUE_BETWEEN = 0.0012, 0.0018
MARGIN = 0.005
PATTERN = pull()
CURVE = np.array([p.flow.flow_m3_s for p in PATTERN.points])


@dataclass(frozen=True, slots=True)
class Studied(Repeats):
    """Repeatability as a study of this bench found it, by lift."""

    spreads: dict[float, Spread]

    def at(self, lift_m: float) -> Spread | None:
        return self.spreads.get(lift_m)


def study(random: np.random.Generator, mounts: int = 6, pulls: int = 3) -> Studied:
    """One-way analysis of variance of a drawn study, each lift by itself."""
    between = TRUE_BETWEEN * random.standard_normal((mounts, 1, LIFTS))
    y = between + TRUE_WITHIN * random.standard_normal((mounts, pulls, LIFTS))
    means = y.mean(axis=1)
    ms_within = ((y - means[:, None]) ** 2).sum(axis=(0, 1)) / (mounts * (pulls - 1))
    ms_between = pulls * ((means - means.mean(axis=0)) ** 2).sum(axis=0) / (mounts - 1)
    found = {}
    for p, within, among in zip(PATTERN.points, ms_within, ms_between, strict=True):
        assert p.step_lift_m is not None
        variance, dof = one_pull_variance(among, within, mounts, pulls)
        found[p.step_lift_m] = Spread(math.sqrt(variance), dof)
    return Studied(found)


def pulls_of(
    number: int, true: NDArray[np.float64], bench: float, count: int, random: np.random.Generator
) -> list[ArchivedPull]:
    """Pulls of one head, each on a mount of its own."""
    made = []
    for i in range(count):
        mount = TRUE_BETWEEN * random.standard_normal(LIFTS)
        own = TRUE_WITHIN * random.standard_normal(LIFTS)
        flows = true * bench * (1.0 + mount + own)
        points = tuple(
            replace(p, flow=replace(p.flow, flow_m3_s=float(q))) for p, q in zip(PATTERN.points, flows, strict=True)
        )
        made.append(replace(PATTERN, id=number + i, uid=f"u{number + i}", points=points))
    return made


def compared(
    shift: NDArray[np.float64], count: int, stored: bool, random: np.random.Generator
) -> tuple[Differences, CurveVerdict]:
    """One comparison; ``shift`` is the true relative difference by lift."""
    bench = 1.0 + 0.004 * random.standard_normal()
    half = 0.5 * shift
    a = pulls_of(1, CURVE * (1 + half), bench, count, random)
    b = pulls_of(11, CURVE * (1 - half), bench, count, random)
    found = differences(a, b, MARGIN, study(random) if stored else None)
    return found, judge([at.difference for at in found.at if at.difference is not None])


def rows(comparisons: int) -> Iterator[str]:
    """The table, a row for each way of knowing the scatter."""
    for name, count, stored in (
        ("1 pull a head, stored repeatability", 1, True),
        ("3 pulls a head, nothing stored", 3, False),
        ("3 pulls a head, stored repeatability", 3, True),
    ):
        random = np.random.default_rng(20261125)
        false = covered = seen = found = equal = equal_curve = 0
        smallest = []
        for _ in range(comparisons):
            _, verdict = compared(np.zeros(LIFTS), count, stored, random)
            false += any(at.verdict.endswith("higher") for at in verdict.at)
            smallest.append(verdict.at[4].could_show / CURVE[4])
            shift = 0.004 * random.standard_normal(LIFTS)
            its, verdict = compared(shift, count, stored, random)
            for at, true in zip(verdict.at, shift * CURVE, strict=True):
                seen += 1
                covered += abs(at.difference.value - true) <= at.half_width_95
            lone = np.zeros(LIFTS)
            lone[4] = smallest[-1]
            _, verdict = compared(lone, count, stored, random)
            found += verdict.at[4].verdict == "A higher"
            margin = np.full(LIFTS, MARGIN)
            _, verdict = compared(margin, count, stored, random)
            equal += verdict.at[4].verdict == "equal"
            equal_curve += verdict.verdict == "equal"
            del its
        yield (
            f"| {name} | {false / comparisons:.1%} | {covered / seen:.1%} | {found / comparisons:.1%} "
            f"| {equal / comparisons:.1%} / {equal_curve / comparisons:.1%} | {np.median(smallest):.2%} |"
        )


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--comparisons", type=int, default=2000)
    its = asked.parse_args()
    start = time.perf_counter()
    print("| what the scatter comes from | false claim at any of 8 lifts | truth inside | smallest found "
          "| equal claimed on the margin, a lift / the curve | smallest difference |")  # fmt: skip
    print("|---|---|---|---|---|---|")
    for row in rows(its.comparisons):
        print(row, flush=True)
    print(f"\n{its.comparisons} comparisons a column, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
