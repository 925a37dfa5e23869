"""Invented stays of a flow bench with everything known about them.

A pull is a row of stays on one bench: the valve moves (with pauses and
overshoots), the flow approaches its new value as a first- or second-order
response, the test pressure sags and is brought back, and turbulence, drift,
creep, hunting, digits, spikes, gaps and freezing come on top. Flow goes with
the root of the test pressure, which the meter sees with a lag.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import cont2discrete, lfilter

from acquire.values import Step

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

INCH_M = 0.0254
TARGET_PA = 28 * 249.08891
BAND = 0.02
LIFT_TOLERANCE_M = 0.002 * INCH_M
SETTLED_REL = 0.001
_FINE_S = 0.01


@dataclass(frozen=True, slots=True)
class Cell:
    """What a study fixes; None draws it at random within the usual limits."""

    wanted: float = 0.003
    theta_s: float | None = None
    rate_hz: float | None = None
    creep_share: float = 0.12
    frozen_share: float = 0.03
    early_share: float = 0.12
    hunting_share: float = 0.3

    @property
    def tolerance(self) -> float:
        """The allowed error beside the stated half-width."""
        return self.wanted / 1.2


@dataclass(frozen=True, slots=True)
class BenchTraits:
    """One invented bench on one day."""

    rate_hz: float
    theta_s: float
    noise_rel: float
    order: int
    tau_s: float
    damping: float
    meter_lag_s: float
    pressure_noise: float
    pressure_theta_s: float
    recovery_s: float
    lift_digit_m: float
    flow_digit_rel: float


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay: three records in microseconds of the pull's time, and the truth."""

    step: Step
    begin_us: int
    lift_us: Ints
    lift_m: Floats
    flow_us: Ints
    pressure_pa: Floats
    area_m2: Floats
    mass_kg_s: Floats
    settled_s: float
    oracle_s: float
    true_area_m2: float
    drift_us: Ints
    drift_rel: Floats
    creeping: bool
    frozen: bool
    early: bool
    hunting: bool
    pauses_s: tuple[tuple[float, float], ...] = field(default=())

    def true_mean_m2(self, start_us: int, end_us: int) -> float:
        """The true value over a window, slow drift included."""
        inside = np.linspace(start_us, end_us, 9)
        return self.true_area_m2 * (1 + float(np.mean(np.interp(inside, self.drift_us, self.drift_rel))))


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_bench(rng: np.random.Generator, cell: Cell) -> BenchTraits:
    """A bench within the cell's limits."""
    theta = cell.theta_s or _log_uniform(rng, 0.02, 0.3)
    rate = cell.rate_hz or float(rng.choice([10.0, 20.0, 50.0, 100.0, 250.0]))
    noise = _log_uniform(rng, 0.001, 0.012)
    return BenchTraits(
        rate_hz=rate,
        theta_s=theta,
        noise_rel=noise,
        order=int(rng.choice([1, 2])),
        tau_s=_log_uniform(rng, 0.3, 3.0),
        damping=float(rng.uniform(0.4, 0.9)),
        meter_lag_s=float(rng.uniform(0.05, 0.35)),
        pressure_noise=_log_uniform(rng, 0.0004, 0.002),
        pressure_theta_s=_log_uniform(rng, 0.02, 0.2),
        recovery_s=_log_uniform(rng, 0.3, 4.0),
        lift_digit_m=float(rng.choice([0.0005, 0.001])) * INCH_M,
        # from far below the noise to twice the noise
        flow_digit_rel=_log_uniform(rng, 1e-5, 2.0 * noise),
    )


def curve_m2(lift_m: Floats | float) -> Floats:
    """Effective area against lift: rises, bends, flattens."""
    x = np.asarray(lift_m) / (0.45 * INCH_M)
    return np.asarray(1.25e-3 * np.tanh(1.1 * x))


def correlated(rng: np.random.Generator, t_s: Floats, theta_s: float) -> Floats:
    """Unit first-order noise at (nearly) even times."""
    if t_s.size == 0:
        return np.zeros(0)
    f = float(np.exp(-float(np.median(np.diff(t_s))) / theta_s)) if t_s.size > 1 else 0.0
    shocks = rng.standard_normal(t_s.size) * np.sqrt(1 - f * f)
    shocks[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -f], shocks))


