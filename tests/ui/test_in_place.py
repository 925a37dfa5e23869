"""A reading on the very edge of its tolerance is in place for the screen as it is for the judgement."""

from acquire.lifts import inside
from acquire.ui.look import lift_out
from acquire.units import INCH_M
from tests.ui.fake import SUMMARY, frame, pull_view


def test_a_reading_two_thousandths_off_is_at_the_step_when_two_are_allowed() -> None:
    off_m = 0.302 * INCH_M - 0.3 * INCH_M
    assert abs(off_m) > 0.002 * INCH_M  # what floating point says
    assert inside(off_m, 0.002 * INCH_M)
    assert not inside((0.1021 - 0.1) * INCH_M, 0.002 * INCH_M)
    out = lift_out(frame(pull=pull_view(2), lift_in=0.302, situation="hold_settling"), SUMMARY)
    assert out.word == "at the step"
