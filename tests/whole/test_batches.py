"""However a session is cut into batches, the same comes out of it, to the last bit."""

from collections.abc import Iterator
from functools import lru_cache
from itertools import cycle

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from acquire.demo.plan import demo_requests
from acquire.pull.batch import Batch
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import Action, PullRequest
from acquire.units import INCH_M
from drivers.sample import Press, Sample
from sim.bench import SimBench
from sim.scenario import ROUGH
from tests.whole.virtual import VirtualBench, demo_config

Event = Sample | Action


class RecordingBench(VirtualBench):
    """Keeps what it sends, with the room's air in flickering digits between; pauses and asks again on the way."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed, bench=SimBench(seed, ROUGH))
        self.events: list[Event] = []

    def record(self, request: PullRequest) -> list[Event]:
        """All that came in during a pull, in order."""
        done: list[str] = []

        def each(core: PullCore, _outputs: list[Output]) -> None:
            kind = {0: "pause", 1: "go_on", 2: "retake"}.get(len(done))
            ready = core.points if kind == "retake" else core.phase == "steps" and core.latest("area")
            if kind is not None and ready and len(self.events) > 1000 + 300 * len(done):
                done.append(kind)
                action = Action.model_validate({"kind": kind})
                self.events.append(action)
                core.act(self.t_us, action)

        feed = self.tick

        def tick() -> tuple[list[Sample], list[Press]]:
            samples, presses = feed()
            digit = len(self.events) * 7919 % 3
            samples.append(Sample("room_temperature", self.t_us, 21.0 + digit / 100, "sim://weather"))
            # a change that stays: its first reading is doubted, the next one settles it
            humidity = 40.0 if len(self.events) // 1000 % 2 else 60.0
            samples.append(Sample("room_humidity", self.t_us, humidity, "sim://weather"))
            if len(self.events) % 500 < 5:
                # one spoilt reading, and a channel that nobody knows
                samples.append(Sample("room_temperature", self.t_us, 61.0, "sim://weather"))
                samples.append(Sample("oil_temperature", self.t_us + 5_000_000, 80.0, "sim://weather"))
            self.events += samples
            return samples, presses

        self.tick = tick  # type: ignore[method-assign]
        self.pull(request, each=each)
        assert done == ["pause", "go_on", "retake"]
        return self.events


@lru_cache
def recorded(kind: str) -> tuple[VirtualBench, PullRequest, list[Event], list[str]]:
    """A bench, a request, what came in, and what came out sample by sample."""
    bench = RecordingBench(41)
    blank, lift = demo_requests(bench.config)[:2]
    request = (
        blank.model_copy(update={"test_pressures_pa": blank.test_pressures_pa[:1]})
        if kind == "leakage"
        else lift.model_copy(update={"lifts_m": (0.2 * INCH_M,)})
    )
    events = bench.record(request)
    return bench, request, events, told(bench, request, events, cycle([(1, False)]))


def told(bench: VirtualBench, request: PullRequest, events: list[Event], cuts: Iterator[tuple[int, bool]]) -> list[str]:
    """All that a fresh pull says when the events come in such portions; and where it stood at the end."""
    core = PullCore(bench.config, request)
    said: list[Output] = []
    waiting: list[Sample] = []
    size, as_arrays = next(cuts)

    def hand_over() -> None:
        said.extend(core.batch(Batch.of(waiting)) if as_arrays else core.samples(waiting))
        waiting.clear()

    for event in events:
        if isinstance(event, Action):
            if waiting:
                hand_over()
            said += core.act(0, event)
            continue
        waiting.append(event)
        if len(waiting) >= size:
            hand_over()
            size, as_arrays = next(cuts)
    if waiting:
        hand_over()
    latest = [core.latest(name) for name in ("test_pressure", "meter_pressure", "lift", "area")]
    return [*map(repr, said), repr(core.view()), repr(core.standing()), repr(core.learned), repr(latest)]


sizes = st.one_of(st.integers(1, 4), st.integers(1, 300), st.integers(300, 6000))


@pytest.mark.parametrize("kind", ["lift", "leakage"])
# a smaller cut that fails would tell no more, and takes long to find
@settings(max_examples=8, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(cuts=st.lists(st.tuples(sizes, st.booleans()), min_size=1, max_size=30))
def test_any_cut_into_batches_gives_the_same_to_the_last_bit(kind: str, cuts: list[tuple[int, bool]]) -> None:
    bench, request, events, by_ones = recorded(kind)
    assert sum(said.startswith(Taken.__name__) for said in by_ones) == 2
    assert told(bench, request, events, cycle(cuts)) == by_ones


def test_samples_come_back_from_a_batch_as_they_went_in() -> None:
    samples = [Sample("lift", 5, 0.1, "a"), Sample("test_pressure", 6, -0.0, "a"), Sample("lift", 7, 0.3, "b")]
    batch = Batch.of(samples)
    assert batch.samples() == samples
    assert batch.part(1, 3).samples() == samples[1:]
    assert batch.places("lift").tolist() == [0, 2]


def at_first_step() -> PullCore:
    """A pull of a lift schedule whose zeros were left out, in known air."""
    core = PullCore(demo_config(), demo_requests(demo_config())[1])
    core.act(0, Action(kind="skip"))
    air = (("room_pressure", 99.3), ("room_temperature", 21.0), ("room_humidity", 40.0))
    core.samples([Sample(channel, 0, value, "sim://weather") for channel, value in air])
    return core


def steady(until_us: int) -> list[Sample]:
    """A bench that reads the same all the time, every 0.02 s."""
    return [
        Sample(channel, t_us, number, "sim://bench")
        for t_us in range(20_000, until_us, 20_000)
        for channel, number in (("test_pressure", 3.0), ("meter_pressure", 2.0), ("lift", 0.4))
    ]


@pytest.mark.parametrize("spoilt", ["first", "amid", "last"])
def test_a_spoilt_digit_of_the_air_counts_no_more_in_a_batch_than_by_itself(spoilt: str) -> None:
    samples = steady(400_000)
    wrong = Sample("room_temperature", 20_000, 61.0, "sim://weather")
    samples.insert({"first": 0, "amid": 30, "last": len(samples) - 1}[spoilt], wrong)
    by_ones, at_once, without = at_first_step(), at_first_step(), at_first_step()
    by_ones.samples(samples)
    at_once.batch(Batch.of(samples))
    without.batch(Batch.of([sample for sample in samples if sample is not wrong]))
    assert at_once.latest("area") == by_ones.latest("area") == without.latest("area") != 0.0


@pytest.mark.parametrize("jumped_us", range(1_000_000, 1_100_000, 20_000))
def test_a_lift_zero_that_is_lost_is_seen_in_a_batch_as_by_itself(jumped_us: int) -> None:
    # zeroed with the valve open, and turned on from there
    samples = [
        sample._replace(value=0.0 if sample.t_us < jumped_us + 100_000 else 0.05)
        if sample.channel == "lift" and sample.t_us >= jumped_us
        else sample
        for sample in steady(3_000_000)
    ]
    by_ones, at_once = at_first_step(), at_first_step()
    said = repr(by_ones.samples(samples))
    assert "lift zero lost" in said
    assert repr(at_once.batch(Batch.of(samples))) == said
    assert at_once.zero_lost


def test_the_flow_stays_when_the_air_has_moved_since() -> None:
    core = at_first_step()
    core.samples(steady(200_000))
    before = core.stated_flow_m3_s()
    core.samples([Sample("room_temperature", 200_000, 21.01, "sim://weather")])
    assert before is not None
    assert core.stated_flow_m3_s() == pytest.approx(before, rel=1e-4)
