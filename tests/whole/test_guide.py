"""The sentence at the top, for situations that a virtual pull runs through and for missing signals."""

import pytest

from acquire.config import Display
from acquire.daemon.guide import Guidance
from acquire.daemon.silence import Silence
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output
from acquire.records import Action, Refused
from acquire.units import INCH_M
from tests.ui.fake import point as taken_point
from tests.whole.test_pulls import request
from tests.whole.virtual import VirtualBench, demo_config


def sentence(silence: Silence) -> str:
    config = demo_config()
    return Guidance(config.display, config.water).guide(PullCore(config, request()), silence, None).sentence


@pytest.mark.parametrize(
    ("silence", "said"),
    [
        (Silence("lift", 2.4, False), "Lift indicator silent for 2 s: check its cable."),
        (Silence("lift", None, False), "Lift indicator: no reading yet. Check its cable and port."),
        (
            Silence("test_pressure", 3.0, True, " is not there: plug the device in"),
            "Test pressure transducer is not there: plug the device in.",
        ),
        (
            Silence("meter_pressure", 3.0, False, "", True),
            "Stop the blower, fit a larger meter range: the pressure is beyond its transducer.",
        ),
    ],
)
def test_a_missing_signal_is_said_before_anything_else(silence: Silence, said: str) -> None:
    assert sentence(silence) == said


def test_without_a_pull_the_sentence_says_so() -> None:
    assert (
        Guidance(Display(), "conventional").guide(None, None, None).sentence == "No pull is running: begin a new one."
    )


def test_a_pull_is_led_from_zeros_to_steps_to_zeros_in_the_operators_units() -> None:
    run = VirtualBench(31).pull(request((0.2 * INCH_M,)))
    told = "\n".join(run.sentences)
    for part in (
        "Hold: reading the zeros.",
        "Open the valve to 0.200 in: 0.",
        "Raise the test pressure to 28.0 inH2O: ",
        "Stop the blower to read the zeros again: test pressure reads ",
        "Close the valve to read the zeros again: lift reads 0.",
        "Hold: reading the zeros again.",
    ):
        assert part in told
    assert all(told and told[-1] in ".!" and told[0].isupper() for told in run.sentences)


def test_what_could_not_be_taken_by_hand_is_not_said_any_more_once_the_valve_has_moved() -> None:
    bench = VirtualBench(33)
    guidance = Guidance(bench.config.display, bench.config.water)
    said: list[str] = []

    def each(core: PullCore, _outputs: list[Output]) -> None:
        if not said and "is above what" in core.fault and core.standing().state == "settling":
            with pytest.raises(Refused, match=r"Nothing taken: .* use range 'large'"):
                core.act(bench.t_us, Action(kind="take"))
            said.append(guidance.guide(core, None, None).sentence)
            bench.bench.hold({"lift_m": 0.0, "test_pressure_pa": 0.0})
        elif said and core.latest("lift") == pytest.approx(0.0, abs=0.002 * INCH_M):
            said.append(guidance.guide(core, None, None).sentence)
            core.act(bench.t_us, Action(kind="abort"))

    bench.pull(request((0.2 * INCH_M,), meter_range="middle"), each=each)
    assert said[0].startswith("Use range 'large': ")
    assert said[1].startswith("Open the valve to 0.200 in: ")


def test_metric_units_reach_the_sentence() -> None:
    config = demo_config(**{'lift = "in"': 'lift = "mm"', 'pressure = "inH2O"': 'pressure = "kPa"'})
    run = VirtualBench(32, config).pull(request((0.2 * INCH_M,)))
    told = "\n".join(run.sentences)
    assert "Open the valve to 5.08 mm: " in told
    assert "Raise the test pressure to 6.974 kPa: " in told


@pytest.mark.parametrize(
    ("flow_cfm", "half_cfm", "said"),
    [(121.7, 0.5, "121.7 cfm ± 0.5"), (2.23, 0.04, "2.23 cfm ± 0.04"), (2.2, 0.0, "2.2 cfm ± 0.0")],
)
def test_a_taken_point_has_the_digits_that_its_interval_needs(flow_cfm: float, half_cfm: float, said: str) -> None:
    point = taken_point(2, flow_cfm, half_cfm)
    assert Guidance(Display(), "conventional").taken(point) == f"Taken at 0.300 in: {said}."
