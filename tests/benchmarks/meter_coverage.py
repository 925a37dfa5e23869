"""How often the stated 95 % interval holds the simulated truth, for every kind of meter.

``python -m tests.benchmarks.meter_coverage [--readings 2000] [--first 1] [--kinds plate ...]``

Each reading has a bench of its own: head, port, weather, leakage, turbulence
and every error are drawn anew, so that no two readings share anything. The
valve is at its lift and the pressure on when the stay begins; the bytes of the
instruments go through the shipped parsers, zeros, stabiliser and budget.

Errors are drawn from what is stated to the program: 95 % figures of
certificates and data sheets as normal, limits (shift of the zeros) as
rectangular, the leakage's law with its own standard uncertainty. The figure of
a transducer holds for a reading whose zero was subtracted.
"""

import argparse
import json
import math
import random
import statistics
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from acquire.basis import NO_BASIS
from acquire.bundled import read_bundled
from acquire.config import BenchConfig, parse_config
from acquire.flow.reading import Neighbour
from acquire.pull.signals import Measured, Signals
from acquire.pull.zeros import ZeroReader
from acquire.records import LeakageLaw
from acquire.stabiliser import Stabiliser
from acquire.units import INCH_M
from acquire.values import Direction, Step
from drivers.base import Parser
from drivers.sample import Sample
from sim.bench import SimBench
from sim.meters import METER_KINDS, large_range
from tests.benchmarks.choked import ChokedBench

KINDS = (*METER_KINDS, "critical_nozzle")
LIFTS_IN = (0.1, 0.2, 0.35, 0.5, 0.7)
LEAKAGE_REL = 0.015
_LONGEST_S = 90.0
_TICK_S = 0.02


@dataclass(frozen=True, slots=True)
class Case:
    """One reading beside the truth; ``ratio`` is error over half-width."""

    seed: int
    kind: str
    direction: Direction
    lift_in: float
    ratio: float
    error_rel: float
    half_width_rel: float
    seconds: float
    settled: bool


class Reading:
    """One bench, its parsers, and one reading on it."""

    def __init__(self, seed: int, kind: str, lift_in: float) -> None:
        draw = self._draw = random.Random(f"{seed}/{kind}/reading")
        self.seed, self.kind = seed, kind
        # a pump draws
        self.direction: Direction = "intake" if kind == "critical_nozzle" else draw.choice(("intake", "exhaust"))
        self.lift_in = lift_in
        choked = ChokedBench(seed, self.lift_in * INCH_M) if kind == "critical_nozzle" else None
        self.bench: SimBench = choked or SimBench(seed, meter=kind)  # type: ignore[arg-type]
        self.config = config_with(choked.lines if choked else large_range(self.bench.meter).lines)
        self._parsers: dict[str, Parser] = {one.name: one.parser() for one in self.config.make_instruments()}
        self._ask = next(one for one in self.config.make_instruments() if one.name == "weather").parser().ask()

    def take(self) -> Case:
        """Zeros, then the stay, then the flow."""
        config, reference = self.config, self.config.reference
        signals = Signals(config, self.direction, "large", None, NO_BASIS)
        step = Step(self.lift_in * INCH_M, reference.test_pressure_pa)
        self._read_zeros(signals)
        self._shift_zeros(config)
        self.bench.hold(
            {
                "lift_m": step.lift_m,
                "test_pressure_pa": step.test_pressure_pa,
                "direction": self.direction,
                "meter_range": "large",
            }
        )
        began_s = self.bench.t_s
        its = self._settled(signals, step)
        truth = self.bench.truth(
            self.direction,
            self.lift_in * INCH_M,
            reference.test_pressure_pa,
            reference.air_pressure_pa,
            reference.air_temperature_k,
            reference.air_humidity,
        )["flow_m3_s"]
        off, half = its[0].flow.flow_m3_s - truth, its[0].flow.half_width_95_m3_s
        return Case(
            self.seed,
            self.kind,
            self.direction,
            self.lift_in,
            off / half,
            off / truth,
            half / truth,
            self.bench.t_s - began_s,
            its[1],
        )

    def _tick(self) -> list[Sample]:
        if round(self.bench.t_s / _TICK_S) % 100 == 0:
            self.bench.write("weather", self._ask)
        self.bench.advance(_TICK_S)
        found: list[Sample] = []
        t_us = round(self.bench.t_s * 1e6)
        for name, data in self.bench.outputs().items():
            found += [item for item in self._parsers[name].feed(data, t_us) if isinstance(item, Sample)] if data else []
        return found

    def _read_zeros(self, signals: Signals) -> None:
        reader = ZeroReader(self.config.zero, with_lift=True)
        while signals.zeros is None:
            for sample in self._tick():
                value = signals.si(sample.channel, sample.value)
                if signals.take_in(sample.channel, sample.t_us, value) and signals.zeros is None:
                    signals.zeros = reader.push(sample.t_us, sample.channel, value)

    def _shift_zeros(self, config: BenchConfig) -> None:
        limits = {
            "test_pressure": config.zero.pressure_shift_limit_pa / 249.08891,
            "meter_pressure": config.zero.pressure_shift_limit_pa / 249.08891,
            "lift": config.zero.lift_shift_limit_m / INCH_M,
        }
        for channel, limit in limits.items():
            self.bench.shift_zero(channel, self._draw.uniform(-limit, limit))

    def _settled(self, signals: Signals, step: Step) -> tuple[Measured, bool]:
        settling = self.config.settling
        judge, aimed, began_s = Stabiliser(settling), False, self.bench.t_s
        while judge.capture() is None and self.bench.t_s - began_s < _LONGEST_S:
            for sample in self._tick():
                value = signals.si(sample.channel, sample.value)
                if not signals.take_in(sample.channel, sample.t_us, value):
                    continue
                value -= signals.zero(sample.channel)
                signals.keep(sample.channel, sample.t_us, value)
                if not aimed:
                    judge.aim(sample.t_us, step)
                    aimed = True
                if sample.channel == "test_pressure":
                    judge.push_pressure(sample.t_us, value)
                elif sample.channel == "lift":
                    judge.push_lift(sample.t_us, value)
                else:
                    flow = signals.flow(sample.t_us, value)
                    if flow is not None:
                        judge.push_flow(sample.t_us, *flow)
        capture = judge.capture() or judge.capture_now()
        if capture is None:
            raise RuntimeError(f"{self.kind}, seed {self.seed}: no reading in {_LONGEST_S:g} s, {judge.standing()}")
        band_pa = step.test_pressure_pa * settling.test_pressure_band
        return signals.measure(capture, step, band_pa, self._neighbour(), self._law(), None, True), capture.reached

    def _neighbour(self) -> Neighbour | None:
        below_in = max((lift for lift in LIFTS_IN if lift < self.lift_in), default=None)
        if below_in is None:
            return None
        return Neighbour(below_in * INCH_M, self.bench.built.ports[self.direction].area_m2(below_in * INCH_M))

    def _law(self) -> LeakageLaw:
        true_m2 = self.bench.built.leakage_m2[self.direction]
        return LeakageLaw(
            pull_id=1,
            direction=self.direction,
            measured_utc="2026-01-01T00:00:00+00:00",
            reference_pressure_pa=self.config.reference.test_pressure_pa,
            area_m2=true_m2 * (1.0 + self._draw.gauss(0.0, LEAKAGE_REL)),
            standard_uncertainty_m2=true_m2 * LEAKAGE_REL,
            dof=1e6,
        )


