"""Every situation at the bench and the one sentence that says what to do in it."""

import math
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, get_args

import pytest

from acquire.config import Display, parse_config
from acquire.daemon.frames import FrameMaker
from acquire.daemon.guide import Guidance, Trend
from acquire.daemon.silence import Silence
from acquire.flow.meter_range import range_fault
from acquire.pull.core import PullCore
from acquire.pull.zeros import ZeroReader
from acquire.records import Action, Guide, Reading, Situation
from acquire.units import INCH_M
from acquire.values import Mark, Missing, Outcome, Phase, Point, Standing, Step, Zeros
from drivers.base import Counts, Instrument
from drivers.sample import Sample
from tests.ui.fake import point
from tests.whole.test_pulls import request
from tests.whole.virtual import demo_config, demo_text

IN, INH2O = INCH_M, 249.08891
CONFIG = demo_config()
STEP = Step(0.3 * IN, 28 * INH2O)
TAKEN = point(1, 121.7)
ZEROS = Zeros(0, 0.0, 0.0, 0.0)
OUT = Standing("moving", ("test pressure",))


@dataclass
class Stand:
    """As much of a pull as the sentence depends on; as it stands: held in place, judging."""

    phase: Phase = "steps"
    outcome: Outcome | None = None
    paused: bool = False
    lift_in: float | None = 0.3
    pressure_inh2o: float | None = 28.0
    meter_inh2o: float | None = 3.0
    standing_now: Standing = field(default_factory=lambda: Standing("settling", ("drift",), 4.2, 0.006, -0.008))
    zeros_outside: tuple[str, ...] = ()
    fault: str = ""
    lift_on_press: bool = False
    with_valve: bool = True
    marks: tuple[Mark, ...] = ()
    step: Step | None = STEP
    asked_kind: str = "lift"
    awaited: tuple[str, ...] = ()
    typed: tuple[str, ...] = ()
    typed_values: dict[str, float] = field(default_factory=dict)
    meter_range: str = "large"
    zero_lost: bool = False
    zero_restless: str = ""
    taken: int = 3
    of: int = 3
    zeros_after: Zeros | None = ZEROS
    config: Any = CONFIG
    settling: Any = CONFIG.settling

    @property
    def request(self) -> Any:
        return SimpleNamespace(kind=self.asked_kind, direction="intake")

    def latest(self, name: str) -> float | None:
        shown = {
            "lift": (self.lift_in, IN),
            "test_pressure": (self.pressure_inh2o, INH2O),
            "meter_pressure": (self.meter_inh2o, INH2O),
        }[name]
        return None if shown[0] is None else shown[0] * shown[1]

    def standing(self) -> Standing:
        return self.standing_now

    def typed_here(self, channel: str) -> float | None:
        return self.typed_values.get(channel)

    @property
    def points(self) -> tuple[Point, ...]:
        return (TAKEN,) * self.taken

    def view(self) -> Any:
        steps = [SimpleNamespace(points=(TAKEN,) if i < self.taken else ()) for i in range(self.of)]
        return SimpleNamespace(marks=self.marks, steps=steps, zeros_after=self.zeros_after)


def guide(
    its: Stand | None,
    silence: Silence | None = None,
    taken: Point | None = None,
    trend: float | None = None,
    at_rest: tuple[str, ...] = (),
) -> Guide:
    units = {"meter_pressure": "inH2O", "lift": "in", "test_pressure": "inH2O"}
    core: Any = its
    return Guidance(CONFIG.display, CONFIG.water, units).guide(core, silence, taken, lambda low, high: trend, at_rest)


def settling(missing: Missing, **changes: Any) -> Stand:
    return Stand(standing_now=Standing("settling", (missing,), **changes))


MARK = Mark("zero shift", "The lift zero moved by +0.02 mm during the pull; its limit is 0.015 mm.")
UNREAD = Mark("zero", "The zeros were not read again after the pull.")
OVER = range_fault(CONFIG, "middle", 17.2 * INH2O) or ""

