"""Stated flows and conversions against worked examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.config import Reference
from acquire.flow.statement import Statement, port_doubt_rel
from tests.flow.bench import CFM, INH2O


def test_a_flow_of_reference_air_comes_back_as_its_area() -> None:
    # Heywood's relation by hand: 250 cfm at 28 inH2O, 101.325 kPa, 20 C dry (1.204118) is 11.39021 cm2;
    # the default reference is that air, by CIPM-2007 3.6e-4 denser
    statement = Statement(Reference())
    assert statement.area_m2(250 * CFM) == pytest.approx(11.39021e-4, rel=3e-4)
    assert statement.flow_m3_s(statement.area_m2(250 * CFM)) == pytest.approx(250 * CFM, rel=1e-15)
    # cfm of an ideal square inch at inlet density: 141.6041
    assert statement.flow_m3_s(0.0254**2) / CFM == pytest.approx(141.6041, rel=3e-4)


def test_the_same_restriction_passes_more_of_lighter_air_by_the_root_of_density() -> None:
    # 250 cfm at 1.059842 kg/m3 is 234.547 cfm in air of 1.2041, at one barometer, by the root of the ratio
    warm = Reference(air_temperature_k=293.15 * 1.2041 / 1.059842)
    ratio = Statement(Reference()).speed_m_s / Statement(warm).speed_m_s
    assert 250 * ratio == pytest.approx(234.547, rel=2e-4)


# what a sharp edge does instead of a nozzle: root-rule error less the edge's own, by hand at 101.325 kPa
@pytest.mark.parametrize(
    ("start", "end", "nozzle", "edge"), [(3, 28, 0.0349, 0.0159), (10, 28, 0.0253, 0.0115), (28, 25, -0.0042, -0.0019)]
)
def test_the_doubt_of_a_conversion_spans_nozzle_and_sharp_edge(
    start: float, end: float, nozzle: float, edge: float
) -> None:
    doubt = port_doubt_rel(101325.0, start * INH2O, end * INH2O)
    assert doubt == pytest.approx(abs((1 + nozzle) / (1 + edge) - 1), abs=1.5e-4)


@given(st.floats(5, 28), st.floats(0.1, 10))
def test_the_doubt_grows_with_the_distance_and_vanishes_without_one(start: float, further: float) -> None:
    here = port_doubt_rel(101325.0, start * INH2O, 30 * INH2O)
    there = port_doubt_rel(101325.0, start * INH2O, (30 + further) * INH2O)
    assert there > here > 0.0
    assert port_doubt_rel(101325.0, start * INH2O, start * INH2O) == 0.0


def test_a_reference_that_would_empty_the_room_is_refused() -> None:
    with pytest.raises(ValueError, match=r"reference\.test_pressure"):
        Statement(Reference(test_pressure_pa=2e5))
