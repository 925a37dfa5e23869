"""Calibration: the curve through reference points against published fits, and what a reading is then worth."""

import math
from collections.abc import Sequence
from importlib import resources

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from acquire.calibration.curve import Fitted, different, directed, fit_points
from acquire.calibration.doubt import doubt_at, number_for
from acquire.calibration.record import Calibration, Fit, ReferencePoint
from acquire.scaling import calibrated, channel_settings, number_of, scale_for
from acquire.units import INH2O_PA, to_si
from acquire.values import FlowResult
from drivers.base import ChannelSettings
from tests.flow.bench import CHANNELS, evaluated

INH2O = INH2O_PA["conventional"]


def points(numbers: Sequence[float], references: Sequence[float], down_from: int = 10**6) -> list[ReferencePoint]:
    return [
        ReferencePoint(reference=reference, number=number, falling=i >= down_from)
        for i, (number, reference) in enumerate(zip(numbers, references, strict=True))
    ]


def calibration(fitted: Fitted | None = None, **changes: object) -> Calibration:
    kept: dict[str, object] = {
        "made_utc": "2026-01-02T00:00:00+00:00",
        "channel": "test_pressure",
        "instrument": "gauge",
        "unit": "inH2O",
        "coefficients": (0.0, 1.0),
    }
    if fitted is not None:
        kept |= {
            "coefficients": fitted.coefficients,
            "covariance": fitted.covariance,
            "residual_sd": fitted.residual_sd,
            "dof": fitted.dof,
            "hysteresis": fitted.hysteresis,
        }
    return Calibration.model_validate(kept | changes)


# ---------------------------------------------------------------- published fits

# JCGM 100:2008, H.3: corrections b of a thermometer at readings t, fitted about 20 C
THERMOMETER_C = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
CORRECTION_C = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_the_line_through_the_thermometers_corrections_is_that_of_the_guide() -> None:
    found = fit_points(points([t - 20.0 for t in THERMOMETER_C], CORRECTION_C), "line")
    offset, slope = found.coefficients
    u_offset, u_slope = (math.sqrt(found.covariance[i][i]) for i in range(2))
    assert offset == pytest.approx(-0.1712, abs=5e-5)
    assert slope == pytest.approx(0.00218, abs=5e-6)
    assert u_offset == pytest.approx(0.0029, abs=5e-5)
    assert u_slope == pytest.approx(0.00067, abs=5e-6)
    assert found.covariance[0][1] / (u_offset * u_slope) == pytest.approx(-0.930, abs=5e-4)
    assert found.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert found.dof == 9
    # H.3.4: the correction at 30 C, -0.1494 with 0.0041
    at_30 = doubt_at(calibration(found), offset + 10.0 * slope)
    assert offset + 10.0 * slope == pytest.approx(-0.1494, abs=5e-5)
    assert at_30.fit == pytest.approx(0.0041, abs=5e-5)


def test_the_line_through_the_ozone_monitors_readings_is_the_certified_one() -> None:
    # NIST StRD, Norris: the data come with scipy, the certified values from the same file's head
    file = resources.files("scipy") / "stats/tests/data/nist_linregress/Norris.dat"
    rows = [
        list(map(float, line.split())) for line in file.read_text(encoding="utf-8").splitlines()[60:] if line.strip()
    ]
    found = fit_points(points([x for _, x in rows], [y for y, _ in rows]), "line")
    assert len(rows) == 36
    assert found.coefficients == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-11)
    deviations = [math.sqrt(found.covariance[i][i]) for i in range(2)]
    assert deviations == pytest.approx((0.232818234301152, 4.29796848199937e-4), rel=1e-11)
    assert found.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)


def test_a_pressure_sensors_linearity_adds_to_its_line_as_published() -> None:
    # Kessel et al., Measurement 45 (2012) 1661: two points; slope 9.799118 (0.0011438), offset 0 (0.00028288),
    # r -0.1212, linearity within 0.005: expanded (k = 2) 0.0074155 at 20
    cross = -0.1212 * 0.0011438 * 0.00028288
    its = calibration(
        coefficients=(0.0, 9.799118), covariance=((0.00028288**2, cross), (cross, 0.0011438**2)), hysteresis=0.01
    )
    assert 2.0 * doubt_at(its, 20.0).u == pytest.approx(0.0074155, rel=0.002)