def respond(bench: BenchTraits, tau_s: float, x: Floats) -> Floats:
    """The bench's response to ``x`` on the fine grid, at rest before it."""
    if bench.order == 1:
        num, den = [1.0], [tau_s, 1.0]
    else:
        num, den = [1.0], [tau_s**2, 2 * bench.damping * tau_s, 1.0]
    b, a, _ = cont2discrete((num, den), _FINE_S, method="zoh")
    return np.asarray(x[0] + lfilter(np.atleast_1d(np.squeeze(b)), a, x - x[0]))


def move(rng: np.random.Generator, start_m: float, end_m: float) -> tuple[Floats, Floats, list[tuple[float, float]]]:
    """Corner times and lifts of one move, and its pauses; smooth in between."""
    t = [0.0, float(rng.uniform(0.2, 0.8))]
    lift = [start_m, start_m]
    pauses: list[tuple[float, float]] = []
    duration = float(rng.uniform(0.8, 3.0))
    kind = rng.uniform()
    if kind < 1 / 3:
        half = start_m + float(rng.uniform(0.35, 0.7)) * (end_m - start_m)
        pause = float(rng.uniform(0.5, 2.0))
        t += [t[-1] + duration / 2, t[-1] + duration / 2 + pause]
        lift += [half, half]
        pauses.append((t[-2], t[-1]))
        t.append(t[-1] + duration / 2)
        lift.append(end_m)
    elif kind < 1 / 3 + 1 / 5:
        beyond = end_m + float(rng.uniform(0.05, 0.12)) * abs(end_m - start_m) + 0.004 * INCH_M
        stop = float(rng.uniform(0.2, 0.8))
        t += [t[-1] + duration, t[-1] + duration + stop]
        lift += [beyond, beyond]
        t.append(t[-1] + float(rng.uniform(0.3, 0.8)))
        lift.append(end_m)
    else:
        t.append(t[-1] + duration)
        lift.append(end_m)
    return np.array(t), np.array(lift), pauses


def smooth(at: Floats, t: Floats, x: Floats) -> Floats:
    """Interpolate corners with a raised cosine in each piece."""
    i = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
    share = np.clip((at - t[i]) / np.maximum(t[i + 1] - t[i], 1e-9), 0, 1)
    return np.asarray(x[i] + (x[i + 1] - x[i]) * (1 - np.cos(np.pi * share)) / 2)


def oracle_time_s(bench: BenchTraits, noise_rel: float, wanted: float) -> float:
    """Shortest average, 1 s or more, whose 95 % half-width is the wanted one, with the true noise."""
    n = np.arange(1, int(600 * bench.rate_hz) + 1)

    def variance(sd: float, theta: float) -> Floats:
        f = np.exp(-1 / (bench.rate_hz * theta))
        return np.asarray(sd**2 / n * ((1 + f) / (1 - f) - 2 * f * (1 - f**n) / (n * (1 - f) ** 2)))

    total = variance(noise_rel, bench.theta_s) + variance(bench.pressure_noise / 2, bench.pressure_theta_s)
    enough = np.flatnonzero(1.959964 * np.sqrt(total) <= wanted)
    return max(1.0, float(n[enough[0]]) / bench.rate_hz if enough.size else 600.0)


def draw_pull(rng: np.random.Generator, cell: Cell, steps: int = 9) -> tuple[BenchTraits, Iterator["Stay"]]:
    """A bench and the stays of one pull on it; send the time at which each ended through ``Clock``."""
    bench = draw_bench(rng, cell)
    return bench, _stays(rng, cell, bench, steps)


def _stays(rng: np.random.Generator, cell: Cell, bench: BenchTraits, steps: int) -> Iterator["Stay"]:
    schedule = INCH_M * np.linspace(0.1, 0.7, steps)
    # where the operator's hand lands, within tolerance
    lift = 0.0
    begin_us = 1_000_000
    for target in schedule:
        lands = float(target + rng.uniform(-0.4, 0.4) * LIFT_TOLERANCE_M)
        stay = draw_stay(rng, cell, bench, begin_us, lift, lands, Step(float(target), TARGET_PA))
        yield stay
        lift = lands
        begin_us = int(stay.flow_us[-1]) + 500_000 if stay.flow_us.size else begin_us + 1_000_000


