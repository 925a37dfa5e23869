"""The bench's model: states at port and meter, ideal ports, bad input, speed of light work."""

import math
import re

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.flow.air import density_kg_m3, vapour_fraction
from acquire.flow.reading import FlowModel
from acquire.flow.restriction import ideal_mass_flux, plate_expansibility
from acquire.values import AirState
from tests.flow.bench import CFM, INH2O, ROOM, bench_config, flow_model

DRY = AirState(101325.0, 293.15, 0.0)


def _meter_pressure_for(model: FlowModel, area_m2: float, test_pa: float) -> float:
    low, high = 1e-6, 60_000.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if model.effective_area_m2(middle, test_pa) < area_m2 else (low, middle)
    return 0.5 * (low + high)


def test_intake_agrees_with_the_parts_computed_apart() -> None:
    # meter in the plenum: fluids for its expansibility at vanishing beta, ideal gas, Heywood's relation for the port
    model = flow_model("intake", DRY, 293.15)
    test_pa, meter_pa = 28 * INH2O, 8 * INH2O
    p1 = DRY.pressure_pa - test_pa
    rho1 = p1 / (287.05 * 293.15)
    eps = fluids.orifice_expansibility(1.0, 1e-9, p1, p1 - meter_pa, 1.4)
    mass = 8e-4 * eps * math.sqrt(2 * meter_pa * rho1)
    ratio = p1 / DRY.pressure_pa
    flux = DRY.pressure_pa / math.sqrt(287.05 * 293.15) * ratio ** (1 / 1.4)
    flux *= math.sqrt(2 * 1.4 / 0.4 * (1 - ratio ** (0.4 / 1.4)))
    assert model.mass_flow_kg_s(meter_pa, test_pa) == pytest.approx(mass, rel=3e-4)
    # what is left of the real gas cancels in the area
    assert model.effective_area_m2(meter_pa, test_pa) == pytest.approx(mass / flux, rel=2e-5)


def test_exhaust_takes_the_warm_plenum_as_its_upstream_state() -> None:
    model = flow_model("exhaust", ROOM, 305.0)
    test_pa, meter_pa = 28 * INH2O, 8 * INH2O
    x = vapour_fraction(ROOM.pressure_pa, ROOM.temperature_k, ROOM.relative_humidity)

    def warm(pressure_pa: float) -> float:
        humidity = ROOM.relative_humidity * x / vapour_fraction(pressure_pa, 305.0, ROOM.relative_humidity)
        return density_kg_m3(AirState(pressure_pa, 305.0, humidity))

    p0 = ROOM.pressure_pa + test_pa
    p1 = p0 + meter_pa
    eps = plate_expansibility(p0 / p1, 1.4)
    mass = 8e-4 * eps * math.sqrt(2 * meter_pa * warm(p1))
    assert model.mass_flow_kg_s(meter_pa, test_pa) == pytest.approx(mass, rel=1e-9)
    assert model.effective_area_m2(meter_pa, test_pa) == pytest.approx(
        mass / ideal_mass_flux(p0, warm(p0), test_pa, 1.4), rel=1e-9
    )


def test_taking_the_room_air_at_the_meter_would_be_wrong_by_the_root_of_the_pressures() -> None:
    # at 28 inH2O below 101.325 kPa the plenum's air has 0.9312 of the room's density: 3.5 % in mass flow
    settings = {"area": "8 cm2", "accuracy": "0.5 %", "highest_pressure": "16 inH2O"}
    in_room = bench_config({"ranges": {"large": settings}, "upstream_intake": "room"})
    room_side = FlowModel(in_room, "intake", "large", DRY, 293.15)
    plenum_side = flow_model("intake", DRY, 293.15)
    ratio = plenum_side.mass_flow_kg_s(100.0, 28 * INH2O) / room_side.mass_flow_kg_s(100.0, 28 * INH2O)
    assert ratio == pytest.approx(math.sqrt(0.93116714), rel=1e-4)


def test_a_range_given_as_a_flow_passes_that_flow_in_reference_air() -> None:
    settings = {"flow": "200 cfm", "at_pressure": "8 inH2O", "accuracy": "0.5 %", "highest_pressure": "16 inH2O"}
    config = bench_config({"ranges": {"large": settings}, "upstream_intake": "room"})
    model = FlowModel(config, "intake", "large", DRY, 293.15)
    assert model.mass_flow_kg_s(8 * INH2O, 28 * INH2O) / density_kg_m3(DRY) == pytest.approx(200 * CFM, rel=1e-12)