def config_with(large: str) -> BenchConfig:
    """The demo's configuration with another meter in its large range."""
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    head, rest = text.split("[meter.ranges.large]")
    text = f"{head}[meter.ranges.large]\n{large}\n[leakage]{rest.split('[leakage]', 1)[1]}"
    if "critical_nozzle" in large:
        text = text.replace("low = -20.0\nhigh = 20.0", "low = -400.0\nhigh = 400.0")
    return parse_config(text, "demo.toml")


def line(name: str, found: list[Case]) -> str:
    """One row of the table."""
    inside = sum(abs(case.ratio) <= 1 for case in found) / len(found)
    spread = 1.96 * math.sqrt(statistics.fmean(case.ratio**2 for case in found))
    bias = statistics.fmean(case.error_rel for case in found)
    error = statistics.stdev(case.error_rel for case in found) / math.sqrt(len(found))
    half = statistics.median(case.half_width_rel for case in found)
    cells = f"{len(found)} | {inside:.1%} | {spread:.2f} | {bias:+.3%} ± {error:.3%} | {half:.2%}"
    return f"| {name.replace('_', ' ')} | {cells} |"


def table(found: list[Case]) -> Iterable[str]:
    """The whole table."""
    yield "| meter, lift | readings | truth inside | spread (1 = as stated) | bias | median half-width |"
    yield "|---|---|---|---|---|---|"
    for kind in KINDS:
        its = [case for case in found if case.kind == kind]
        if len(its) > 1:
            yield line(kind, its)
    for lift_in in LIFTS_IN:
        its = [case for case in found if case.lift_in == lift_in]
        if len(its) > 1:
            yield line(f"{lift_in:.2f} in", its)
    yield line("all", found)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=2000)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--out", type=Path, help="every reading as a line of JSON, also when it is stopped half-way")
    parser.add_argument("--read", type=Path, help="the table of what --out has written")
    wanted = parser.parse_args()
    if wanted.read:
        lines = wanted.read.read_text(encoding="utf-8").splitlines()
        print("\n".join(table([Case(**json.loads(one)) for one in lines])))
        return
    start = time.perf_counter()
    found = []
    for number in range(wanted.readings):
        turn, which = divmod(number, len(wanted.kinds))
        kind, lift_in = wanted.kinds[which], LIFTS_IN[turn % len(LIFTS_IN)]
        # no two readings of any kind share a seed
        seed = (wanted.first + turn) * len(KINDS) + KINDS.index(kind)
        found.append(Reading(seed, kind, lift_in).take())
        if wanted.out:
            with wanted.out.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(asdict(found[-1])) + "\n")
    print("\n".join(table(found)))
    print(f"\n{len(found)} readings in {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