TABLE: list[tuple[str, Guide, Situation, str]] = [
    ("idle", guide(None), "no_pull", "No pull is running: begin a new one."),
    ("idle, an instrument is silent", guide(None, Silence("lift", 12.4, False)), "signal_lost",
     "Lift indicator silent for 12 s: check its cable."),
    ("zeros, blower runs", guide(Stand("zero_before", pressure_inh2o=27.8, zeros_outside=("test_pressure",))),
     "stop_blower", "Stop the blower to read the zeros: test pressure reads 27.8 inH2O."),
    ("zeros, only the meter is off", guide(Stand("zero_before", meter_inh2o=0.42, zeros_outside=("meter_pressure",))),
     "stop_blower", "Stop the blower to read the zeros: meter pressure reads 0.4 inH2O, 0.3 inH2O at most."),
    ("zeros, valve open", guide(Stand("zero_before", lift_in=0.052, zeros_outside=("lift",))), "close_valve",
     "Close the valve to read the zeros: lift reads 0.052 in."),
    ("zeros, quiet", guide(Stand("zero_before")), "hold_zero", "Hold: reading the zeros."),
    ("zeros, one has not spoken since", guide(Stand("zero_before", lift_in=0.001, zeros_outside=("lift",))),
     "hold_zero", "Hold: reading the zeros."),
    ("zeros, the blower runs down", guide(Stand("zero_before", zero_restless="test_pressure")), "hold_zero",
     "Hold: reading the zeros, test pressure not yet still."),
    ("zeros again, a draught", guide(Stand("zero_after", zero_restless="meter_pressure")), "hold_zero",
     "Hold: reading the zeros again, meter pressure not yet still."),
    ("zeros again, blower runs", guide(Stand("zero_after", pressure_inh2o=27.8, zeros_outside=("test_pressure",))),
     "stop_blower", "Stop the blower to read the zeros again: test pressure reads 27.8 inH2O."),
    ("zeros again, quiet", guide(Stand("zero_after")), "hold_zero", "Hold: reading the zeros again."),
    ("valve too far closed", guide(Stand(lift_in=0.287)), "open_valve", "Open the valve to 0.300 in: 0.013 more."),
    ("valve too far open", guide(Stand(lift_in=0.4)), "close_down", "Close the valve to 0.300 in: 0.100 back."),
    ("pressure low", guide(Stand(pressure_inh2o=26.9, standing_now=OUT)), "raise_pressure",
     "Raise the test pressure to 28.0 inH2O: 1.1 more."),
    ("pressure low, not yet judged",
     guide(Stand(pressure_inh2o=26.9, standing_now=Standing("waiting", ("signal",)))), "raise_pressure",
     "Raise the test pressure to 28.0 inH2O: 1.1 more."),
    ("one reading of the pressure strays from a narrow band", guide(Stand(pressure_inh2o=28.6)), "hold_settling",
     "Hold: flow still settling, about 4 s."),
    ("pressure high", guide(Stand(pressure_inh2o=30.0, standing_now=OUT)), "lower_pressure",
     "Lower the test pressure to 28.0 inH2O: 2.0 less."),
    ("lift before pressure", guide(Stand(lift_in=0.2, pressure_inh2o=20.0)), "open_valve",
     "Open the valve to 0.300 in: 0.100 more."),
    ("plate to fit", guide(Stand(asked_kind="leakage", with_valve=False, step=Step(None, 10 * INH2O), lift_in=None,
                                 pressure_inh2o=0.0, standing_now=OUT)), "raise_pressure",
     "Fit the blank plate. Raise the test pressure to 10.0 inH2O: 10.0 more."),
    ("lift just came", guide(Stand(standing_now=Standing("moving", ("lift",)))), "hold_moving",
     "Hold: lift not yet still."),
    ("pressure just came", guide(Stand(standing_now=Standing("moving", ("test pressure",)))),
     "hold_moving", "Hold: test pressure not yet still."),
    ("pressure rests just inside its band, where it is not let in",
     guide(Stand(pressure_inh2o=28.53, standing_now=Standing("moving", ("test pressure",)))), "lower_pressure",
     "Lower the test pressure to 28.0 inH2O: 0.5 less."),
    ("lift not yet still, pressure at the edge of its band",
     guide(Stand(pressure_inh2o=27.45, standing_now=Standing("moving", ("lift", "test pressure")))), "raise_pressure",
     "Raise the test pressure to 28.0 inH2O: 0.6 more."),
    ("pressure goes to the edge of its band, where it still counts", guide(Stand(
        pressure_inh2o=28.53, standing_now=Standing("settling", ("drift",)))), "hold_settling",
     "Hold: flow still settling."),
    ("step just begun", guide(Stand(standing_now=Standing("waiting", ("signal",)))), "hold_moving",
     "Hold: waiting for readings."),
    ("flow settles", guide(Stand()), "hold_settling", "Hold: flow still settling, about 4 s."),
    ("flow settles, the end not in sight", guide(settling("drift", remaining_s=40.0)), "hold_settling",
     "Hold: flow still settling."),
    ("readings and the end not in sight", guide(Stand(standing_now=Standing("settling", ("readings", "drift"), 57.0))),
     "hold_settling", "Hold: collecting readings."),
    ("noisy", guide(settling("noise", remaining_s=9.0)), "hold_settling", "Hold: averaging unsteady flow, about 9 s."),
    ("noisy for long", guide(settling("noise", remaining_s=33.0)), "hold_settling",
     "Hold: averaging unsteady flow, about 35 s."),
    ("pressure moves in its band", guide(settling("hunting")), "hold_settling", "Hold: test pressure not yet still."),
    ("pressure falls", guide(settling("hunting"), None, None, -0.4 * INH2O / 60), "hold_settling",
     "Hold: test pressure still falling, 0.4 inH2O a minute."),
    ("pressure rises", guide(settling("hunting", remaining_s=3.0), None, None, 1.0), "hold_settling",
     "Hold: test pressure still rising, 0.2 inH2O a minute, about 3 s."),
    ("pressure falls by next to nothing", guide(settling("hunting"), None, None, -1e-4), "hold_settling",
     "Hold: test pressure not yet still."),
    ("pressure falls, but the flow is waited for", guide(settling("drift"), None, None, -1.0), "hold_settling",
     "Hold: flow still settling."),
    ("few readings", guide(settling("readings")), "hold_settling", "Hold: collecting readings."),
    ("settled, about to be taken", guide(Stand(standing_now=Standing("settled", (), 0.0, 0.003))), "hold_settling",
     "Hold: reading."),
    ("settled, lift comes with the button",
     guide(Stand(lift_on_press=True, standing_now=Standing("settled", (), 0.0, 0.003))), "hold_settling",
     "Set the lift to 0.300 in: steady, press the indicator's button."),
    ("settling, lift comes with the button", guide(Stand(lift_on_press=True, lift_in=0.2)), "hold_settling",
     "Set the lift to 0.300 in: flow still settling, about 4 s."),
    ("pressure low, lift comes with the button",
     guide(Stand(lift_on_press=True, lift_in=0.2, pressure_inh2o=20.0, standing_now=OUT)), "raise_pressure",
     "Set the lift to 0.300 in. Raise the test pressure to 28.0 inH2O: 8.0 more."),
    ("step begun, lift comes with the button",
     guide(Stand(lift_on_press=True, lift_in=0.2, standing_now=Standing("waiting", ("signal",)))), "hold_moving",
     "Set the lift to 0.300 in: waiting for readings."),
    ("frozen", guide(Stand(standing_now=Standing(
        "stuck", ("frozen",), detail="the flow reading has stopped changing: it looks frozen"))), "stuck",
     "The flow reading has stopped changing: check its instrument."),
    ("will not settle", guide(Stand(standing_now=Standing("stuck", ("hunting",)))), "stuck",
     "Not settling: test pressure not yet still."),
    ("too unsteady", guide(Stand(standing_now=Standing("stuck", ("noise",), 41.0))), "stuck",
     "Flow too unsteady: hold, it is taken as it is in about 41 s."),
    ("too unsteady, the longest wait is over", guide(Stand(standing_now=Standing("stuck", ("noise",), 0.0))), "stuck",
     "Flow too unsteady: hold, it is taken as it is."),
    ("readings too slow", guide(Stand(standing_now=Standing(
        "stuck", ("readings",), detail="readings come at 1 a second and may be old: check the cable"))), "stuck",
     "Not settling: readings come at 1 a second and may be old: check the cable."),
    ("taken, valve to open", guide(Stand(lift_in=0.2), None, TAKEN), "open_valve",
     "Taken. Open the valve to 0.300 in: 0.100 more."),
    ("taken, all in place", guide(Stand(), None, TAKEN), "taken", "Taken. Next 0.300 in."),
    ("range too small", guide(Stand(fault=OVER)), "wrong_range",
     "Use range 'large': 17.2 inH2O across the meter is above what range 'middle' is calibrated for "
     "(0.2 to 16 inH2O)."),
    ("a fault without a cure", guide(Stand(fault="there are no readings in the window")), "wrong_range",
     "There are no readings in the window."),
    ("silent", guide(Stand(), Silence("lift", 2.4, False)), "signal_lost",
     "Lift indicator silent for 2 s: check its cable."),
    ("never heard", guide(Stand(), Silence("test_pressure", None, False)), "signal_lost",
     "Test pressure transducer: no reading yet. Check its cable and port."),
    ("port gone", guide(Stand(), Silence("meter_pressure", 3.0, True, " is not there: plug the device in")),
     "signal_lost", "Meter pressure transducer is not there: plug the device in."),
    ("ports cannot be told apart", guide(Stand(), Silence("lift", 3.0, True, ": usb://0403:6001 is both: unplug one")),
     "signal_lost", "Lift indicator: usb://0403:6001 is both: unplug one."),
    ("set to millimetres", guide(Stand(), Silence("lift", 3.0, False, unreadable=True)), "signal_lost",
     "Lift indicator sends what cannot be read: check its units and its baud rate."),
    ("set to millimetres before a pull", guide(None, Silence("lift", None, False, unreadable=True)), "signal_lost",
     "Lift indicator sends what cannot be read: check its units and its baud rate."),
    ("over range", guide(Stand(), Silence("meter_pressure", 3.0, False, "", True)), "signal_lost",
     "Stop the blower, fit a larger meter range: the pressure is beyond its transducer."),
    ("over range, lift", guide(Stand(), Silence("lift", 3.0, False, "", True)), "signal_lost",
     "Lift is outside its instrument's range: bring it back; with the valve closed, zero the indicator."),
    ("room air unknown", guide(Stand(), Silence("room_humidity", None, False)), "signal_lost",
     "Room hygrometer: no reading yet. Check its cable and port."),
    ("paused", guide(Stand(paused=True, lift_in=0.0)), "paused", "Paused: nothing is taken until you go on."),
    ("zero of the lift lost", guide(Stand(zero_lost=True, paused=True)), "close_valve",
     "The lift indicator lost its zero: close the valve, zero it there, then go on."),
    ("zero of the lift lost, indicator silent", guide(Stand(zero_lost=True, paused=True), Silence("lift", 2.4, False)),
     "signal_lost", "Lift indicator silent for 2 s: check its cable."),
    ("zero of the lift lost, pressure silent",
     guide(Stand(zero_lost=True, paused=True), Silence("test_pressure", 2.4, False)), "close_valve",
     "The lift indicator lost its zero: close the valve, zero it there, then go on."),
    ("lift typed", guide(Stand(awaited=("lift",), typed=("lift",))), "type_value",
     "Set the valve to 0.300 in. Type the lift in inches, then Enter."),
    ("lift typed off the step", guide(Stand(awaited=("lift",), typed=("lift",), typed_values={"lift": 0.29 * IN})),
     "type_value", "Typed 0.290 in: set the valve to 0.300 in, then type the lift again."),
    ("pressure typed", guide(Stand(awaited=("test_pressure",), typed=("test_pressure",), pressure_inh2o=None)),
     "type_value", "Bring the test pressure to 28.0 inH2O. Type it in inH2O, then Enter."),
    ("pressure typed off the step", guide(Stand(awaited=("test_pressure",), typed=("test_pressure",),
                                                typed_values={"test_pressure": 26.0 * INH2O})),
     "type_value", "Typed 26.0 inH2O: bring it to 28.0 inH2O, then type the test pressure again."),
    ("zero typed, blower to stop", guide(Stand("zero_before", awaited=("test_pressure",), typed=("test_pressure",))),
     "type_value", "Stop the blower, type the zero of the test pressure in inH2O, then Enter."),
    ("zero typed again, valve to close", guide(Stand("zero_after", awaited=("lift",), typed=("lift",))), "type_value",
     "Close the valve, type the zero of the lift in inches again, then Enter."),
    ("plate to fit, pressure typed", guide(Stand(asked_kind="plate", with_valve=False, step=Step(None, 10 * INH2O),
                                                 awaited=("test_pressure",), typed=("test_pressure",))), "type_value",
     "Fit the reference plate. Bring the test pressure to 10.0 inH2O. Type it in inH2O, then Enter."),
    ("all typed, paused", guide(Stand(paused=True, awaited=("lift",), typed=("lift",))), "paused",
     "Paused: nothing is taken until you go on."),
    ("meter typed", guide(Stand(awaited=("meter_pressure",), typed=("meter_pressure",))), "type_value",
     "Type the meter pressure in inH2O, then Enter."),
    ("complete", guide(Stand("ended", "complete")), "ended", "Pull complete. Zeros and test pressure held."),
    ("complete, marked", guide(Stand("ended", "complete", marks=(MARK,))), "ended",
     f"Pull complete. 1 mark: {MARK.sentence}"),
    ("complete, steps left out", guide(Stand("ended", "complete", taken=6, of=8)), "ended",
     "Pull complete, 2 of 8 steps left out. Zeros and test pressure held."),
    ("complete, the zeros not read again, all still on",
     guide(Stand("ended", "complete", marks=(UNREAD,), zeros_after=None)), "ended",
     f"Pull complete. Stop the blower, close the valve. 1 mark: {UNREAD.sentence}"),
    ("complete, the zeros not read again, all off",
     guide(Stand("ended", "complete", marks=(UNREAD,), zeros_after=None), at_rest=("test_pressure", "lift")), "ended",
     f"Pull complete. 1 mark: {UNREAD.sentence}"),
    ("every step skipped", guide(Stand("ended", "complete", taken=0), at_rest=("lift",)), "ended",
     "Pull ended: nothing was taken."),
    ("aborted", guide(Stand("ended", "aborted")), "aborted",
     "Pull aborted: what was taken is kept. Stop the blower, close the valve."),
    ("aborted, blower stopped", guide(Stand("ended", "aborted"), at_rest=("test_pressure",)), "aborted",
     "Pull aborted: what was taken is kept. Close the valve."),
    ("aborted, all off", guide(Stand("ended", "aborted"), at_rest=("test_pressure", "lift")), "aborted",
     "Pull aborted: what was taken is kept."),
    ("aborted at once", guide(Stand("ended", "aborted", taken=0), at_rest=("test_pressure", "lift")), "aborted",
     "Pull aborted: nothing was taken."),
    ("aborted, no valve", guide(Stand("ended", "aborted", asked_kind="plate", with_valve=False)), "aborted",
     "Reference plate run aborted: what was taken is kept. Stop the blower."),
]  # fmt: skip


