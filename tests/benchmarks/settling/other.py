"""Other invented stays, built differently on purpose: a check against having been made for the first ones.

Nothing here is of first or second order with constant coefficients: two lags
in series, a fast lag with a slow second stage, lags that change with the flow
while it moves; the operator brings lift and pressure home in ramps; creep
runs with the logarithm of time or as a ramp; turbulence has heavy tails, two
correlation times, bursts, and a weak vortex line; drift bends; hunting is a
limit cycle. Lifts go up and down.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from acquire.values import Step
from tests.benchmarks.settling.effects import FINE_S, INCH_M, Floats, log_uniform
from tests.benchmarks.settling.stay import LIFT_TOLERANCE_M, TARGET_PA, Cell, Course, Stay, record

KINDS = ("two lags", "slow second stage", "lag changing with flow", "dead time")


@dataclass(frozen=True, slots=True)
class OtherBench:
    """One such bench. Times in s, shares of the reading."""

    kind: str
    rate_hz: float
    tau_s: float
    second: float
    share: float
    theta_s: float
    slow_theta_s: float
    noise: float
    line_hz: float
    pressure_noise: float
    pressure_lag_s: float
    flow_digit_rel: float


def draw_other_bench(rng: np.random.Generator, cell: Cell) -> OtherBench:
    """A bench within the cell's limits."""
    theta = cell.theta_s or float(rng.uniform(0.02, 0.15))
    noise = float(rng.gamma(2.0, 0.0018)) + 0.0008
    return OtherBench(
        kind=str(rng.choice(KINDS)),
        rate_hz=cell.rate_hz or float(rng.choice([10.0, 25.0, 50.0, 100.0, 200.0])),
        tau_s=float(rng.uniform(0.25, 2.2)),
        second=float(rng.uniform(0.25, 0.9)),
        share=float(rng.uniform(0.04, 0.15)),
        theta_s=theta,
        slow_theta_s=min(0.3, 3 * theta),
        noise=min(noise, 0.014),
        line_hz=float(rng.uniform(1.5, 4.0)),
        pressure_noise=log_uniform(rng, 0.0004, 0.002),
        pressure_lag_s=float(rng.uniform(0.05, 0.35)),
        flow_digit_rel=log_uniform(rng, 2e-5, 0.008),
    )


def other_pull(rng: np.random.Generator, cell: Cell, steps: int = 9) -> tuple[OtherBench, Iterator[Stay]]:
    """A bench and the stays of one pull on it."""
    bench = draw_other_bench(rng, cell)
    return bench, _stays(rng, cell, bench, steps)


def other_readiness(rng: np.random.Generator, cell: Cell, bench: OtherBench) -> Stay:
    """The step by which the bench is measured when it is made ready."""
    calm = replace(cell, frozen_share=0.0, early_share=0.0)
    return _stay(rng, calm, bench, 1_000_000, 0.0, Step(0.35 * INCH_M, TARGET_PA))


def _stays(rng: np.random.Generator, cell: Cell, bench: OtherBench, steps: int) -> Iterator[Stay]:
    schedule = np.sort(rng.uniform(0.08, 0.6, steps)) * INCH_M
    if rng.uniform() < 0.3:
        schedule = schedule[::-1]
    lift, begin_us = 0.0, 1_000_000
    for target in np.round(schedule / 2.54e-5) * 2.54e-5:
        stay = _stay(rng, cell, bench, begin_us, lift, Step(float(target), TARGET_PA))
        yield stay
        lift = float(target)
        begin_us = int(stay.flow_us[-1]) + 300_000 if stay.flow_us.size else begin_us + 1_000_000


def _area_m2(lift_m: Floats | float) -> Floats:
    """Rises straight, then bends to a bore's limit."""
    x = np.asarray(lift_m) / (0.3 * INCH_M)
    return np.asarray(1.1e-3 * x / (1 + x**3) ** (1 / 3))


