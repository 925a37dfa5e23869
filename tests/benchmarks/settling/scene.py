"""Invented stays of a flow bench with everything known about them.

A pull is a row of stays on one bench: the valve moves (with pauses and
overshoots), the flow approaches its new value as a first- or second-order
response whose time constant may change with flow, now and then through one more
lag, the test pressure sags and is brought back, and turbulence, drift,
creep, hunting, digits, spikes, gaps and freezing come on top. Flow goes with
the root of the test pressure, which the meter sees with a lag.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import cont2discrete, lfilter

from acquire.values import Step
from tests.benchmarks.settling.effects import FINE_S, INCH_M, Floats, correlated, creep, hunt, log_uniform, move, smooth
from tests.benchmarks.settling.stay import LIFT_TOLERANCE_M, TARGET_PA, Cell, Course, Stay, record

BIGGEST_M2 = 1.25e-3


@dataclass(frozen=True, slots=True)
class BenchTraits:
    """One invented bench on one day. ``tau_s`` at the biggest flow, as flow to ``-tau_power`` below it."""

    rate_hz: float
    theta_s: float
    noise_rel: float
    order: int
    tau_s: float
    tau_power: float
    damping: float
    meter_lag_s: float
    pressure_noise: float
    pressure_theta_s: float
    recovery_s: float
    lift_digit_m: float
    flow_digit_rel: float
    odd_share: float = 0.15


def draw_bench(rng: np.random.Generator, cell: Cell) -> BenchTraits:
    """A bench within the cell's limits."""
    theta = cell.theta_s or log_uniform(rng, 0.02, 0.3)
    rate = cell.rate_hz or float(rng.choice([10.0, 20.0, 50.0, 100.0, 250.0]))
    noise = log_uniform(rng, 0.001, 0.012)
    return BenchTraits(
        rate_hz=rate,
        theta_s=theta,
        noise_rel=noise,
        order=int(rng.choice([1, 2])),
        tau_s=log_uniform(rng, 0.3, 3.0),
        tau_power=float(rng.uniform(0.0, 0.5)),
        damping=float(rng.uniform(0.4, 0.9)),
        meter_lag_s=float(rng.uniform(0.05, 0.35)),
        pressure_noise=log_uniform(rng, 0.0004, 0.002),
        pressure_theta_s=log_uniform(rng, 0.02, 0.2),
        recovery_s=log_uniform(rng, 0.3, 4.0),
        lift_digit_m=float(rng.choice([0.0005, 0.001])) * INCH_M,
        # from far below the noise to twice the noise
        flow_digit_rel=log_uniform(rng, 1e-5, 2.0 * noise),
    )


def curve_m2(lift_m: Floats | float) -> Floats:
    """Effective area against lift: rises, bends, flattens."""
    x = np.asarray(lift_m) / (0.45 * INCH_M)
    return np.asarray(BIGGEST_M2 * np.tanh(1.1 * x))


def respond(bench: BenchTraits, tau_s: float, x: Floats) -> Floats:
    """The bench's response to ``x`` on the fine grid, at rest before it."""
    if bench.order == 1:
        num, den = [1.0], [tau_s, 1.0]
    else:
        num, den = [1.0], [tau_s**2, 2 * bench.damping * tau_s, 1.0]
    b, a, _ = cont2discrete((num, den), FINE_S, method="zoh")
    return np.asarray(x[0] + lfilter(np.atleast_1d(np.squeeze(b)), a, x - x[0]))


def oracle_time_s(bench: BenchTraits, noise_rel: float, wanted: float) -> float:
    """Shortest average, 1 s or more, whose 95 % half-width is the wanted one, with the true noise."""

    def half_width(n: int) -> float:
        total = 0.0
        for sd, theta in ((noise_rel, bench.theta_s), (bench.pressure_noise / 2, bench.pressure_theta_s)):
            f = float(np.exp(-1 / (bench.rate_hz * theta)))
            total += sd**2 / n * ((1 + f) / (1 - f) - 2 * f * (1 - f**n) / (n * (1 - f) ** 2))
        return 1.959964 * float(np.sqrt(total))

    low, high = 1, int(600 * bench.rate_hz)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if half_width(middle) <= wanted else (middle + 1, high)
    return max(1.0, low / bench.rate_hz)


def draw_pull(rng: np.random.Generator, cell: Cell, steps: int = 9) -> tuple[BenchTraits, Iterator[Stay]]:
    """A bench and the stays of one pull on it."""
    bench = draw_bench(rng, cell)
    return bench, _stays(rng, cell, bench, steps)


def readiness_stay(rng: np.random.Generator, cell: Cell, bench: BenchTraits) -> Stay:
    """The one step by which the bench is measured when it is made ready: nobody is in a hurry, no meter is frozen."""
    calm = replace(cell, frozen_share=0.0, early_share=0.0)
    return draw_stay(rng, calm, bench, 1_000_000, 0.0, 0.4 * INCH_M, Step(0.4 * INCH_M, TARGET_PA))


def _stays(rng: np.random.Generator, cell: Cell, bench: BenchTraits, steps: int) -> Iterator[Stay]:
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
    tau = bench.tau_s * (BIGGEST_M2 / final) ** bench.tau_power * float(np.exp(0.08 * rng.standard_normal()))
    noise = bench.noise_rel * float(0.5 + 0.8 * final / BIGGEST_M2)
    oracle = oracle_time_s(bench, noise, cell.wanted)
    fine = np.arange(0.0, arrived + 260.0, FINE_S)
    lift = smooth(fine, corner_t, corner_lift)
    referred = respond(bench, tau, curve_m2(lift))
    if rng.uniform() < bench.odd_share:
        lag = _lag(tau * float(rng.uniform(0.2, 0.6)))
        referred = referred[0] + lfilter(*lag, referred - referred[0])
    creeping = bool(rng.uniform() < cell.creep_share)
    if creeping:
        referred = referred * (1 + creep(rng, fine - arrived))
    pressure, pressure_pauses = _pressure(rng, bench, fine, arrived)
    hunting = bool(rng.uniform() < cell.hunting_share)
    swinging = pressure + hunt(rng, fine) if hunting else pressure
    drift = rng.uniform(-0.003, 0.003) / 60 * (fine - arrived)
    seen = lfilter(*_lag(bench.meter_lag_s), swinging - swinging[0]) + swinging[0]
    course = Course(
        t_s=fine,
        lift_m=lift,
        pressure=pressure,
        swinging=swinging,
        seen=np.asarray(seen),
        referred_m2=referred,
        final_m2=final,
        drift_rel=drift,
        moved_s=(float(corner_t[1]), arrived),
        frozen_until_s=arrived + 0.3 * tau,
        oracle_s=oracle,
        pauses_s=tuple(pauses + pressure_pauses),
        creeping=creeping,
        hunting=hunting,
        slowest_s=tau,
    )
    return record(
        rng,
        cell,
        course,
        begin_us=begin_us,
        step=step,
        rate_hz=bench.rate_hz,
        flow_noise=lambda t: noise * correlated(rng, t, bench.theta_s),
        pressure_noise=lambda t: bench.pressure_noise * correlated(rng, t, bench.pressure_theta_s),
        flow_digit_rel=bench.flow_digit_rel,
        lift_digit_m=bench.lift_digit_m,
    )


def _lag(lag_s: float) -> tuple[list[float], list[float]]:
    f = float(np.exp(-FINE_S / lag_s))
    return [1 - f], [1.0, -f]


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
