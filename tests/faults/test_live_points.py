"""Faults that only a whole pull can show, one after the other, through the shipped reader and engine on real ports."""

import sys
from datetime import timedelta
from pathlib import Path

import pytest

from acquire.records import Action, Refused
from acquire.store.reader import ArchiveReader
from acquire.units import INCH_M
from tests.faults.live import LiveBench, LivePulls
from tests.faults.table import ROWS, told
from tests.faults.virtual import QUIET, own, wire
from tests.whole.test_pulls import request

SPEED = 16.0
HOUR_US = 3_600_000_000
LIFTS = tuple(lift * INCH_M for lift in (0.1, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45))
# so large a pressure at the plate that the instrument ends before the range does
PLATE = '"16 inH2O"\ncertificate = "demo 2"'


class FaultyPull(LivePulls):
    """One pull, its steps by number from 0."""

    def reads(self, step: int) -> None:
        """A reading of this step is under way."""
        pull = self.frame.pull
        assert pull is None or pull.now is None or pull.now <= step, "taken before it could be looked at"
        self.until(lambda: self.is_at(step) and self.frame.standing.state == "settling", f"step {step} is read")

    def is_at(self, step: int) -> bool:
        pull = self.frame.pull
        return pull is not None and pull.phase == "steps" and pull.now == step

    def takes(self, step: int) -> None:
        """This step is taken, and the truth lies in its interval."""
        self.until(lambda: len(self.points) > step, f"step {step} is taken")
        point = self.points[step]
        assert point.step == step
        assert point.step_lift_m == LIFTS[step]
        off_m3_s = point.flow.flow_m3_s - self.live.bench.truth("intake", LIFTS[step])["flow_m3_s"]
        assert abs(off_m3_s) <= point.flow.half_width_95_m3_s

    def lasts(self, step: int, seconds: float) -> None:
        """Whatever is wrong goes on for so long, and nothing is taken."""
        end_s = self.live.t_s + seconds
        self.until(lambda: self.live.t_s >= end_s, "it has lasted")
        assert len(self.points) == step

    def hears(self, *rows: str) -> None:
        """The operator reads what one of these rows of the table says, at the top of his screen."""
        reads = [ROWS[row].reads for row in rows]
        self.until(lambda: any(part in self.frame.guide.sentence for part in reads), f"it is said: {reads}")


def half_the_rate(pull: FaultyPull, step: int) -> None:
    pull.reads(step)
    wire("front_end", "half", for_s=1000.0)(pull.live.bench)
    said = pull.notices("front_end")
    pull.takes(step)
    pull.live.bench.wires["front_end"].mend()
    assert pull.notices("front_end") == said


def over_range(pull: FaultyPull, step: int) -> None:
    pull.until(lambda: pull.is_at(step), "the next step is wanted")
    pull.hears("over range")
    pull.lasts(step, 3.0)
    pull.live.bench.shift_zero("meter_pressure", 0.1)
    pull.hears("beyond range")
    pull.lasts(step, 3.0)
    pull.live.bench.shift_zero("meter_pressure", -0.1)
    pull.engine.act(Action(kind="range", meter_range="large"))
    pull.takes(step)
    assert pull.points[step].meter_range == "large"


def frozen(pull: FaultyPull, step: int) -> None:
    pull.reads(step)
    own("front_end", "freeze", for_s=1000.0)(pull.live.bench)
    pull.hears("frozen", "pressure frozen")  # the whole line is: whichever is seen first
    pull.lasts(step, 3.0)
    own("front_end", "freeze", for_s=0.0)(pull.live.bench)
    thawed_us = pull.clock.t_us()
    pull.takes(step)
    assert pull.points[step].capture.t_start_us > thawed_us - 500_000


def dripping(pull: FaultyPull, step: int) -> None:
    pull.reads(step)
    wire("front_end", "drip", by=40.0, for_s=10.0)(pull.live.bench)
    over_us = pull.clock.t_us() + 10_000_000
    pull.hears("drip")
    pull.takes(step)
    assert pull.points[step].capture.t_start_us > over_us - 500_000


def slept(pull: FaultyPull, step: int) -> None:
    pull.reads(step)
    pull.clock.slept_us += HOUR_US
    pull.takes(step)
    assert pull.points[step].capture.t_start_us > HOUR_US
    assert pull.points[step].t_us - pull.points[step - 1].t_us > HOUR_US


def wall_clock_set(pull: FaultyPull, step: int) -> None:
    pull.reads(step)
    begun_us, begun_s = pull.clock.t_us(), pull.live.t_s
    said = pull.notices("front_end") + pull.notices("lift_indicator")
    pull.clock.wall_set_by = -timedelta(hours=3)
    pull.takes(step)
    capture = pull.points[step].capture
    assert begun_us - 20_000_000 < capture.t_start_us < capture.t_end_us
    assert capture.t_end_us - begun_us <= (pull.live.t_s - begun_s) * 1e6
    assert pull.notices("front_end") + pull.notices("lift_indicator") == said


def zeroed(pull: FaultyPull, step: int) -> None:
    bench = pull.live.bench
    pull.reads(step)
    wire("lift_indicator", "rezero")(bench)
    pull.hears("zeroed")
    pull.until(lambda: bench.operator.lift_m < 5e-5, "the valve is closed")
    assert len(pull.points) == step
    bench.wires["lift_indicator"].mend()

    def goes_on() -> bool:
        try:
            pull.engine.act(Action(kind="go_on"))
        except Refused:
            return False
        return True

    pull.until(goes_on, "the zero is found again")
    pull.takes(step)


FAULTS = (half_the_rate, over_range, frozen, dripping, slept, wall_clock_set, zeroed)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_pull_through_every_fault_of_its_readings_goes_on_and_takes_no_wrong_point(tmp_path: Path) -> None:
    live = LiveBench(5, tmp_path, SPEED, QUIET)
    text = live.config_text
    assert PLATE in text
    archive = tmp_path / "archive.db"
    with FaultyPull(live, text.replace(PLATE, PLATE.replace("16", "40")), archive) as pull:
        pull_id = pull.engine.begin(request(LIFTS, meter_range="middle"))
        for step, fault in enumerate(FAULTS):
            fault(pull, step)
        pull.until(lambda: any(event.kind == "ended" for event in pull.events), "the pull has ended")
    with ArchiveReader(archive) as reader:
        kept = reader.pull(pull_id)
    told("beyond range", pull.said)
    assert kept.outcome == "complete"
    assert [point.step_lift_m for point in kept.points] == list(LIFTS)