def _stay(rng: np.random.Generator, cell: Cell, bench: OtherBench, begin_us: int, from_m: float, step: Step) -> Stay:
    assert step.lift_m is not None
    fine = np.arange(0.0, 264.0, FINE_S)
    lift, begun, arrived, pauses = _turns(rng, fine, from_m, step.lift_m)
    final = float(_area_m2(step.lift_m))
    referred, slowest = _approach(rng, bench, _area_m2(lift), final)
    creeping = bool(rng.uniform() < cell.creep_share)
    if creeping:
        referred = referred * (1 + _creep(rng, fine - arrived))
    pressure, stops = _brought_back(rng, fine, arrived)
    hunting = bool(rng.uniform() < cell.hunting_share)
    swinging = pressure + _limit_cycle(rng, fine) if hunting else pressure
    # the steepest part of the drift is 0.3 % a minute
    period = float(rng.uniform(60, 240))
    steepest = float(rng.uniform(-0.003, 0.003)) / 60
    drift = steepest * period / (2 * np.pi) * np.sin(2 * np.pi * ((fine - arrived) / period + rng.uniform()))
    drift -= np.interp(arrived, fine, drift)
    late = np.interp(fine - bench.pressure_lag_s, fine, swinging)
    noise = bench.noise * float(0.6 + 0.5 * final / 1.1e-3)
    course = Course(
        t_s=fine,
        lift_m=lift,
        pressure=pressure,
        swinging=swinging,
        seen=late,
        referred_m2=referred,
        final_m2=final,
        drift_rel=drift,
        moved_s=(begun, arrived),
        frozen_until_s=arrived + 0.3 * bench.tau_s,
        oracle_s=_oracle_s(bench, noise, cell.wanted),
        pauses_s=tuple(pauses + stops),
        creeping=creeping,
        hunting=hunting,
        slowest_s=slowest,
    )
    return record(
        rng,
        cell,
        course,
        begin_us=begin_us,
        step=step,
        rate_hz=bench.rate_hz,
        flow_noise=lambda t: noise * _turbulence(rng, bench, t),
        pressure_noise=lambda t: bench.pressure_noise * rng.standard_t(5, t.size) * np.sqrt(0.6),
        flow_digit_rel=bench.flow_digit_rel,
        lift_digit_m=float(rng.choice([0.0005, 0.001])) * INCH_M,
    )


def _turns(
    rng: np.random.Generator, t: Floats, from_m: float, to_m: float
) -> tuple[Floats, float, float, list[tuple[float, float]]]:
    """The screw turned by hand: strokes of a few tenths of a second with rests, the last ones short."""
    begun = float(rng.uniform(0.2, 1.0))
    strokes = int(rng.integers(2, 6))
    places = np.append(np.sort(rng.uniform(0.2, 0.97, strokes - 1)), 1.0)
    if rng.uniform() < 0.2:
        places[-2] = 1 + float(rng.uniform(0.05, 0.12))
    at, corners_t, corners = begun, [begun], [0.0]
    pauses = []
    for place in places:
        at += float(rng.uniform(0.2, 0.7))
        corners_t.append(at)
        corners.append(float(place))
        if place != places[-1]:
            rest = float(rng.uniform(0.1, 1.8))
            pauses.append((at, at + rest))
            at += rest
            corners_t.append(at)
            corners.append(float(place))
    share = np.interp(t, corners_t, corners)
    # where the hand lets go, within tolerance
    lands = to_m + float(rng.uniform(-0.4, 0.4)) * LIFT_TOLERANCE_M
    return from_m + share * (lands - from_m), begun, at, pauses


def _approach(rng: np.random.Generator, bench: OtherBench, wanted_m2: Floats, final_m2: float) -> tuple[Floats, float]:
    tau = slowest = bench.tau_s * float(np.exp(0.1 * rng.standard_normal()))
    lagged = _lagged(wanted_m2, tau)
    if bench.kind == "two lags":
        lagged = _lagged(lagged, tau * bench.second)
    elif bench.kind == "slow second stage":
        slowest = tau * (1.5 + 2 * bench.second)
        lagged = (1 - bench.share) * lagged + bench.share * _lagged(wanted_m2, slowest)
    elif bench.kind == "lag changing with flow":
        # a plenum fills the faster, the more flows: the lag follows the flow itself
        level, out = float(wanted_m2[0]), []
        gain = FINE_S / tau
        for target in wanted_m2[:6000].tolist():
            level += min(gain * (0.4 + 1.2 * level / final_m2), 0.5) * (target - level)
            out.append(level)
        lagged = np.concatenate([out, np.full(wanted_m2.size - len(out), wanted_m2[-1])])
    else:
        lagged = np.interp(np.arange(lagged.size) - 100 * bench.second * 0.4, np.arange(lagged.size), lagged)
    return np.asarray(lagged * final_m2 / wanted_m2[-1]), slowest


