"""The files of config/: complete, and the demo's equal to what the simulation was drawn from."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

import sim
from acquire.config import BenchConfig, load_config, parse_config
from acquire.flow.model import FlowModel
from acquire.records import PullRequest
from acquire.units import INCH_M, to_si
from acquire.values import AirState, Direction
from drivers.sample import Press, Sample
from sim.bench import SimBench
from sim.build import STATED_CHANNELS, STATED_RANGES
from sim.scenario import EXACT, FAULTS, SHOP, Scenario

CONFIG = Path(sim.__file__).parent.parent / "config"


def demo() -> BenchConfig:
    text = (CONFIG / "demo.toml").read_text(encoding="utf-8")
    for name in ("front_end", "lift_indicator", "weather"):
        assert text.count("{" + name + "}") == 1
        text = text.replace("{" + name + "}", f"/dev/{name}")
    return parse_config(text, "config/demo.toml")


class Heard:
    """A simulated bench, read by the demo's own instruments."""

    def __init__(self, seed: int, scenario: Scenario) -> None:
        self.bench = SimBench(seed, scenario)
        self.instruments = {one.name: one for one in demo().make_instruments()}
        self.parsers = {name: one.parser() for name, one in self.instruments.items()}
        self.last: dict[str, float] = {}
        self.sources: set[str] = set()
        self.presses = 0

    def advance(self, seconds: float) -> None:
        for n in range(round(seconds * 20)):
            if n % 40 == 0:
                self.bench.write("weather", self.instruments["weather"].parser().ask())
            self.bench.advance(0.05)
            for name, data in self.bench.outputs().items():
                self._use(self.parsers[name].feed(data, round(self.bench.t_s * 1e6)))

    def _use(self, items: list[Sample | Press]) -> None:
        for item in items:
            if isinstance(item, Press):
                self.presses += 1
            else:
                self.last[item.channel] = item.value
                self.sources.add(item.source)


def test_the_demo_states_what_the_simulation_was_drawn_from() -> None:
    config = demo()
    assert set(config.meter.ranges) == set(STATED_RANGES)
    for name, stated in STATED_RANGES.items():
        assert config.meter.ranges[name].area_m2 == pytest.approx(stated.area_m2)
        assert config.meter.ranges[name].accuracy == pytest.approx(stated.accuracy)
    channels = {name: its for one in config.make_instruments() for name, its in one.settings.channels.items()}
    assert set(channels) == set(STATED_CHANNELS)
    for name, said in STATED_CHANNELS.items():
        assert channels[name].accuracy == said.accuracy
        assert channels[name].accuracy_percent_of_reading == said.accuracy_percent_of_reading
        assert channels[name].resolution == said.resolution


def test_no_simulated_leak_is_larger_than_the_demos_allowance() -> None:
    allowance_m2 = demo().leakage.allowance_area_m2
    leaks = [SimBench(seed).truth(side)["leakage_area_m2"] for seed in range(100) for side in ("intake", "exhaust")]
    assert 0.8 * allowance_m2 < max(leaks) <= allowance_m2


def test_every_value_of_the_demo_says_that_it_is_simulated() -> None:
    heard = Heard(1, SHOP)
    heard.advance(5.0)
    assert heard.sources == {"sim://front_end", "sim://lift_indicator", "sim://weather"}
    assert set(heard.last) == set(STATED_CHANNELS)


def test_the_demo_schedule_is_eight_steps_of_a_tenth_of_an_inch() -> None:
    lifts_in = [lift / INCH_M for lift in demo().schedules["eight steps"].lifts_m]
    assert lifts_in == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])


def test_the_demos_instruments_read_all_that_is_sent() -> None:
    heard = Heard(1, SHOP)
    heard.advance(20.0)
    heard.bench.press()
    heard.advance(1.0)
    boot_lines = 3
    assert heard.parsers["front_end"].counts.garbage_lines == boot_lines
    assert heard.parsers["front_end"].counts.good_lines > 900
    assert heard.parsers["lift_indicator"].counts.garbage_lines == 0
    assert heard.parsers["weather"].counts.garbage_lines == 0
    assert heard.presses == 1


