"""Whole pulls in virtual time: simulated bytes, shipped parsers, shipped pull code.

No threads and no ports: what is skipped is only the wire and the archive.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from acquire.basis import NO_BASIS, Basis
from acquire.bundled import read_bundled
from acquire.config import BenchConfig, parse_config
from acquire.daemon.entries import number_typed
from acquire.daemon.frames import typed_units
from acquire.daemon.guide import Guidance
from acquire.leakage.run import fit_law
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import Action, LeakageLaw, PullRequest
from acquire.scaling import scale_for
from acquire.values import Direction, Point
from drivers.sample import Press, Sample
from drivers.typed import Typed
from sim.bench import SimBench
from tests.whole.typist import Typist

TICK_S = 0.02
WEATHER_EVERY_S = 2.0


def demo_text() -> str:
    """The demo's configuration with ports that are never opened."""
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    return text


def demo_config(**changes: str) -> BenchConfig:
    """The demo's configuration; ``changes`` replace text in it."""
    text = demo_text()
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    return parse_config(text, "demo.toml")


@dataclass
class Run:
    """What came out of one pull, and the bench's truth at each taking."""

    points: list[Point] = field(default_factory=list)
    truth_at_taking: list[dict[str, Any]] = field(default_factory=list)
    outputs: list[Output] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)
    seconds: float = 0.0


def law_of(request: PullRequest, run: Run) -> LeakageLaw:
    """The law of a blank-plate run that was made."""
    return fit_law(1, request.direction, "2026-01-01T00:00:00+00:00", run.points)


class VirtualBench:
    """One simulated bench, its instruments' parsers, and pulls on it."""

    def __init__(self, seed: int, config: BenchConfig | None = None, bench: SimBench | None = None) -> None:
        self.config = config or demo_config()
        self.bench = bench or SimBench(seed)
        self._instruments = {i.name: i for i in self.config.make_instruments()}
        self._parsers = {name: i.parser() for name, i in self._instruments.items() if not i.typed}
        self._typist = Typist(self.bench, [i for i in self._instruments.values() if isinstance(i, Typed)], seed)
        self.entries: list[tuple[str, str]] = []
        units = typed_units(list(self._instruments.values()))
        self._guidance = Guidance(self.config.display, self.config.water, units)
        self._asked_s = -WEATHER_EVERY_S
        self._latest: dict[str, Sample] = {}

    @property
    def t_us(self) -> int:
        return round(self.bench.t_s * 1e6)

    def tick(self) -> tuple[list[Sample], list[Press]]:
        """Let one tick pass; what the instruments sent in it."""
        if self.bench.t_s - self._asked_s >= WEATHER_EVERY_S:
            self._asked_s = self.bench.t_s
            self.bench.write("weather", self._instruments["weather"].parser().ask())
        self.bench.advance(TICK_S)
        self._typist.look(TICK_S)
        samples: list[Sample] = []
        presses: list[Press] = []
        for name, data in self.bench.outputs().items():
            for item in self._parsers[name].feed(data, self.t_us) if data and name in self._parsers else []:
                if isinstance(item, Press):
                    presses.append(item)
                else:
                    samples.append(item)
                    self._latest[item.channel] = item
        return samples, presses

    def pull(
        self,
        request: PullRequest,
        leakage: LeakageLaw | None = None,
        limit_s: float = 1200.0,
        each: Callable[[PullCore, list[Output]], None] | None = None,
        basis: Basis = NO_BASIS,
    ) -> Run:
        """Run one pull to its end; fails the test when it does not end in time."""
        core = PullCore(self.config, request, leakage, basis=basis)
        known = sorted(self._latest.values(), key=lambda sample: sample.t_us)
        core.samples(known)
        run, start_s, told = Run(), self.bench.t_s, None
        ticks = 0
        while core.outcome is None:
            assert self.bench.t_s - start_s < limit_s, self._guidance.guide(core, None, None).sentence
            if ticks % 5 == 0:
                guide = self._guidance.guide(core, None, None)
                wants = guide.wants.model_dump()
                if wants != told:
                    self.bench.follow(wants)
                    told = wants
                if guide.sentence not in run.sentences[-1:]:
                    run.sentences.append(guide.sentence)
            ticks += 1
            samples, presses = self.tick()
            outputs = core.samples(samples)
            for press in presses:
                outputs += core.act(press.t_us, Action(kind="press", by=press.instrument))
            wanted = core.asked if core.awaited or core.fault else ""
            outputs += self.type(core, self._typist.says(wanted, (core.phase, core.step, core.fault)))
            if each is not None:
                each(core, outputs)
            for output in outputs:
                run.outputs.append(output)
                if isinstance(output, Taken):
                    run.points.append(output.point)
                    run.truth_at_taking.append(self.bench.true_now())
        run.seconds = self.bench.t_s - start_s
        return run

    def type(self, core: PullCore, entry: tuple[str, str] | None) -> list[Output]:
        """Type a text for a channel, as the engine takes it in."""
        if entry is None:
            return []
        channel, text = entry
        its = next(i for i in self._instruments.values() if isinstance(i, Typed) and channel in i.settings.channels)
        settings = its.settings.channels[channel]
        number = number_typed(channel, text, settings, self.config.water)
        core.check_typed(channel, scale_for(settings, self.config.water).si(number))
        self.entries.append(entry)
        return core.samples([its.sample(channel, self.t_us, number)])

    def leakage(self, request: PullRequest) -> LeakageLaw:
        """Run a blank-plate run and fit its law."""
        return law_of(request, self.pull(request))

    def truth_m3_s(self, direction: Direction, lift_m: float) -> float:
        """The true stated flow at a lift, at the configuration's reference."""
        reference = self.config.reference
        truth = self.bench.truth(
            direction,
            lift_m,
            reference.test_pressure_pa,
            reference.air_pressure_pa,
            reference.air_temperature_k,
            reference.air_humidity,
        )
        return truth["flow_m3_s"]
