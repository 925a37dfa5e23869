"""A range calibrated against critical nozzles: the area comes out, with what is stated of it."""

import math
import random
import statistics
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pydantic import ValidationError

import acquire
from acquire.calibration.meter_range import Calibrated, RangeCalibration, calibrated
from acquire.calibration.meter_range_text import calibration_text, config_lines, read_calibration
from acquire.cli import cli
from acquire.config import ConfigError
from acquire.flow.air import column_of
from acquire.flow.meter_range import reference_air
from acquire.meters.critical_nozzle import CriticalNozzle
from acquire.meters.orifice import CalibratedPlate
from acquire.units import CFM_M3_S
from acquire.values import AirState
from tests.flow.bench import INH2O, bench_config

EXAMPLE = Path(acquire.__file__).parent.parent / "config" / "range_calibration_example.toml"
AREA_M2 = 6e-4
BORES_M = (0.008, 0.010, 0.0127, 0.015, 0.017)
FIGURES = {
    "meter_pressure": "0.004 inH2O",
    "meter_pressure_percent": 0.1,
    "upstream_pressure": "50 Pa",
    "temperature_k": 0.3,
    "nozzle_pressure": "50 Pa",
    "nozzle_temperature_k": 0.3,
}


def _point(bore_m: float, area_m2: float = AREA_M2, off: float = 0.0) -> dict[str, Any]:
    """A point of a plate of that area and a nozzle whose coefficient is off its certificate."""
    air = column_of(AirState(98200.0, 295.15, 0.45))
    nozzle = CriticalNozzle(bore_m, 0.99 * (1 + off), 0.003, None)
    flow = nozzle.mass_flow_kg_s(56000.0, 96000.0, air, 1.4)
    plate, low, high = CalibratedPlate(area_m2, 0.01), 1.0, 15000.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if plate.mass_flow_kg_s(middle, 98200.0, air, 1.4) > flow else (middle, high)
        low, high = (low, high) if low < high else (high, low)
    return {
        "meter_pressure": f"{low!r} Pa",
        "upstream_pressure": "98.2 kPa",
        "temperature": "22 C",
        "humidity": "45 %RH",
        "nozzle": f"{bore_m * 1000:g}",
        "nozzle_pressure": "96 kPa",
        "nozzle_temperature": "22 C",
        "back_pressure": "40 kPa",
    }


def _file(points: list[dict[str, Any]], **more: Any) -> RangeCalibration:
    nozzles = {f"{b * 1000:g}": {"bore": f"{b * 1000:g} mm", "coefficient": 0.99} for b in BORES_M}
    data = {"range": "middle", "nozzles": nozzles, "instruments": FIGURES, "points": points, **more}
    return RangeCalibration.model_validate(data, context={"text": True})


def _meter(lines: str) -> Any:
    settings = tomllib.loads(lines)["meter"]["ranges"]["middle"]
    config = bench_config({"ranges": {"large": settings}})
    return config.meter.ranges["large"].meter(reference_air(config.reference))


def test_the_area_of_a_plate_comes_out_of_the_nozzles_flows() -> None:
    found = calibrated(_file([_point(bore) for bore in BORES_M]))
    assert found.area_m2 == pytest.approx(AREA_M2, rel=1e-8)
    assert found.scatter < 1e-6
    assert found.trend_rel is None


def test_the_accuracy_is_that_of_nozzle_and_instruments_by_hand() -> None:
    # one pressure of about 4 inH2O: 0.3 % nozzle; half of 0.1 % + 0.004 inH2O; p0 50 Pa of 96 kPa; half of the
    # temperatures' 0.3 K; half of p1; 0.05 % of real air as a limit; expansibility 3.5 dp/(kappa p1) % as one sd
    its = _file([_point(0.0127)] * 3)
    found = calibrated(its)
    meter_pa = its.points[0].meter_pressure_pa
    parts = [
        0.003 / 1.96,
        0.5 * (0.001 + 0.004 * INH2O / meter_pa) / 1.96,
        50 / 96000 / 1.96,
        0.5 * 0.3 / 295.15 / 1.96,
        0.5 * 0.3 / 295.15 / 1.96,
        0.5 * 50 / 98200 / 1.96,
        0.0005 / math.sqrt(3),
        0.035 * meter_pa / 98200 / 1.4,
    ]
    assert found.systematic == pytest.approx(1.96 * math.hypot(*parts), rel=0.01)
    assert found.accuracy == pytest.approx(found.systematic, rel=1e-6)