def _lagged(x: Floats, tau_s: float) -> Floats:
    f = float(np.exp(-FINE_S / tau_s))
    return np.asarray(x[0] + lfilter([1 - f], [1.0, -f], x - x[0]))


def _creep(rng: np.random.Generator, since_s: Floats) -> Floats:
    """What it still lacks: 0.4 to 2 % over 4 to 10 s, with the logarithm of time or straight."""
    size = log_uniform(rng, 0.004, 0.02) * float(rng.choice([-1, 1]))
    over = float(rng.uniform(4, 10))
    since = np.clip(since_s, 0.0, over)
    if rng.uniform() < 0.6:
        early = float(rng.uniform(0.5, 2.0))
        return np.asarray(size * (1 - np.log1p(since / early) / np.log1p(over / early)))
    return np.asarray(size * (1 - since / over))


def _brought_back(rng: np.random.Generator, t: Floats, arrived: float) -> tuple[Floats, list[tuple[float, float]]]:
    """The pressure over target: sags with the valve, then the operator's hand in one to three straight ramps."""
    sag = float(rng.uniform(0.03, 0.10))
    left = float(rng.uniform(-0.006, 0.006))
    begin = arrived + float(rng.uniform(-0.8, 0.6))
    corners_t, corners = [0.2, max(begin, 0.3)], [0.0, -sag]
    stops: list[tuple[float, float]] = []
    ramps = int(rng.integers(1, 4))
    for i in range(ramps):
        reach = left if i == ramps - 1 else corners[-1] * float(rng.uniform(0.25, 0.7))
        corners_t.append(corners_t[-1] + log_uniform(rng, 0.3, 4.0) / ramps)
        corners.append(reach)
        rest = float(rng.uniform(0.2, 2.0))
        if abs(reach) > 0.02:
            stops.append((corners_t[-1], corners_t[-1] + rest))
        corners_t.append(corners_t[-1] + rest)
        corners.append(reach)
    return 1 + np.interp(t, corners_t, corners), stops


def _limit_cycle(rng: np.random.Generator, t: Floats) -> Floats:
    """A controller at its stop: straight up and down, each leg of another length."""
    legs = np.cumsum(float(rng.uniform(1.0, 4.0)) * np.exp(0.15 * rng.standard_normal(300)))
    size = float(rng.uniform(0.002, 0.01))
    return np.asarray(np.interp(t, legs - rng.uniform(0, 4), size * (-1.0) ** np.arange(legs.size)))


def _turbulence(rng: np.random.Generator, bench: OtherBench, t: Floats) -> Floats:
    """Unit variance: two correlation times, heavy tails, bursts, and a weak line."""
    if t.size < 2:
        return np.zeros(t.size)
    step = float(np.median(np.diff(t)))
    fast, slow = (_coloured(rng, t.size, step / theta) for theta in (bench.theta_s, bench.slow_theta_s))
    bursts = np.exp(0.25 * _coloured(rng, t.size, step / 3.0) - 0.06)
    line = np.sqrt(2) * np.sin(2 * np.pi * (bench.line_hz * t + rng.uniform()) + 0.5 * _coloured(rng, t.size, step))
    return np.asarray((np.sqrt(0.7) * fast + np.sqrt(0.2) * slow) * bursts + np.sqrt(0.1) * line)


def _coloured(rng: np.random.Generator, n: int, steps: float) -> Floats:
    f = float(np.exp(-steps))
    shocks = rng.standard_t(5, n) * np.sqrt(0.6) * np.sqrt(1 - f * f)
    return np.asarray(lfilter([1.0], [1.0, -f], shocks, zi=np.array([f * rng.standard_normal()]))[0])


def _oracle_s(bench: OtherBench, noise: float, wanted: float) -> float:
    """From the long-run variance: a line averages out, the two others add."""
    seconds = 0.0
    for share, theta in ((0.7, bench.theta_s), (0.2, bench.slow_theta_s)):
        f = float(np.exp(-1 / (bench.rate_hz * theta)))
        seconds += share * noise**2 * (1 + f) / (1 - f) / bench.rate_hz
    seconds += (bench.pressure_noise / 2) ** 2 / bench.rate_hz
    return min(max(1.0, 1.959964**2 * seconds / wanted**2), 600.0)
