"""Plays stays to a detector and counts what it did, beside what was true."""

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from acquire.series import t_factor
from acquire.values import Capture, Step
from tests.benchmarks.settling.other import other_pull, other_readiness
from tests.benchmarks.settling.scene import draw_pull, readiness_stay
from tests.benchmarks.settling.stay import Cell, Stay

Bench = Any
"""Whatever a scenery makes its stays from; only a detector that is told the truth looks inside."""
SCENERIES: dict[str, tuple[Callable[..., tuple[Bench, Iterator[Stay]]], Callable[..., Stay]]] = {
    "usual": (draw_pull, readiness_stay),
    "other": (other_pull, other_readiness),
}

PROMISED_S = 3.5
"""Longest time constant of which anything is promised: where a bench is slower the readiness check says so."""


class Detector(Protocol):
    """What is compared: the stabiliser's interface as far as a judgement goes."""

    def aim(self, t_us: int, step: Step) -> None: ...

    def push_lift(self, t_us: int, lift_m: float) -> None: ...

    def push_pressure(self, t_us: int, pressure_pa: float) -> None: ...

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None: ...

    def capture(self) -> Capture | None: ...


class Maker(Protocol):
    """Makes a fresh detector for one pull on a bench; ``ready`` is the step that was measured beforehand."""

    def __call__(self, cell: Cell, bench: Bench, ready: Stay) -> Detector: ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """One stay as it went. Times in s from its begin; errors and half-widths are shares of the true value."""

    captured: bool
    captured_s: float
    settled_s: float
    oracle_s: float
    creeping: bool
    frozen: bool
    early: bool
    slow: bool
    error: float = 0.0
    half_width: float = 0.0
    plateau: bool = False

    @property
    def ratio(self) -> float:
        """Time from true settling to the capture, in oracle times; infinite without one."""
        return (self.captured_s - self.settled_s) / self.oracle_s if self.captured else math.inf

    def false(self, tolerance: float) -> bool:
        """Whether a wrong reading was taken."""
        return self.captured and (self.frozen or self.error > tolerance + self.half_width)


@dataclass(slots=True)
class Tally:
    """All outcomes of one detector in one cell, and what they cost."""

    tolerances: list[float] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    samples: int = 0
    seconds: float = 0.0
    stream_s: float = 0.0

    def add(self, other: "Tally") -> None:
        """Take in the outcomes of another cell."""
        self.tolerances += other.tolerances
        self.outcomes += other.outcomes
        self.samples += other.samples
        self.seconds += other.seconds
        self.stream_s += other.stream_s

    def figures(self) -> dict[str, float]:
        """Shares in percent, ratios, cost in microseconds a sample."""
        captured = [o for o in self.outcomes if o.captured]
        sound = [o for o in captured if not o.frozen]
        false = [o for o, limit in zip(self.outcomes, self.tolerances, strict=True) if o.false(limit)]
        long = [o for o in self.outcomes if not o.early and not o.frozen]
        return {
            "stays": len(self.outcomes),
            "false": 100 * len(false) / max(len(self.outcomes), 1),
            "false, no creep": sum(not o.creeping and not o.slow for o in false),
            "of": sum(not o.creeping and not o.slow for o in self.outcomes),
            "false, slow": sum(not o.creeping and o.slow for o in false),
            "of slow": sum(not o.creeping and o.slow for o in self.outcomes),
            "plateau": sum(o.plateau for o in captured),
            "miss": _percent([not o.captured for o in long]),
            "median": _quantile([o.ratio for o in long], 0.5),
            "90 %": _quantile([o.ratio for o in long], 0.9),
            "long oracle": _quantile([o.ratio for o in long if o.oracle_s >= 3], 0.5),
            "cover": _percent([o.error <= o.half_width for o in sound]),
            "cover creep": _percent([o.error <= o.half_width for o in sound if o.creeping]),
            "us": 1e6 * self.seconds / max(self.samples, 1),
            "core %": 100 * self.seconds / max(self.stream_s, 1e-9),
        }


def _percent(said: list[bool]) -> float:
    return 100 * sum(said) / len(said) if said else math.nan


def _quantile(values: list[float], share: float) -> float:
    return float(np.quantile(values, share, method="higher")) if values else math.nan


def play_stay(detector: Detector, stay: Stay) -> tuple[Capture | None, int, int]:
    """Feed until the first capture. Returns it, the time of it, and the samples fed."""
    detector.aim(stay.begin_us, stay.step)
    lift_t, lift = stay.lift_us.tolist(), stay.lift_m.tolist()
    flow = zip(
        stay.flow_us.tolist(), stay.pressure_pa.tolist(), stay.area_m2.tolist(), stay.mass_kg_s.tolist(), strict=True
    )
    at = 0
    count = 0
    for t, pressure, area, mass in flow:
        while at < len(lift_t) and lift_t[at] <= t:
            detector.push_lift(lift_t[at], lift[at])
            at += 1
            count += 1
        detector.push_pressure(t, pressure)
        detector.push_flow(t, area, mass)
        count += 2
        capture = detector.capture()
        if capture is not None:
            return capture, t, count
    return None, 0, count


def score(make: Maker, cell: Cell, stays: int, seed: int = 1, scenery: str = "usual") -> Tally:
    """Play pulls of nine steps until ``stays`` stays have been judged: the same seed, the same stays."""
    tally = Tally()
    for _, outcome in outcomes(make, cell, stays, seed, tally, scenery):
        tally.outcomes.append(outcome)
        tally.tolerances.append(cell.tolerance)
    return tally


def outcomes(
    make: Maker, cell: Cell, stays: int, seed: int, tally: Tally, scenery: str = "usual"
) -> Iterator[tuple[Stay, Outcome]]:
    """One outcome a stay; the same seed gives every detector the same stays."""
    draw, ready = SCENERIES[scenery]
    done = 0
    pull = 0
    while done < stays:
        bench, scene = draw(np.random.default_rng((seed, pull)), cell)
        # the step beforehand is drawn by itself: who makes no use of it sees the same stays
        detector = make(cell, bench, ready(np.random.default_rng((seed, pull, 1)), cell, bench))
        pull += 1
        for stay in scene:
            if done >= stays:
                return
            done += 1
            before = time.process_time()
            capture, at_us, count = play_stay(detector, stay)
            tally.seconds += time.process_time() - before
            tally.samples += count
            end_us = at_us if capture is not None else int(stay.flow_us[-1]) if stay.flow_us.size else stay.begin_us
            tally.stream_s += (end_us - stay.begin_us) / 1e6
            yield stay, judged(stay, capture, (at_us - stay.begin_us) / 1e6)


def judged(stay: Stay, capture: Capture | None, captured_s: float) -> Outcome:
    """The capture beside the truth."""
    error = half_width = 0.0
    if capture is not None:
        true = stay.true_mean_m2(capture.t_start_us, capture.t_end_us)
        error = abs(capture.area_m2 / true - 1)
        half_width = t_factor(capture.dof) * capture.standard_uncertainty_m2 / true
    return Outcome(
        captured=capture is not None,
        captured_s=captured_s,
        settled_s=stay.settled_s,
        oracle_s=stay.oracle_s,
        creeping=stay.creeping,
        frozen=stay.frozen,
        early=stay.early,
        slow=stay.slowest_s > PROMISED_S,
        error=error,
        half_width=half_width,
        plateau=capture is not None and any(a <= captured_s <= b for a, b in stay.pauses_s),
    )
