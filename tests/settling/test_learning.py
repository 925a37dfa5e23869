"""What one recorded step shows of a bench, and what is gained by it."""

import numpy as np
import pytest

from acquire.config import Settling
from acquire.response import BenchResponse, Mode
from acquire.stabiliser import Stabiliser
from acquire.values import Step
from tests.settling.learning import StepRecord, learn_response
from tests.settling.signals import AREA_M2, LIFT_M, TARGET_PA


def step_of(tau_s: float, seconds: float = 25.0, rate_hz: float = 50.0) -> StepRecord:
    """A lift that rises in a second, and a plain lag behind it."""
    rng = np.random.default_rng(6)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    t_us = np.round(t * 1e6).astype(int).tolist()
    lift = LIFT_M * np.minimum(t, 1.0)
    share = np.where(t < 1, t - tau_s * (1 - np.exp(-t / tau_s)), 0.0)
    at_rest = 1 - tau_s * (1 - np.exp(-1 / tau_s))
    share = np.where(t >= 1, 1 - (1 - at_rest) * np.exp(-(t - 1) / tau_s), share)
    area = (AREA_M2 * (0.2 + 0.8 * share) * (1 + 0.001 * rng.standard_normal(t.size))).tolist()
    pressure = (TARGET_PA * (1 + 0.0005 * rng.standard_normal(t.size))).tolist()
    return StepRecord(
        Step(LIFT_M, TARGET_PA), t_us[::5], lift.tolist()[::5], t_us, pressure, t_us, area, [100 * a for a in area]
    )


@pytest.mark.parametrize("tau_s", [0.5, 1.5])
def test_one_step_shows_the_time_constant_and_the_noise(tau_s: float) -> None:
    learned = learn_response(step_of(tau_s), Settling())
    plain = [mode for mode in learned.modes if mode.damping is None]
    assert max(plain, key=lambda mode: mode.share).time_constant_s == pytest.approx(tau_s, rel=0.3)
    assert learned.noise is not None
    # white noise of 0.1 % in means of five samples
    assert np.sqrt(learned.noise.variance_rel) == pytest.approx(0.001 / np.sqrt(5), rel=0.35)


def test_the_same_step_teaches_the_same_to_the_last_bit() -> None:
    assert repr(learn_response(step_of(0.5), Settling())) == repr(learn_response(step_of(0.5), Settling()))


def test_a_step_that_never_settles_teaches_nothing_and_says_so() -> None:
    with pytest.raises(ValueError, match="did not settle"):
        learn_response(step_of(0.5, seconds=2.0), Settling())


def test_a_response_of_another_grid_is_still_understood() -> None:
    # a damping and a time constant that the grid does not have, and no word about the pressure
    kept = BenchResponse(
        modes=(Mode(time_constant_s=0.777, damping=0.63, share=2.0), Mode(time_constant_s=9.0, share=1.0))
    )
    again = Stabiliser(Settling(), kept).learned
    assert [mode.damping for mode in again.modes] == [None, pytest.approx(0.63, abs=0.08)]
    assert again.time_constant_s == pytest.approx(0.777, rel=0.15)
    assert Stabiliser(Settling(), BenchResponse(modes=())).learned.time_constant_s > 0