def test_after_an_abort_what_is_wanted_is_what_the_sentence_says() -> None:
    wants = guide(Stand("ended", "aborted")).wants
    assert (wants.test_pressure_pa, wants.lift_m) == (0.0, 0.0)


@pytest.mark.parametrize(("its", "situation", "said"), [row[1:] for row in TABLE], ids=[row[0] for row in TABLE])
def test_the_sentence_says_what_to_do(its: Guide, situation: Situation, said: str) -> None:
    assert (its.sentence, its.situation) == (said, situation)


def test_every_situation_and_every_reason_is_in_the_table() -> None:
    # a record that cannot be written is said by the frame, see below
    assert {row[2] for row in TABLE} | {"archive_failed"} == set(get_args(Situation))


@pytest.mark.parametrize("missing", get_args(Missing))
@pytest.mark.parametrize("state", ["waiting", "moving", "settling", "stuck"])
def test_no_state_of_the_judgement_leaves_the_operator_without_a_whole_sentence(state: Any, missing: Missing) -> None:
    its = guide(Stand(standing_now=Standing(state, (missing,), 3.0))).sentence
    assert its[0].isupper()
    assert its.endswith(".")
    assert ".." not in its
    assert len(its) > 10


def test_a_small_distance_is_never_said_to_be_none() -> None:
    close = replace_settling(lift_tolerance_m=0.0001 * IN)
    assert guide(Stand(lift_in=0.2997, settling=close)).sentence == "Open the valve to 0.300 in: 0.0003 more."


