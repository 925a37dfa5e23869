"""What the judgement costs, beside a floor: one vectorised pass over the same samples."""

import time
from dataclasses import dataclass

import numpy as np

from acquire.config import Settling
from acquire.stabiliser import FLOW, PRESSURE, Stabiliser
from acquire.stabiliser.prepare import prepare
from acquire.values import Step
from tests.benchmarks.settling.detectors import ours
from tests.benchmarks.settling.effects import correlated
from tests.benchmarks.settling.scene import draw_pull, readiness_stay
from tests.benchmarks.settling.stay import LIFT_TOLERANCE_M, TARGET_PA, Cell

_BLOCK_S = 0.1


@dataclass(frozen=True, slots=True)
class Cost:
    """Of one signal rate: microseconds a sample, and the share of a core in percent."""

    rate_hz: float
    push_us: float
    all_us: float
    bulk_us: float
    floor_us: float
    core_percent: float


def cost(rate_hz: float, seconds: float = 60.0, pulls: int = 2) -> Cost:
    """``push``: samples of a valve that stands while a reading is held; ``all``: whole pulls, every fit included."""
    # what is compiled at the first use is none of a sample's cost
    prepare()
    rng = np.random.default_rng(1)
    n = int(seconds * rate_hz)
    t = (np.arange(n) * 1e6 / rate_hz).astype(int).tolist()
    area = 1e-3 * (1 + 0.003 * correlated(rng, np.arange(n) / rate_hz, 0.1))
    pressure = TARGET_PA * (1 + 0.001 * rng.standard_normal(n))
    areas, masses, pressures = area.tolist(), (100 * area).tolist(), pressure.tolist()
    push_us = _held(t, areas, masses, pressures) / (2 * n)
    bulk_us = _held_in_bulk(t, areas, masses, pressures) / (2 * n)
    before = time.process_time()
    for _ in range(20):
        _pass(area, pressure, max(int(rate_hz * _BLOCK_S), 1))
    floor_us = (time.process_time() - before) * 1e6 / 20 / (2 * n)
    spent, samples, stream_s = _pulls(rate_hz, pulls)
    return Cost(rate_hz, push_us, spent * 1e6 / samples, bulk_us, floor_us, 100 * spent / stream_s)


def _judge() -> Stabiliser:
    judge = Stabiliser(Settling())
    judge.aim(0, Step(0.01, TARGET_PA))
    # short of its lift: nothing is fitted, every sample is collected and looked at
    judge.push_lift(0, 0.01 - 10 * LIFT_TOLERANCE_M)
    return judge


def _held(t: list[int], area: list[float], mass: list[float], pressure: list[float]) -> float:
    judge = _judge()
    before = time.process_time()
    for i, at in enumerate(t):
        judge.push_pressure(at, pressure[i])
        judge.push_flow(at, area[i], mass[i])
        judge.capture()
    return (time.process_time() - before) * 1e6


def _held_in_bulk(t: list[int], area: list[float], mass: list[float], pressure: list[float]) -> float:
    """In pieces of two seconds of samples, as they come out of an archive."""
    judge, n = _judge(), 2 * len(t)
    kind = np.tile(np.array((PRESSURE, FLOW), np.int8), len(t))
    t_us = np.repeat(np.array(t, np.int64), 2)
    first = np.column_stack((pressure, area)).ravel()
    second = np.column_stack((np.zeros(len(t)), mass)).ravel()
    piece = max(2_000_000 * n // max(t[-1], 1), 2)
    before = time.process_time()
    for at in range(0, n, piece):
        span = slice(at, at + piece)
        judge.push_many(kind[span], t_us[span], first[span], second[span])
        judge.capture()
    return (time.process_time() - before) * 1e6


def _pass(area: np.ndarray, pressure: np.ndarray, samples: int) -> float:
    """Block means and variances of both signals, largest step, nothing else."""
    whole = area.size // samples * samples
    total = 0.0
    for signal in (area[:whole], pressure[:whole]):
        blocks = signal.reshape(-1, samples)
        total += float(blocks.mean(axis=1).sum() + blocks.var(axis=1).sum() + np.abs(np.diff(signal)).max())
    return total


def _pulls(rate_hz: float, pulls: int) -> tuple[float, int, float]:
    """CPU seconds, samples and stream seconds of whole pulls, each stay played to its end."""
    cell = Cell(rate_hz=rate_hz)
    spent, samples, stream_s = 0.0, 0, 0.0
    for pull in range(pulls):
        rng = np.random.default_rng((9, pull))
        bench, stays = draw_pull(rng, cell)
        judge = ours(cell, bench, readiness_stay(np.random.default_rng((9, pull, 1)), cell, bench))
        for stay in stays:
            lift = list(zip(stay.lift_us.tolist(), stay.lift_m.tolist(), strict=True))
            rows = list(
                zip(
                    stay.flow_us.tolist(),
                    stay.pressure_pa.tolist(),
                    stay.area_m2.tolist(),
                    stay.mass_kg_s.tolist(),
                    strict=True,
                )
            )
            before = time.process_time()
            judge.aim(stay.begin_us, stay.step)
            at = 0
            for t_us, pressure, area, mass in rows:
                while at < len(lift) and lift[at][0] <= t_us:
                    judge.push_lift(*lift[at])
                    at += 1
                judge.push_pressure(t_us, pressure)
                judge.push_flow(t_us, area, mass)
                judge.capture()
            spent += time.process_time() - before
            samples += 2 * len(rows) + at
            stream_s += (rows[-1][0] - stay.begin_us) / 1e6 if rows else 0.0
    return spent, samples, stream_s