def test_what_faults_spoil_is_discarded_and_counted() -> None:
    heard = Heard(1, FAULTS)
    heard.advance(150.0)
    front = heard.parsers["front_end"].counts
    assert (
        front.garbage_lines + front.out_of_range >= 1 + 3 * 3
    )  # the cut line, and three times boot text; a flipped bit may look like a good line
    lift, weather = heard.parsers["lift_indicator"].counts, heard.parsers["weather"].counts
    assert lift.garbage_lines + lift.out_of_range >= 1
    assert weather.garbage_lines >= 1


@pytest.mark.parametrize("meter_range", ["middle", "large"])
@pytest.mark.parametrize("direction", ["intake", "exhaust"])
@pytest.mark.parametrize("seed", range(3))
def test_the_tools_flow_model_finds_the_simulated_truth(seed: int, direction: Direction, meter_range: str) -> None:
    """Two codings of the same physics, from the bytes of a bench without errors: only digits are between them."""
    heard = Heard(seed, EXACT)
    lift_m = (0.15 if meter_range == "middle" else 0.5) * INCH_M
    wants: dict[str, object] = {
        "lift_m": lift_m,
        "test_pressure_pa": 6975.0,
        "direction": direction,
        "meter_range": meter_range,
    }
    heard.bench.follow(wants)
    heard.advance(60.0)
    assert heard.bench.true_now()["settled"]
    now = {name: to_si(heard.last[name], unit) for name, unit in UNITS.items()}
    room = AirState(now["room_pressure"], now["room_temperature"], now["room_humidity"])
    model = FlowModel(demo(), direction, meter_range, room, now["meter_temperature"])
    found = model.effective_area_m2(now["meter_pressure"], now["test_pressure"])
    truth = heard.bench.truth(direction, lift_m)
    assert found == pytest.approx(truth["effective_area_m2"] + truth["leakage_area_m2"], rel=1e-4)
    assert model.stated_flow_m3_s(truth["effective_area_m2"]) == pytest.approx(truth["flow_m3_s"], rel=5e-5)


UNITS = {
    "test_pressure": "inH2O",
    "meter_pressure": "inH2O",
    "room_pressure": "kPa",
    "room_temperature": "C",
    "room_humidity": "%RH",
    "meter_temperature": "C",
}


def test_the_example_of_a_real_bench_loads_and_reads_the_lines_it_names() -> None:
    path = CONFIG / "example_bench.toml"
    config = load_config(path)
    parsers = {one.name: one.parser() for one in config.make_instruments()}
    heard = [
        *parsers["front_end"].feed(b"\r\ndp=28.013 q=6.221\r\n", 1),
        *parsers["panel_meter"].feed(b"29.92 71.4 74.0\r\n", 1),
        *parsers["lift_indicator"].feed(b"01A+00000.2995\r", 1),
    ]
    values = {item.channel: item.value for item in heard if isinstance(item, Sample)}
    assert values == {
        "test_pressure": 28.013,
        "meter_pressure": 6.221,
        "room_pressure": 29.92,
        "room_temperature": 71.4,
        "meter_temperature": 74.0,
        "lift": 0.2995,
    }
    assert [item for item in heard if isinstance(item, Press)] == [Press("lift_indicator", 1)]
    for line in ("dp=28.013 q=6.221", "29.92 71.4 74.0", "01A+00000.2995"):
        assert line in path.read_text(encoding="utf-8")


def test_the_example_plan_is_a_request_that_the_demo_bench_can_run() -> None:
    data: dict[str, Any] = tomllib.loads((CONFIG / "plan_example.toml").read_text(encoding="utf-8"))
    request = PullRequest.model_validate(data, context={"text": True})
    assert request.meter_range in demo().meter.ranges
    assert request.lifts_m == pytest.approx(demo().schedules[request.schedule_name].lifts_m)
    assert len(request.steps()) == 8