def replace_settling(**changes: Any) -> Any:
    return CONFIG.settling.model_copy(update=changes)


# ------------------------------------------------------------ what the frame knows besides


class Source:
    """An instrument's reader, as a frame sees it."""

    def __init__(self, instrument: Instrument, state: Any = "live") -> None:
        self.instrument = instrument
        self.state: Any = state
        self.sentence = ""
        self.counts = Counts()


def maker(**states: str) -> tuple[FrameMaker, dict[str, Sample]]:
    sources = [Source(i, states.get(i.name, "live")) for i in CONFIG.make_instruments()]
    now = {
        channel: Sample(channel, 10_000_000, 0.5, f"serial:///dev/{its.instrument.name}")
        for its in sources
        for channel in its.instrument.settings.channels
    }
    return FrameMaker(CONFIG, sources), now


def test_a_silent_instrument_is_said_before_a_pull_begins() -> None:
    frames, now = maker(lift_indicator="silent")
    assert frames.frame(17_000_000, now, None, None, None, "").guide.sentence == (
        "Lift indicator silent for 7 s: check its cable."
    )
    frames, now = maker(lift_indicator="opening")
    assert frames.frame(17_000_000, now, None, None, None, "").guide.situation == "no_pull"


def test_a_port_that_is_gone_is_said_by_the_instruments_name_not_the_ports() -> None:
    port = "/dev/serial/by-id/usb-FTDI_FT232R_USB_UART_A50285BI-if00-port0"
    text = demo_text().replace("/dev/lift_indicator", port)
    sources = [Source(its) for its in parse_config(text, "bench.toml").make_instruments()]
    lift = next(its for its in sources if its.instrument.name == "lift_indicator")
    frames = FrameMaker(CONFIG, sources)
    for sentence, said in (
        (f"lift_indicator: {port} is not there: plug the device in, or correct the port",
         "Lift indicator is not there: plug the device in, or correct the port."),
        ("lift_indicator: the computer's ports cannot be listed: unplug and plug in the device",
         "Lift indicator: the computer's ports cannot be listed: unplug and plug in the device."),
    ):  # fmt: skip
        lift.state, lift.sentence = "lost", sentence
        assert frames.frame(20_000_000, {}, None, None, None, "").guide.sentence == said


