"""One cause at a time: what must never be taken, and what must."""

import math

from acquire.series import t_factor
from tests.settling.signals import AREA_M2, arrival, play


def test_a_steady_reading_is_taken_soon_after_the_valve_has_come_to_rest() -> None:
    played = play(30, lift=arrival(1.0), noise=0.001)
    assert played.capture is not None
    assert played.captured_s is not None
    assert 3.0 <= played.captured_s <= 8.0
    assert played.capture.reached
    half = t_factor(played.capture.dof) * played.capture.standard_uncertainty_m2
    assert abs(played.capture.area_m2 - AREA_M2) <= half <= 0.003 * AREA_M2


def test_nothing_is_taken_while_the_lift_is_short_of_the_step() -> None:
    played = play(20, lift=lambda t: 0.9)
    assert played.capture is None
    assert "lift" in played.missing()


def test_nothing_is_taken_while_the_valve_moves() -> None:
    played = play(20, lift=lambda t: 0.5 + 0.05 * t if t < 10 else 1.0)
    assert played.captured_s is not None
    assert played.captured_s >= 12.0


def test_nothing_is_taken_while_the_pressure_pauses_short_of_its_band() -> None:
    played = play(20, pressure=lambda t: 0.97 if t < 10 else 1.0)
    assert played.captured_s is not None
    assert played.captured_s > 10.0
    assert "test pressure" in played.missing()


def test_a_frozen_flow_reading_is_never_taken() -> None:
    played = play(40, lift=arrival(1.0), flow=lambda t: 0.9, noise=0.0)
    assert played.capture is None
    assert "frozen" in played.missing()
    assert played.standings[-1][1].state == "stuck"


def test_a_slow_approach_is_not_taken_on_its_way() -> None:
    played = play(60, lift=arrival(1.0), flow=lambda t: 1 - 0.15 * math.exp(-max(t - 1.0, 0.0) / 3.0))
    assert played.capture is not None
    assert abs(played.capture.area_m2 / AREA_M2 - 1) < 0.003


def test_a_reading_too_unsteady_is_taken_at_the_longest_wait_and_says_so() -> None:
    played = play(80, lift=arrival(1.0), noise=0.05, correlation_s=0.3)
    assert played.capture is not None
    assert played.captured_s is not None
    assert not played.capture.reached
    assert "too unsteady for 0.3 % in 60 s: taken with" in played.capture.reason
    assert 60 <= played.captured_s <= 63


def test_a_reading_taken_by_hand_is_the_best_available_with_an_honest_interval() -> None:
    played = play(2.0, lift=arrival(1.0), noise=0.004)
    assert played.capture is None
    taken = played.stabiliser.capture_now()
    assert taken is not None
    assert not taken.reached
    assert abs(taken.area_m2 - AREA_M2) <= t_factor(taken.dof) * taken.standard_uncertainty_m2


def test_there_is_nothing_to_take_by_hand_without_any_flow() -> None:
    assert play(0.0).stabiliser.capture_now() is None


def test_a_move_after_the_capture_withdraws_it() -> None:
    played = play(30, lift=lambda t: 0.8 if t < 1 or t > 20 else 1.0, stop_at_capture=False)
    assert played.capture is not None
    assert played.stabiliser.capture() is None
    assert played.stabiliser.standing().state == "moving"
