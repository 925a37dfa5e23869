"""What the screen shows in a pull is what is judged: the same numbers, from the same zeros."""

from acquire.daemon.frames import AlwaysThere, FrameMaker
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output
from tests.whole.test_pulls import LIFTS, request
from tests.whole.virtual import VirtualBench


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