@pytest.mark.parametrize("in_pull", [False, True])
def test_an_indicator_that_sends_what_is_no_line_of_its_own_is_not_called_silent(in_pull: bool) -> None:
    frames, now = maker()
    lift = Source(next(its for its in CONFIG.make_instruments() if its.name == "lift_indicator"))
    frames._source_of["lift"] = lift
    core = PullCore(CONFIG, request()) if in_pull else None
    lift.counts.garbage_lines = 7

    def said(t_us: int, state: str) -> str:
        lift.state = state
        for channel in ("test_pressure", "meter_pressure"):
            now[channel] = Sample(channel, t_us, 0.0, now[channel].source)
        return frames.frame(t_us, now, core, None, None, "").guide.sentence

    # lines spoilt before it was last heard say nothing of now, nor does one that a plug spoils
    assert not said(10_100_000, "live").startswith("Lift")
    lift.counts.garbage_lines += 1
    assert said(13_000_000, "silent") == "Lift indicator silent for 3 s: check its cable."
    lift.counts.garbage_lines += 30
    assert said(13_000_000, "silent").startswith("Lift indicator sends what cannot be read")


def test_a_record_that_cannot_be_written_comes_before_everything() -> None:
    frames, now = maker(lift_indicator="lost")
    its = frames.frame(17_000_000, now, None, None, None, "The archive cannot be written: free some space.").guide
    assert (its.situation, its.sentence) == ("archive_failed", "The archive cannot be written: free some space.")