@settings(deadline=None, max_examples=15)
@given(
    st.lists(st.floats(0.0, 40.0), min_size=4, max_size=12, unique_by=lambda x: round(x)),
    st.lists(st.floats(-0.02, 0.02), min_size=12, max_size=12),
)
def test_the_line_and_its_covariance_are_those_of_a_metrology_library(numbers: list[float], off: list[float]) -> None:
    from GTC import type_a

    references = [1.01 * x + 0.03 + error for x, error in zip(numbers, off, strict=False)]
    assume(max(references) - min(references) > 5.0 and different(references) >= 3)
    found = fit_points(points(numbers, references), "line")
    a, b = type_a.line_fit(numbers, references).a_b
    assert found.coefficients == pytest.approx((a.x, b.x), rel=1e-9, abs=1e-9)
    assert (found.covariance[0][0], found.covariance[1][1]) == pytest.approx((a.u**2, b.u**2), rel=1e-6, abs=1e-15)


def test_a_quadratic_through_raw_counts_loses_no_digits() -> None:
    counts = np.linspace(16_000_000.0, 33_000_000.0, 9)
    truth = 2.5e-6 * (counts - 16_000_000.0) + 4e-15 * (counts - 16_000_000.0) ** 2
    found = fit_points(points(counts.tolist(), truth.tolist()), "quadratic")
    its = calibration(found)
    for count, quantity in zip(counts, truth, strict=True):
        assert its.quantity(count) == pytest.approx(quantity, abs=1e-7)
        assert number_for(its, quantity) == pytest.approx(count, rel=1e-7)
    assert found.residual_sd < 1e-9


# ---------------------------------------------------------------- up and down


def test_hysteresis_is_the_largest_difference_between_up_and_down_at_one_reference() -> None:
    up, down = [0.0, 10.0, 20.0, 30.0, 40.0], [30.05, 20.05, 10.05, 0.0]
    numbers = [*up, *(number + 0.04 for number in down)]
    found = fit_points(points(numbers, up + down, down_from=5), "line")
    assert found.hysteresis == pytest.approx(0.04, abs=1e-3)
    assert fit_points(points(up, up), "line").hysteresis == 0.0


def test_points_before_the_highest_are_on_the_way_up() -> None:
    ways = directed([(0, 0.1), (10, 10.1), (20, 20.1), (20, 20.2), (10, 10.2)])
    assert [falling for *_, falling in ways] == [False, False, False, True, True]


@pytest.mark.parametrize("references", [(0, 20, 10, 30), (30, 10, 20, 0), (10, 0, 20)])
def test_references_that_neither_rise_nor_fall_are_out_of_order(references: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="out of order"):
        directed([(reference, reference) for reference in references])


