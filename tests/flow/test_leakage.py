"""Leakage laws from blank-plate points."""

import math

import pytest

from acquire.leakage import fit_law, leakage_area_m2, leakage_uncertainty_m2
from acquire.values import AirState, FlowResult, Hold, Point
from tests.flow.bench import INH2O, captured, leakage_law


def _point(test_inh2o: float, area: float, u: float = 1e-7, dof: float = 20.0) -> Point:
    flow = FlowResult(0.0, area, u, dof, 2.0, 0.0, 0.0, 0.0, 0.0, ())
    hold = Hold(test_inh2o * INH2O, 100.0, test_inh2o * INH2O, 0.0, 1.0, 0.0, 0.0, 1.0, 100, True, "")
    room = AirState(99000.0, 295.0, 0.4)
    return Point(
        0,
        1,
        0,
        "settled",
        True,
        "",
        None,
        None,
        test_inh2o * INH2O,
        100.0,
        room,
        295.0,
        "small",
        captured(area),
        hold,
        flow,
    )


def _law(*points: Point) -> object:
    return fit_law(7, "intake", "2026-01-01T00:00:00+00:00", points)


def test_one_pressure_gives_a_constant_area() -> None:
    law = fit_law(7, "intake", "2026-01-01T00:00:00+00:00", [_point(28, 8e-6)])
    assert (law.pull_id, law.direction, law.exponent) == (7, "intake", 0.0)
    assert (law.area_m2, law.standard_uncertainty_m2) == (8e-6, 1e-7)
    assert law.dof == pytest.approx(20.0)
    assert leakage_area_m2(law, 28 * INH2O) == 8e-6


@pytest.mark.parametrize("exponent", [0.0, 0.2, 0.5])
def test_several_pressures_give_back_the_exponent(exponent: float) -> None:
    points = [_point(p, 8e-6 * (p / 28) ** exponent) for p in (7, 14, 28)]
    law = fit_law(1, "exhaust", "", points)
    assert law.exponent == pytest.approx(exponent, abs=1e-12)
    assert law.reference_pressure_pa == pytest.approx(28 * INH2O)
    assert leakage_area_m2(law, 14 * INH2O) == pytest.approx(8e-6 * 0.5**exponent, rel=1e-12)


def test_an_exponent_that_no_leak_has_is_kept_in_bounds_and_the_misfit_counted() -> None:
    law = fit_law(1, "intake", "", [_point(p, 8e-6 * (p / 28) ** 0.9) for p in (7, 14, 28)])
    assert law.exponent == 0.5
    assert law.standard_uncertainty_m2 > 5e-7


def test_a_leak_too_small_to_tell_is_not_fitted() -> None:
    law = fit_law(1, "intake", "", [_point(7, -1e-8), _point(14, 3e-8), _point(28, 1e-8)])
    assert law.exponent == 0.0
    assert law.area_m2 == pytest.approx(1e-8)
    assert law.standard_uncertainty_m2 >= 1e-7


def test_scatter_widens_the_law_and_lowers_its_degrees_of_freedom() -> None:
    law = fit_law(1, "intake", "", [_point(28, a) for a in (7e-6, 8e-6, 9e-6)])
    # standard deviation of the mean 1e-6/sqrt(3), two degrees of freedom
    assert law.standard_uncertainty_m2 == pytest.approx(math.hypot(1e-7, 1e-6 / math.sqrt(3)), rel=1e-9)
    assert law.dof == pytest.approx(2.0, rel=0.1)


def test_away_from_its_pressure_a_law_knows_less() -> None:
    law = leakage_law(8e-6, 0.0, 2e-7)
    assert leakage_uncertainty_m2(law, 28 * INH2O) == pytest.approx(2e-7)
    assert leakage_uncertainty_m2(law, 14 * INH2O) > 1e-6
    assert leakage_area_m2(law, 0.0) == leakage_uncertainty_m2(law, -5.0) == 0.0


def test_points_that_cannot_be_used_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one step"):
        _law()
    with pytest.raises(ValueError, match="reading 2 has no test pressure"):
        _law(_point(28, 8e-6), _point(0, 8e-6))
    with pytest.raises(ValueError, match="not a number"):
        _law(_point(28, math.nan))