def trends(shown_inh2o: list[float], low: float = 27.44, high: float = 28.56) -> list[float | None]:
    """How the test pressure moved between two pressures, in inH2O a second, by what was shown every 50 ms."""
    frames, now = maker()
    said: list[float | None] = []
    keep = frames.guidance().guide

    def listen(core: Any, silence: Any, taken: Any, trend: Trend, at_rest: Any) -> Guide:
        its = trend(low * INH2O, high * INH2O)
        said.append(None if its is None else its / INH2O)
        return keep(core, silence, taken, trend, at_rest)

    frames.guidance().guide = listen  # type: ignore[method-assign, assignment]
    for n, pressure in enumerate(shown_inh2o):
        t_us = 10_000_000 + n * 50_000
        now["test_pressure"] = Sample("test_pressure", t_us, pressure, now["test_pressure"].source)
        frames.frame(t_us, now, None, None, None, "")
    return said


def test_the_trend_of_the_test_pressure_comes_from_what_was_shown() -> None:
    said = trends([28.0 - 0.1 * n * 0.05 for n in range(80)])
    assert said[0] is None
    assert said[-1] == pytest.approx(-0.1, rel=1e-6)


def test_a_pressure_that_was_just_brought_in_is_not_said_to_go_on_as_it_came() -> None:
    fell = [31.0 - 0.1 * n for n in range(40)]
    raised = [27.0 + 0.04 * n for n in range(20)]
    # in its band again for less than a second and a half: nothing is said of what it did before
    assert trends(fell + raised, 0.0, 99.0)[-1] == pytest.approx(-1.3, abs=0.1)
    assert trends(fell + raised)[-1] is None
    assert trends([*fell, *raised, *[27.8 + 0.005 * n for n in range(60)]])[-1] == pytest.approx(0.1, rel=0.02)