def test_points_do_not_make_the_nozzles_error_smaller_but_their_scatter_counts() -> None:
    few, many = (calibrated(_file([_point(0.0127)] * n)) for n in (3, 12))
    assert many.systematic == pytest.approx(few.systematic, rel=1e-9)
    areas = [AREA_M2 * (1 + off) for off in (-0.003, 0.001, 0.002)]
    scattered = calibrated(_file([_point(0.0127, area) for area in areas]))
    assert scattered.scatter == pytest.approx(statistics.stdev(areas) / AREA_M2 * math.sqrt(4 / 3), rel=1e-3)
    # two degrees of freedom: far more than twice the scatter
    assert scattered.accuracy > 2.5 * scattered.scatter
    assert scattered.accuracy > few.accuracy


def test_the_stated_accuracy_holds_the_area_over_many_calibrations() -> None:
    draw, inside, runs = random.Random(3), 0, 40
    for _ in range(runs):
        off = draw.gauss(0.0, 0.003 / 1.96)
        points = [_point(bore, AREA_M2 * (1 + draw.gauss(0.0, 0.001)), off) for bore in BORES_M]
        found = calibrated(_file(points))
        inside += abs(found.area_m2 / AREA_M2 - 1) <= found.accuracy
    assert inside >= 0.9 * runs


def test_an_area_that_moves_with_the_pressure_is_said_and_a_table_follows_it() -> None:
    areas = [AREA_M2 * (1 + 0.002 * n) for n in range(5)]
    points = [_point(bore, area) for bore, area in zip(BORES_M, areas, strict=True)]
    plate = _file(points)
    found = calibrated(plate)
    assert found.trend_rel == pytest.approx(0.008, rel=0.1)
    assert 'kind = "table" follows' in calibration_text(plate, found)
    table = _file(points, kind="table")
    its = calibrated(table)
    assert its.scatter < 0.2 * found.scatter
    meter, air = _meter(config_lines(table, its)), column_of(AirState(98200.0, 295.15, 0.45))
    for point in its.points:
        flow = meter.mass_flow_kg_s(point.meter_pressure_pa, 98200.0, air, 1.4)
        assert flow == pytest.approx(point.mass_flow_kg_s, rel=2e-5)


def test_the_lines_for_the_configuration_make_the_meter_that_was_calibrated() -> None:
    its = _file([_point(bore) for bore in BORES_M], water="60F", certificate="own 1")
    lines = config_lines(its, calibrated(its))
    assert "inH2O@60F" in lines
    meter = _meter(lines)
    assert meter.area_m2 == pytest.approx(AREA_M2, rel=1e-5)
    assert meter.accuracy == pytest.approx(calibrated(its).accuracy, rel=5e-3)


def test_any_certified_flow_serves_as_the_reference() -> None:
    # 100 cfm of reference air (20 C, 101.325 kPa, dry: 1.204557 kg/m3 by CIPM-2007)
    point = _point(0.0127)
    for key in ("nozzle", "nozzle_pressure", "nozzle_temperature", "back_pressure"):
        del point[key]
    its = _file([point | {"reference_flow": "100 cfm"}] * 3, reference_accuracy="0.5 %")
    found = calibrated(its)
    assert found.points[0].mass_flow_kg_s == pytest.approx(100 * CFM_M3_S * 1.204557, rel=1e-6)
    assert found.systematic > 0.005
    with pytest.raises(ValidationError, match="needs reference_accuracy"):
        _file([point | {"reference_flow": "100 cfm"}] * 3)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"back_pressure": "60 kPa"}, "do not choke it"),
        ({"nozzle": "N-1"}, "point 1 names the nozzle 'N-1'"),
        ({"reference_flow": "100 cfm"}, "not both"),
        ({"nozzle_pressure": None}, "give reference_flow, or nozzle, nozzle_pressure"),
        ({"meter_pressure": "30 kPa"}, "below a quarter of upstream_pressure"),
        ({"upstream_pressure": "1000 inH2O"}, "is not a room's"),
    ],
)
def test_points_that_cannot_be_are_refused_in_words(change: dict[str, Any], said: str) -> None:
    point = {key: value for key, value in (_point(0.0127) | change).items() if value is not None}
    with pytest.raises(ValueError, match=said):
        calibrated(_file([point] * 3))


def test_the_example_is_calibrated_by_the_command() -> None:
    done = CliRunner().invoke(cli, ["calibrate-range", str(EXAMPLE)])
    assert done.exit_code == 0, done.output
    assert '[meter.ranges."middle"]' in done.output
    assert max(map(len, done.output.splitlines())) <= 110
    its = read_calibration(EXAMPLE)
    found: Calibrated = calibrated(its)
    assert found.area_m2 == pytest.approx(601e-6, rel=2e-3)


def test_a_file_that_cannot_be_read_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none.toml cannot be read"):
        read_calibration(tmp_path / "none.toml")
    bad = tmp_path / "bad.toml"
    bad.write_text(EXAMPLE.read_text(encoding="utf-8").replace("back_pressure", "back_presure"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"points.0.back_presure: no such key"):
        read_calibration(bad)