def draw_stay(
    rng: np.random.Generator, cell: Cell, bench: BenchTraits, begin_us: int, from_m: float, to_m: float, step: Step
) -> Stay:
    """One stay from its aim to its end."""
    corner_t, corner_lift, pauses = move(rng, from_m, to_m)
    arrived = float(corner_t[-1])
    final = float(curve_m2(to_m))
    tau = bench.tau_s * float(np.exp(0.08 * rng.standard_normal()))
    noise = bench.noise_rel * float(0.5 + 0.8 * final / 1.25e-3)
    oracle = oracle_time_s(bench, noise, cell.wanted)
    fine = np.arange(0.0, arrived + 260.0, _FINE_S)
    lift = smooth(fine, corner_t, corner_lift)
    referred = respond(bench, tau, curve_m2(lift))
    creeping = bool(rng.uniform() < cell.creep_share)
    creep = _creep(rng, fine - arrived) if creeping else np.zeros_like(fine)
    pressure, pressure_pauses = _pressure(rng, bench, fine, arrived)
    error = np.abs(referred * (1 + creep) / final - 1)
    outside = (
        (error > SETTLED_REL) | (np.abs(pressure - 1) > BAND) | (np.abs(lift - step.lift_m) > LIFT_TOLERANCE_M)  # type: ignore[operator]
    )
    settled = float(fine[np.flatnonzero(outside)[-1] + 1]) if outside.any() and not outside[-1] else arrived
    hunting = bool(rng.uniform() < cell.hunting_share)
    if hunting:
        pressure = pressure + _hunt(rng, fine)
    early = bool(rng.uniform() < cell.early_share)
    length = float(rng.uniform(0.3, 3.0)) * oracle if early else max(15.0, float(rng.uniform(6, 10)) * oracle)
    end = min(settled + length, arrived + 250.0)
    drift = rng.uniform(-0.003, 0.003) / 60 * (fine - arrived)
    seen_pressure = lfilter(*_lag(bench.meter_lag_s), pressure - pressure[0]) + pressure[0]
    clean = referred * (1 + creep) * (1 + drift) * np.sqrt(np.maximum(seen_pressure, 1e-3))

    flow_t = _times(rng, bench.rate_hz, end)
    q = np.interp(flow_t, fine, clean) * (1 + noise * correlated(rng, flow_t, bench.theta_s))
    p = np.interp(flow_t, fine, pressure) * (1 + bench.pressure_noise * correlated(rng, flow_t, bench.pressure_theta_s))
    digit = bench.flow_digit_rel * final
    q = np.round(q / digit) * digit
    frozen = bool(rng.uniform() < cell.frozen_share)
    if frozen:
        since = float(rng.uniform(corner_t[1] + 0.3 * (arrived - corner_t[1]), arrived + 0.3 * tau))
        first = int(np.searchsorted(flow_t, since))
        q[first:] = q[max(first - 1, 0)]
    else:
        q = _spike(rng, flow_t, q)
    keep = _gaps(rng, flow_t)
    flow_t, q, p = flow_t[keep], q[keep], p[keep]
    lift_t = _times(rng, 10.0, end)
    seen_lift = np.round(np.interp(lift_t, fine, lift) / bench.lift_digit_m) * bench.lift_digit_m
    coarse = fine[::50]
    return Stay(
        step=step,
        begin_us=begin_us,
        lift_us=begin_us + (lift_t * 1e6).astype(np.int64),
        lift_m=seen_lift,
        flow_us=begin_us + (flow_t * 1e6).astype(np.int64),
        pressure_pa=p * TARGET_PA,
        area_m2=q / np.sqrt(p),
        mass_kg_s=q * 100,
        settled_s=settled,
        oracle_s=oracle,
        true_area_m2=final,
        drift_us=begin_us + (coarse * 1e6).astype(np.int64),
        drift_rel=drift[::50],
        creeping=creeping,
        frozen=frozen,
        early=early or end < settled + 4 * oracle,
        hunting=hunting,
        pauses_s=tuple(pauses + pressure_pauses),
    )


