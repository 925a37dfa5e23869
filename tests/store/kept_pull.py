"""A whole simulated pull as the daemon keeps it: what came in, what was done, what came out, in order."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

from acquire import __version__
from acquire.bundled import read_bundled
from acquire.clock import ManualClock
from acquire.config import BenchConfig, parse_config
from acquire.daemon.recorder import Recorder
from acquire.demo.plan import demo_requests
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output
from acquire.pull.resuming import STATE
from acquire.records import Action, PullRequest
from acquire.store.archive import Archive
from acquire.units import INCH_M
from drivers.sample import Press, Sample
from tests.store.examples import UTC
from tests.whole.virtual import VirtualBench

Step = Callable[[Recorder, ManualClock, Callable[[Output], None]], None]


def config_text() -> str:
    """The demo's configuration on ports that are never opened."""
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    return text


class _Listening(VirtualBench):
    """Writes down what each tick brought, as the engine would hand it to its recorder."""

    def __init__(self, seed: int, config: BenchConfig) -> None:
        super().__init__(seed, config)
        self.steps: list[Step] = []

    def tick(self) -> tuple[list[Sample], list[Press]]:
        samples, presses = super().tick()
        t_us = self.t_us

        def came(recorder: Recorder, clock: ManualClock, said: Callable[[Output], None]) -> None:
            clock.advance((t_us - clock.t_us()) / 1e6)
            recorder.samples(samples)
            for press in presses:
                recorder.action(press.t_us, Action(kind="press", by=press.instrument))

        self.steps.append(came)
        return samples, presses

    def gave(self, _core: PullCore, outputs: list[Output]) -> None:
        def kept(recorder: Recorder, clock: ManualClock, said: Callable[[Output], None]) -> None:
            for output in outputs:
                recorder.output(output, lambda output=output: said(output))  # type: ignore[misc]
            recorder.flush_if_due()

        self.steps.append(kept)


@dataclass
class KeptPull:
    """One pull of the simulated bench, to be kept as often as wanted."""

    request: PullRequest
    text: str
    steps: list[Step] = field(default_factory=list)

    def begin(self, archive: Archive) -> tuple[int, int]:
        """The pull and its session in an archive: both numbers."""
        core = PullCore(parse_config(self.text, "demo.toml"), self.request, None)
        sources = dict.fromkeys(("test_pressure", "meter_pressure", "lift"), "sim://x")
        with archive.together():
            pull_id = archive.begin_pull(self.request, self.text, __version__, UTC, None, sources)
            state = STATE.dump_json(core.state()).decode()
            return pull_id, archive.open_session(pull_id, UTC, __version__, self.text, state, t_us=0)

    def keep(
        self, archive: Archive, said: Callable[[Output], None] = lambda output: None, whole: bool = True
    ) -> tuple[int, int]:
        """Keep it through the shipped recorder; ``said`` is called for what became durable. Both numbers."""
        pull_id, session_id = self.begin(archive)
        clock = ManualClock()
        recorder = Recorder(archive, pull_id, session_id, clock)
        for step in self.steps:
            step(recorder, clock, said)
        if whole:
            recorder.close()
        return pull_id, session_id


@cache
def kept_pull(lifts: int = 2, seed: int = 5) -> KeptPull:
    """A pull of a few lifts, 0.2 in apart."""
    text = config_text()
    config = parse_config(text, "demo.toml")
    request = demo_requests(config)[1].model_copy(
        update={"lifts_m": tuple(0.2 * (number + 1) * INCH_M for number in range(lifts))}
    )
    bench = _Listening(seed, config)
    bench.pull(request, each=bench.gave)
    return KeptPull(request, text, bench.steps)