def test_a_pressure_that_swings_about_its_target_has_no_way_it_goes() -> None:
    assert trends([28.0 + 0.2 * math.sin(2 * math.pi * n * 0.05 / 1.5) for n in range(80)])[-1] is None
    assert trends([28.0] * 80)[-1] is None


def test_a_zero_that_creeps_is_named_until_it_stands_still() -> None:
    reader = ZeroReader(CONFIG.zero, with_lift=False)
    named = []
    for n in range(200):
        # near zero throughout: a blower that runs down for three seconds
        test_pa = max(0.0, 0.2 * INH2O * (1 - n / 150))
        zeros = [
            reader.push(n * 20_000, name, pa) for name, pa in (("meter_pressure", 0.0), ("test_pressure", test_pa))
        ]
        named.append(reader.restless)
        assert zeros == [None, None]
    assert named[0] == ""
    assert named[-1] == "test_pressure"
    reader.push(200 * 20_000, "test_pressure", INH2O)
    reader.push(200 * 20_000, "meter_pressure", 0.0)
    assert reader.restless == ""


def test_once_a_pull_was_aborted_its_sentence_asks_for_no_more_than_is_still_on() -> None:
    frames, now = maker()
    core = PullCore(CONFIG, request())
    core.act(0, Action(kind="abort"))

    def said(pressure_inh2o: float, lift_in: float, t_us: int = 10_100_000) -> str:
        now["test_pressure"] = Sample("test_pressure", 10_000_000, pressure_inh2o, now["test_pressure"].source)
        now["lift"] = Sample("lift", 10_000_000, lift_in, now["lift"].source)
        return frames.frame(t_us, now, core, 1, None, "").guide.sentence.partition(". ")[2]

    assert said(28.0, 0.3) == "Stop the blower, close the valve."
    assert said(0.01, 0.3) == "Close the valve."
    assert said(0.01, 0.001) == ""
    # what is not heard any more, or was typed once, is not known to be off
    assert said(0.01, 0.001, 30_000_000) == "Stop the blower, close the valve."
    typed = Reading(value=0.0, unit="m", age_s=1.0, state="live", source="typed", typed=True)
    assert frames._at_rest({"lift": typed}) == []
    assert frames._at_rest({"lift": typed.model_copy(update={"typed": False})}) == ["lift"]


def test_a_screen_is_told_the_band_that_counts_in_this_run() -> None:
    frames, now = maker()
    blank = request(kind="leakage", lifts_m=(), test_pressures_pa=(10 * INH2O,), meter_range="small")
    for asked, share in ((request(), 0.02), (blank, 0.005)):
        core = PullCore(CONFIG, asked)
        assert frames.frame(20_000_000, now, core, 1, None, "").guide.test_pressure_band_pa is None
        core.act(0, Action(kind="skip"))
        its = frames.frame(20_000_000, now, core, 1, None, "").guide.test_pressure_band_pa
        assert core.step is not None
        assert its == pytest.approx(share * core.step.test_pressure_pa)


def test_the_table_is_about_the_units_of_the_bench() -> None:
    metric = Guidance(Display(pressure="kPa", lift="mm"), "conventional")
    its: Any = Stand(lift_in=0.287)
    assert metric.guide(its, None, None).sentence == "Open the valve to 7.62 mm: 0.33 more."
    assert request().kind == "lift"