def _lag(lag_s: float) -> tuple[list[float], list[float]]:
    f = float(np.exp(-_FINE_S / lag_s))
    return [1 - f], [1.0, -f]


def _times(rng: np.random.Generator, rate_hz: float, end_s: float) -> Floats:
    n = int(end_s * rate_hz)
    return np.sort((np.arange(n) + 0.5 + rng.uniform(-0.3, 0.3, n)) / rate_hz)


def _creep(rng: np.random.Generator, since_s: Floats) -> Floats:
    """What the creep still lacks: 0.4 to 2 % over 4 to 10 s, of several shapes, either way."""
    size = float(rng.uniform(0.004, 0.02)) * float(rng.choice([-1, 1]))
    over = float(rng.uniform(4, 10))
    shape = rng.uniform()
    since = np.maximum(since_s, 0.0)
    if shape < 0.5:
        left = np.exp(-since / over)
    elif shape < 0.75:
        left = np.exp(-3 * since / over)
    else:
        left = (1 + np.cos(np.pi * np.clip(since / over, 0, 1))) / 2
    return np.asarray(size * left)


def _pressure(
    rng: np.random.Generator, bench: BenchTraits, t: Floats, arrived: float
) -> tuple[Floats, list[tuple[float, float]]]:
    """Pressure over target: sags while the valve opens, comes back, now and then with a pause."""
    sag = float(rng.uniform(0.03, 0.10))
    recovery = bench.recovery_s * float(np.exp(0.2 * rng.standard_normal()))
    offset = float(rng.uniform(-0.006, 0.006))
    lows = np.interp(t, [0.2, arrived], [0.0, 1.0])
    pauses: list[tuple[float, float]] = []
    back_from = arrived - float(rng.uniform(0.0, 0.5))
    if rng.uniform() < 0.15:
        short = float(rng.uniform(0.02, 0.04))
        hold = float(rng.uniform(0.5, 3.0))
        at = back_from + recovery / 2
        corners_t = np.array([back_from, at, at + hold, at + hold + recovery / 2, t[-1] + 1])
        corners = np.array([-sag, -max(short, 0.02), -max(short, 0.02), offset, offset])
        pauses.append((at, at + hold))
        back = smooth(t, corners_t, corners)
    else:
        back = offset + (-sag - offset) * np.exp(-np.maximum(t - back_from, 0) * 3 / recovery)
    return np.where(t < back_from, 1 - sag * lows, 1 + back), pauses


def _hunt(rng: np.random.Generator, t: Floats) -> Floats:
    size = float(rng.uniform(0.002, 0.01))
    period = float(rng.uniform(2.0, 8.0))
    wander = np.cumsum(rng.standard_normal(t.size)) * np.sqrt(_FINE_S) * 0.08
    phase = 2 * np.pi * (t / period + wander + rng.uniform())
    return np.asarray(size * np.sin(phase))


def _spike(rng: np.random.Generator, t: Floats, q: Floats) -> Floats:
    q = q.copy()
    if t.size == 0:
        return q
    for _ in range(rng.poisson(t[-1] / 15)):
        at, run = int(rng.integers(t.size)), int(rng.integers(1, 4))
        q[at : at + run] *= 1 + float(rng.uniform(0.03, 0.4)) * float(rng.choice([-1, 1]))
    for _ in range(rng.poisson(t[-1] / 60)):
        q[int(rng.integers(t.size))] = 0.0
    return q


def _gaps(rng: np.random.Generator, t: Floats) -> npt.NDArray[np.bool_]:
    keep = np.ones(t.size, dtype=np.bool_)
    if t.size == 0:
        return keep
    for _ in range(rng.poisson(t[-1] / 40)):
        start = float(rng.uniform(0, t[-1]))
        keep &= ~((t >= start) & (t < start + float(rng.uniform(0.1, 1.5))))
    return keep
