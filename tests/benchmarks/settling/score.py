"""Plays stays to a detector and counts what it did, beside what was true."""

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from acquire.series import t_factor
from acquire.values import Capture, Step
from tests.benchmarks.settling.scene import Cell, Stay, draw_pull


class Detector(Protocol):
    """What is compared: the stabiliser's interface as far as a judgement goes."""

    def aim(self, t_us: int, step: Step) -> None: ...

    def push_lift(self, t_us: int, lift_m: float) -> None: ...

    def push_pressure(self, t_us: int, pressure_pa: float) -> None: ...

    def push_flow(self, t_us: int, area_m2: float, mass_flow_kg_s: float) -> None: ...

    def capture(self) -> Capture | None: ...


class Maker(Protocol):
    """Makes a fresh detector for one pull."""

    def __call__(self, wanted: float) -> Detector: ...


@dataclass(slots=True)
class Outcome:
    """One stay as it went."""

    stay: Stay
    capture: Capture | None
    captured_s: float
    error: float = 0.0
    half_width: float = 0.0
    plateau: bool = False

    @property
    def ratio(self) -> float:
        """Time from true settling to the capture, in oracle times."""
        return (self.captured_s - self.stay.settled_s) / self.stay.oracle_s


@dataclass(slots=True)
class Tally:
    """All outcomes of one detector in one cell, and what they cost."""

    cell: Cell
    outcomes: list[Outcome] = field(default_factory=list)
    samples: int = 0
    seconds: float = 0.0
    stream_s: float = 0.0

    def figures(self) -> dict[str, float]:
        """Shares in percent, ratios, cost in microseconds a sample."""
        captured = [o for o in self.outcomes if o.capture is not None]
        sound = [o for o in captured if not o.stay.frozen]
        false = [o for o in captured if o.error > self.cell.tolerance + o.half_width or o.stay.frozen]
        long = [o for o in self.outcomes if not o.stay.early and not o.stay.frozen]
        ratios = np.array([o.ratio if o.capture is not None else np.inf for o in long] or [np.nan])
        slow = np.array(
            [o.ratio if o.capture is not None else np.inf for o in long if o.stay.oracle_s >= 3] or [np.nan]
        )
        creeping = [o for o in sound if o.stay.creeping]
        cover = [o.error <= o.half_width for o in sound]
        return {
            "stays": len(self.outcomes),
            "false": 100 * len(false) / max(len(self.outcomes), 1),
            "false, no creep": sum(not o.stay.creeping for o in false),
            "of": sum(not o.stay.creeping for o in self.outcomes),
            "plateau": sum(o.plateau for o in captured),
            "miss": 100 * sum(o.capture is None for o in long) / max(len(long), 1),
            "median": float(np.quantile(ratios, 0.5, method="higher")),
            "90 %": float(np.quantile(ratios, 0.9, method="higher")),
            "long oracle": float(np.quantile(slow, 0.5, method="higher")),
            "cover": 100 * float(np.mean(cover)) if cover else float("nan"),
            "cover creep": 100 * float(np.mean([o.error <= o.half_width for o in creeping]))
            if creeping
            else float("nan"),
            "us": 1e6 * self.seconds / max(self.samples, 1),
            "core %": 100 * self.seconds / max(self.stream_s, 1e-9),
        }


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


def score(make: Maker, cell: Cell, stays: int, seed: int = 1) -> Tally:
    """Play pulls of nine steps until ``stays`` stays have been judged."""
    tally = Tally(cell)
    for outcome in outcomes(make, cell, stays, seed, tally):
        tally.outcomes.append(outcome)
    return tally


def outcomes(make: Maker, cell: Cell, stays: int, seed: int, tally: Tally) -> Iterator[Outcome]:
    """One outcome a stay; the same seed gives every detector the same stays."""
    done = 0
    pull = 0
    while done < stays:
        rng = np.random.default_rng((seed, pull))
        pull += 1
        _, scene = draw_pull(rng, cell)
        detector = make(cell.wanted)
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
            outcome = Outcome(stay, capture, (at_us - stay.begin_us) / 1e6)
            if capture is not None:
                true = stay.true_mean_m2(capture.t_start_us, capture.t_end_us)
                outcome.error = abs(capture.area_m2 / true - 1)
                outcome.half_width = t_factor(capture.dof) * capture.standard_uncertainty_m2 / true
                outcome.plateau = any(a <= outcome.captured_s <= b for a, b in stay.pauses_s)
            yield outcome
