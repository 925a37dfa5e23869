"""Cam profiles and the inlet Mach index against closed forms and published formulas."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.comparison.cam import Cam, cam_from_card, cam_from_csv, polydyne_coefficients
from acquire.comparison.engine_speed import inlet_mach_index, speed_at_knee_rpm
from acquire.units import INCH_M


def cam(shape: str) -> Cam:
    x = np.linspace(0.0, 1.0, 721)
    lift = 0.012 * (np.sin(np.pi * x) if shape == "half sine" else np.sin(np.pi * x) ** 2)
    return Cam(tuple(280.0 * x), tuple(np.maximum(lift, 0.0)), shape)


# closed form: the mean of sin over half a period is 2/pi, that of sin^2 is 1/2
@pytest.mark.parametrize(("shape", "mean"), [("half sine", 2 / math.pi), ("sine squared", 0.5)])
def test_a_flow_in_proportion_to_lift_has_the_mean_of_the_lift(shape: str, mean: float) -> None:
    assert cam(shape).mean_over_event(lambda lift: lift / 0.012) == pytest.approx(mean, rel=1e-4)


def test_degrees_in_bands_of_lift_are_those_of_the_half_sine() -> None:
    low, middle, high = cam("half sine").degrees_between((0.006, 0.012 * math.sin(math.radians(60))))
    assert low == pytest.approx(280 / 3, abs=0.2)
    assert middle == pytest.approx(280 / 3, abs=0.2)
    assert high == pytest.approx(280 / 3, abs=0.2)


def test_the_polydyne_coefficients_are_those_of_the_published_closed_form() -> None:
    # Stoddart 1953 as textbooks print it: C2 = -pqrs/((p-2)(q-2)(r-2)(s-2)), Cp = 2qrs/((p-2)(q-p)(r-p)(s-p)), ...
    p, q, r, s = 10.0, 12.0, 14.0, 16.0
    c2, cp, cq, cr, cs = polydyne_coefficients((2.0, p, q, r, s))
    assert c2 == pytest.approx(-p * q * r * s / ((p - 2) * (q - 2) * (r - 2) * (s - 2)))
    assert cp == pytest.approx(2 * q * r * s / ((p - 2) * (q - p) * (r - p) * (s - p)))
    assert cq == pytest.approx(-2 * p * r * s / ((q - 2) * (q - p) * (r - q) * (s - q)))
    assert cr == pytest.approx(2 * p * q * s / ((r - 2) * (r - p) * (r - q) * (s - r)))
    assert cs == pytest.approx(-2 * p * q * r / ((s - 2) * (s - p) * (s - q) * (s - r)))


@settings(deadline=None)  # the first call loads a library
@given(st.floats(220, 330), st.floats(0.72, 0.86), st.floats(0.28, 0.42), st.floats(1.0, 1.8))
def test_a_profile_from_the_card_has_the_cards_figures(seat: float, share: float, lobe_in: float, ratio: float) -> None:
    its = cam_from_card(seat, seat * share, lobe_in * INCH_M, ratio)
    assert its.highest_lift_m == pytest.approx(lobe_in * INCH_M * ratio, rel=1e-9)
    assert its.crank_deg[-1] - its.crank_deg[0] == pytest.approx(seat)
    lobe_in_at = np.array(its.lift_m) / ratio / INCH_M
    above = np.array(its.crank_deg)[lobe_in_at >= 0.050]
    assert above[-1] - above[0] == pytest.approx(seat * share, abs=2.5 * seat / 720)
    rising = np.array(its.lift_m[: len(its.lift_m) // 2 + 1])
    assert np.all(np.diff(rising) >= -1e-12)


def test_durations_that_no_profile_has_are_refused_with_what_is_possible() -> None:
    with pytest.raises(ValueError, match=r"from \d+ to \d+ at 0.050 in is possible"):
        cam_from_card(280, 278, 0.35 * INCH_M)
    with pytest.raises(ValueError, match="shorter than that at the seat"):
        cam_from_card(230, 280, 0.35 * INCH_M)
    with pytest.raises(ValueError, match="rocker ratio"):
        cam_from_card(280, 230, 0.35 * INCH_M, 16)


def test_a_table_is_read_in_inches_or_millimetres() -> None:
    lines = [(angle, 10 * math.sin(math.radians(angle / 1.4))) for angle in range(0, 253, 4)]
    metric = "crank_deg,lift_mm\n" + "\n".join(f"{a},{max(0.0, b)}" for a, b in lines)
    inches = "Crank_deg , Lift_in\n" + "\n".join(f"{a},{max(0.0, b) / 25.4}" for a, b in lines)
    assert cam_from_csv(metric).lift_m == pytest.approx(cam_from_csv(inches).lift_m)
    assert cam_from_csv(metric).highest_lift_m == pytest.approx(0.010, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("angle,lift\n1,2\n", "headings crank_deg"),
        ("", "it has none"),
        ("crank_deg,lift_mm\n" + "\n".join(f"{10 * i},{i % 9}" for i in range(5)), "at least 8 lines"),
        ("crank_deg,lift_mm\n0,0\n10,1\n20,2\n15,3\n30,4\n40,3\n50,2\n60,1\n70,0\n", "out of order: line 4"),
        ("crank_deg,lift_mm\n0,0\n10,x\n", "line 3"),
        ("crank_deg,lift_mm\n" + "\n".join(f"{10 * i},{5 + i % 2}" for i in range(9)), "closed to closed"),
        ("crank_deg,lift_mm\n" + "\n".join(f"{10 * i},0.01" for i in range(9)), "never opens"),
        ("crank_deg,lift_mm\n" + "\n".join(f"{100 * i},{(i % 10) * 0.5}" for i in range(11)), "720"),
    ],
)
def test_a_table_that_is_no_valve_event_is_refused_in_one_sentence(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said) as error:
        cam_from_csv(text)
    assert "\n" not in str(error.value)


def test_the_inlet_mach_index_of_a_worked_example() -> None:
    # Taylor's definition worked by hand: Sp 19.15333 m/s, Z 0.547096, Z = 0.6 at 7128.55 rpm
    given_here = (0.1016, 0.0884, 0.0513, 1, 0.40)
    assert inlet_mach_index(*given_here, 6500, 343.3) == pytest.approx(0.547096, abs=1e-6)
    assert speed_at_knee_rpm(*given_here, 0.6, 343.3) == pytest.approx(7128.55, abs=0.01)
    assert inlet_mach_index(0.1016, 0.0884, 0.0513, 2, 0.40, 6500) == pytest.approx(0.547096 / 2, abs=1e-6)


def test_a_valve_larger_than_the_bore_is_refused() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        inlet_mach_index(0.0513, 0.0884, 0.1016, 1, 0.4, 6500)