@given(st.sampled_from(["intake", "exhaust"]), st.floats(5e-5, 1.5e-3), st.floats(5, 40), st.floats(5, 40))
def test_an_ideal_port_has_one_area_at_every_test_pressure(
    direction: str, area: float, one_inh2o: float, other_inh2o: float
) -> None:
    model = flow_model(direction)  # type: ignore[arg-type]
    flows = []
    for test_pa in (one_inh2o * INH2O, other_inh2o * INH2O):
        meter_pa = _meter_pressure_for(model, area, test_pa)
        flows.append(model.stated_flow_m3_s(model.effective_area_m2(meter_pa, test_pa)))
    assert flows[0] == pytest.approx(flows[1], rel=1e-9)


@given(st.floats(1, 6000), st.floats(1, 500), st.floats(500, 12000))
def test_flow_rises_with_the_meter_pressure(meter_pa: float, more_pa: float, test_pa: float) -> None:
    model = flow_model()
    assert model.mass_flow_kg_s(meter_pa + more_pa, test_pa) > model.mass_flow_kg_s(meter_pa, test_pa)
    assert model.effective_area_m2(meter_pa + more_pa, test_pa) > model.effective_area_m2(meter_pa, test_pa)


@given(st.floats(85e3, 105e3), st.floats(278, 313), st.floats(0, 1))
def test_the_weather_does_not_move_an_area(pressure: float, temperature: float, humidity: float) -> None:
    # meter and port see the same weather: only the compressible corrections are left
    here = flow_model("intake", AirState(pressure, temperature, humidity), temperature)
    there = flow_model("intake", DRY, DRY.temperature_k)
    assert here.effective_area_m2(2000, 28 * INH2O) == pytest.approx(
        there.effective_area_m2(2000, 28 * INH2O), rel=5e-3
    )


numbers = st.floats(allow_nan=True, allow_infinity=True)


@given(st.sampled_from(["intake", "exhaust"]), numbers, numbers)
def test_no_pair_of_numbers_gives_anything_but_a_flow_or_zero(direction: str, meter_pa: float, test_pa: float) -> None:
    model = flow_model(direction)  # type: ignore[arg-type]
    for value in (model.effective_area_m2(meter_pa, test_pa), model.mass_flow_kg_s(meter_pa, test_pa)):
        assert isinstance(value, float)
        assert 0.0 <= value < math.inf


@pytest.mark.parametrize(("meter_pa", "test_pa"), [(0.0, 7000.0), (-1.0, 7000.0), (2000.0, 0.0), (2000.0, -3.0)])
def test_without_a_pressure_there_is_no_area(meter_pa: float, test_pa: float) -> None:
    assert flow_model().effective_area_m2(meter_pa, test_pa) == 0.0


def test_an_unknown_range_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="'hug' is not known: use one of small, large"):
        FlowModel(bench_config(), "intake", "hug", ROOM, 293.15)


def test_air_that_cannot_be_is_refused_where_it_is() -> None:
    with pytest.raises(ValueError, match="relative humidity 45"):
        flow_model(room=AirState(101325, 293.15, 45.0))
    with pytest.raises(ValueError, match="at the meter, air temperature 20 K"):
        flow_model(meter_temperature_k=20.0)


@pytest.mark.parametrize(
    ("meter_range", "pressure", "part"),
    [
        ("small", 20, "20 inH2O across the meter is above .* 'small' .*: use range 'large'"),
        ("large", 0.5, "0.5 inH2O across the meter is below .* 'large' .*: use range 'small'"),
        ("large", 0.0006921, "^0 inH2O across the meter is below"),
        ("large", -0.0006921, "^0 inH2O across the meter is below"),
        ("large", 40, "no configured range fits"),
    ],
)
def test_a_reading_outside_a_range_names_the_range_to_use(meter_range: str, pressure: float, part: str) -> None:
    model = FlowModel(bench_config(), "intake", meter_range, ROOM, 293.15)
    fault = model.range_fault(pressure * INH2O)
    assert fault is not None
    assert re.search(part, fault), fault
    assert model.range_fault(8 * INH2O) is None
