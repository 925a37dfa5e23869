"""Did the test pressure hold?"""

import numpy as np
import pytest

from acquire.hold import judge_hold

T_US = np.arange(0, 3_000_000, 20_000)


def test_a_pressure_inside_its_band_held() -> None:
    hold = judge_hold(T_US, 7000 + 20 * np.sin(T_US / 1e6), 7000, 140)
    assert hold.held
    assert hold.n == 150
    assert hold.inside_share == 1.0


def test_a_mean_outside_the_band_did_not_hold_and_the_reason_says_which_way() -> None:
    hold = judge_hold(T_US, np.full(T_US.size, 6850.0), 7000, 140)
    assert not hold.held
    assert hold.reason == "the mean lay below target by 150 Pa, the band is 140 Pa"
    assert hold.deviation_pa == pytest.approx(-150)


def test_a_pressure_that_runs_out_of_the_band_did_not_hold() -> None:
    hold = judge_hold(T_US, 7000 + 100 * T_US / 1e6, 7000, 200)
    assert not hold.held
    assert "rose by 298 Pa" in hold.reason
    assert hold.slope_pa_per_s == pytest.approx(100)


def test_swings_out_of_the_band_are_counted() -> None:
    hold = judge_hold(T_US, 7000 + 200 * np.sin(2 * np.pi * T_US / 1e6), 7000, 140)
    assert not hold.held
    assert hold.inside_share == pytest.approx(0.5, abs=0.05)
    assert abs(hold.largest_excursion_pa) == pytest.approx(200, rel=0.01)


def test_one_stray_sample_in_a_hundred_and_fifty_is_shown_but_does_not_break_the_hold() -> None:
    pressure = np.full(T_US.size, 7000.0)
    pressure[70] = 7500.0
    hold = judge_hold(T_US, pressure, 7000, 140)
    assert hold.held
    assert hold.largest_excursion_pa == 500


def test_a_single_sample_is_a_window_too() -> None:
    assert judge_hold([0], [7000.0], 7000, 140).sd_pa == 0.0


@pytest.mark.parametrize(
    ("t_us", "pressure", "band"), [([], [], 140.0), ([0, 1], [7000.0], 140.0), ([0], [7000.0], 0.0)]
)
def test_bad_input_is_refused_in_words(t_us: list[int], pressure: list[float], band: float) -> None:
    with pytest.raises(ValueError, match=r"test pressure|equally long"):
        judge_hold(t_us, pressure, 7000, band)