@pytest.mark.parametrize(
    ("numbers", "references", "fit", "said"),
    [
        ((0, 1, 0), (0, 10, 0), "line", "at least 3 different references, but there are 2"),
        ((0, 1, 2, 3), (0, 1, 2, 3), "quadratic", "at least 5 different references, but there are 4"),
        ((7, 7, 7, 7), (0, 1, 2, 3), "line", "all readings are equal"),
        ((0, 1, 2, 3, 4), (0, 3, 4, 3.1, 0.5), "quadratic", "turns round at a reading of 2.0"),
        ((0, 1, math.nan), (0, 1, 2), "line", "not a number"),
    ],
)
def test_points_that_give_no_curve_are_refused(
    numbers: tuple[float, ...], references: tuple[float, ...], fit: Fit, said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        fit_points(
            [
                ReferencePoint.model_construct(reference=y, number=x, falling=False)
                for x, y in zip(numbers, references, strict=True)
            ],
            fit,
        )


# ---------------------------------------------------------------- what a reading is worth


def fitted(slope: float = 1.01, offset: float = 0.2, noise: float = 0.01) -> Calibration:
    numbers = [float(x) for x in range(0, 44, 4)]
    signs = [1.0 if i % 2 else -1.0 for i in range(len(numbers))]
    references = [offset + slope * x + noise * sign for x, sign in zip(numbers, signs, strict=True)]
    return calibration(
        fit_points(points(numbers, references), "line"),
        low=min(references),
        high=max(references),
        points=points(numbers, references),
        standard_uncertainty=0.02,
        standard_percent=0.05,
    )


def test_the_reference_counts_with_its_certificate_at_the_reading() -> None:
    assert doubt_at(fitted(), 20.0).standard == pytest.approx(0.03 / 1.96, rel=1e-3)


def test_a_reading_from_its_zero_does_not_know_the_offset_but_deviates_at_both_ends() -> None:
    its = fitted()
    alone, from_zero = doubt_at(its, 30.0), doubt_at(its, 30.0, from_zero=True)
    slope_u = math.sqrt(its.covariance[1][1])
    assert from_zero.fit == pytest.approx(slope_u * 30.0 / its.coefficients[1], rel=1e-9)
    assert from_zero.residual == pytest.approx(math.sqrt(2.0) * alone.residual)
    assert doubt_at(its, 0.0, from_zero=True).fit == 0.0


def test_beyond_the_references_the_deviations_grow() -> None:
    its = fitted()
    assert its.low is not None
    assert its.high is not None
    span = its.high - its.low
    assert doubt_at(its, its.high).residual == pytest.approx(its.residual_sd)
    assert doubt_at(its, its.high + 0.25 * span).residual == pytest.approx(1.5 * its.residual_sd)
    assert doubt_at(its, its.low - 0.25 * span).residual == pytest.approx(1.5 * its.residual_sd)


def test_few_points_leave_few_degrees_of_freedom_and_a_good_certificate_adds_none() -> None:
    its = fitted()
    bare = its.model_copy(update={"standard_uncertainty": 0.0, "standard_percent": 0.0})
    assert doubt_at(bare, 20.0).dof == pytest.approx(9.0)
    assert doubt_at(its, 20.0).dof > 9.0


def test_residuals_are_never_taken_for_finer_than_a_digit() -> None:
    exact = fit_points(points([0, 1, 2, 3], [0, 1, 2, 3]), "line", least_sd=0.003)
    assert exact.residual_sd == 0.003
    assert exact.covariance[1][1] > 0.0


@given(st.floats(0.0, 40.0), st.floats(-0.3, 0.3), st.floats(0.9, 1.1), st.floats(-2e-3, 2e-3))
def test_a_calibration_can_be_turned_round(number: float, offset: float, slope: float, bend: float) -> None:
    its = calibration(coefficients=(offset, slope, bend), points=points([0.0, 40.0], [0.0, 40.0]))
    assert number_for(its, its.quantity(number)) == pytest.approx(number, abs=1e-8)


# ---------------------------------------------------------------- in the pull


def test_a_calibration_takes_the_place_of_scale_and_offset_in_the_channels_own_unit() -> None:
    plain = ChannelSettings(unit="Pa", scale=3.0, offset=7.0, low=-1000.0, high=9000.0)
    its = calibrated(plain, calibration(coefficients=(0.5, 2.0, 0.01), unit="inH2O@60F"), "conventional")
    quantity = 0.5 + 2.0 * 10.0 + 0.01 * 100.0
    pa = to_si(quantity, "inH2O@60F")
    assert its.quantity(10.0) == pytest.approx(pa, rel=1e-12)
    assert scale_for(its, "conventional").si(10.0) == pytest.approx(pa, rel=1e-12)
    assert scale_for(its, "conventional").si(np.array([10.0]))[0] == pytest.approx(pa, rel=1e-12)
    assert (its.low, its.high) == (-1000.0, 9000.0)


def test_a_temperatures_calibration_keeps_its_offset() -> None:
    its = calibrated(ChannelSettings(unit="F"), calibration(coefficients=(0.1, 1.0), unit="C"), "conventional")
    assert scale_for(its, "conventional").si(20.0) == pytest.approx(293.25, abs=1e-9)
    assert its.quantity(20.0) == pytest.approx(20.1 * 1.8 + 32.0, abs=1e-9)
    assert number_of(ChannelSettings(unit="F", scale=2.0, offset=1.0), 41.0) == 20.0


def test_another_instruments_calibration_is_left_alone() -> None:
    from tests.whole.virtual import demo_config

    instruments = demo_config().make_instruments()
    plain = channel_settings(instruments)
    others = {"test_pressure": calibration(instrument="sold last year")}
    mine = {"test_pressure": calibration(instrument="front_end", coefficients=(0.0, 1.25))}
    assert channel_settings(instruments, others) == plain
    assert channel_settings(instruments, mine)["test_pressure"].quantity(4.0) == 5.0
    assert channel_settings(instruments, mine)["lift"] == plain["lift"]


def component(flow: FlowResult, name: str) -> tuple[float, float, str]:
    its = next(its for its in flow.budget if its.name == name)
    return its.standard_uncertainty, its.dof, its.distribution


def test_the_budget_takes_the_calibration_for_the_accuracy_and_keeps_the_digit() -> None:
    its = fitted().model_copy(update={"unit": "inH2O@conventional"})
    gauge = calibrated(CHANNELS["test_pressure"], its, "conventional")
    flow = evaluated(channels={**CHANNELS, "test_pressure": gauge}, test_pa=28.0 * INH2O)
    doubt = doubt_at(its, 28.0, from_zero=True)
    u, dof, distribution = component(flow, "test pressure")
    assert u == pytest.approx(doubt.u * INH2O)
    assert dof == pytest.approx(doubt.dof)
    assert distribution == "t"
    plain = evaluated(test_pa=28.0 * INH2O)
    assert component(flow, "test pressure, digit") == component(plain, "test pressure, digit")
    assert component(flow, "meter pressure") == component(plain, "meter pressure")
