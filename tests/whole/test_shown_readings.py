"""What the screen shows in a pull is what is judged: the same numbers, from the same zeros."""

import pytest

from acquire.daemon.calm import Remedy
from acquire.daemon.frames import AlwaysThere, FrameMaker
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import Action
from tests.whole.test_pulls import LIFTS, request
from tests.whole.virtual import VirtualBench


def test_a_signal_is_only_called_out_of_range_where_what_came_since_its_last_reading_was() -> None:
    bench = VirtualBench(4)
    sources = [AlwaysThere(its) for its in bench.config.make_instruments()]
    frames = FrameMaker(bench.config, sources)
    counts = next(its.counts for its in sources if "meter_pressure" in its.instrument.settings.channels)
    said: list[bool] = []

    def each(core: PullCore, _: list[Output]) -> None:
        if core.phase != "steps" or said:
            return

        def outside(later_us: int) -> bool:
            silence = frames._silence(
                core, frames.frame(bench.t_us + later_us, bench._latest, core, 1, None, "").readings
            )
            return silence is not None and silence.outside

        counts.out_of_range += 1  # long over: readings came after it
        said.append(outside(0))
        said.append(outside(3_000_000))
        counts.out_of_range += 1
        said.append(outside(3_000_000))

    bench.pull(request(LIFTS[:1]), each=each)
    assert said == [False, False, True]


def test_shown_readings_are_those_of_the_judgement_from_their_zeros_on() -> None:
    bench = VirtualBench(4)
    frames = FrameMaker(bench.config, [*map(AlwaysThere, bench.config.make_instruments())])
    compared: set[str] = set()

    def each(core: PullCore, _: list[Output]) -> None:
        zeros = core.view().zeros_before
        if zeros is None or core.phase != "steps" or bench.t_us < zeros.t_us + 1_000_000:
            return  # (what came in before the zeros were known is not corrected afterwards)
        frame = frames.frame(bench.t_us, bench._latest, core, 1, None, "")
        for channel in ("lift", "test_pressure", "meter_pressure"):
            judged, shown = core.latest(channel), frame.readings[channel].value
            if judged is None or shown is None:
                continue
            assert abs(shown - judged) < 1e-9
            zero = zeros.lift_m if channel == "lift" else getattr(zeros, f"{channel}_pa")
            if zero != 0.0:
                compared.add(channel)

    bench.pull(request(LIFTS[:2]), each=each)
    assert compared == {"lift", "test_pressure", "meter_pressure"}


def test_a_flow_is_shown_only_where_a_test_pressure_carries_one_and_only_of_now() -> None:
    bench = VirtualBench(4)
    frames = FrameMaker(bench.config, [*map(AlwaysThere, bench.config.make_instruments())])
    shown: list[float] = []
    dashes: set[tuple[str, str]] = set()

    def each(core: PullCore, _: list[Output]) -> None:
        frame = frames.frame(bench.t_us, bench._latest, core, 1, None, "")
        if frame.flow_m3_s is None:
            dashes.add((core.phase, frame.no_flow))
        else:
            shown.append(frame.flow_m3_s)

    points = bench.pull(request(LIFTS[:1]), each=each).points
    # nothing from draughts about zero pressure, nor the last flow during the zeros that are read again
    assert {("steps", "no pressure"), ("zero_before", ""), ("zero_after", "")} <= dashes
    taken = points[0].flow.flow_m3_s
    assert min(shown) > 0.5 * taken
    assert max(shown) < 1.5 * taken


def test_a_point_is_acknowledged_until_the_operator_goes_to_another_step() -> None:
    bench = VirtualBench(4)
    frames = FrameMaker(bench.config, [*map(AlwaysThere, bench.config.make_instruments())])
    said: list[str] = []

    def each(core: PullCore, outputs: list[Output]) -> None:
        point = next((its.point for its in outputs if isinstance(its, Taken)), None)
        if point is None or said:
            return

        def sentence() -> str:
            return frames.frame(bench.t_us, bench._latest, core, 1, (bench.t_us, point), "").guide.sentence

        said.append(sentence())
        core.act(bench.t_us, Action(kind="skip"))
        said.append(sentence())
        core.act(bench.t_us, Action(kind="abort"))

    bench.pull(request(LIFTS[:3]), each=each)
    assert said[0].startswith("Taken. Open the valve to 0.300 in")
    assert said[1].startswith("Open the valve to 0.600 in")


SMALL = "Use range 'small': 0.04 inH2O across the meter is below what range 'large' is calibrated for."
SMALLER = SMALL.replace("0.04", "0.03")
NONE_FITS = SMALL.replace("Use range 'small'", "No configured range fits this flow")


def test_a_remedy_does_not_flicker_with_the_reading_that_it_comes_from() -> None:
    remedy = Remedy()
    said = [remedy.said(i * 100_000, NONE_FITS if i % 3 == 0 else SMALL) for i in range(60)]
    assert set(said[1:]) == {SMALL}
    # the figure in it is one of now, and what goes on being so is said
    assert remedy.said(6_000_000, SMALLER) == SMALLER
    assert [remedy.said(7_000_000 + 500_000 * i, NONE_FITS) for i in range(6)] == [SMALLER] * 4 + [NONE_FITS] * 2
    remedy.over()
    assert remedy.said(10_000_000, SMALL) == SMALL


def test_the_sentence_of_a_frame_keeps_to_its_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = VirtualBench(4)
    frames = FrameMaker(bench.config, [*map(AlwaysThere, bench.config.make_instruments())])
    said: list[str] = []

    def each(core: PullCore, _: list[Output]) -> None:
        if core.phase != "steps":
            return
        for cure in ("use range 'small'", "no configured range fits this flow"):
            fault = f"0.04 inH2O across the meter is below what range 'large' is calibrated for: {cure}"
            monkeypatch.setattr(PullCore, "fault", fault)
            said.append(frames.frame(bench.t_us, bench._latest, core, 1, None, "").guide.sentence)
        core.act(bench.t_us, Action(kind="abort"))

    bench.pull(request(LIFTS[:1]), each=each)
    assert said == [SMALL, SMALL]
