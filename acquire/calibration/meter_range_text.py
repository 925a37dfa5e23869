"""A range's calibration as text, with the lines to paste into the configuration."""

import tomllib
from pathlib import Path

from pydantic import ValidationError

from acquire.calibration.meter_range import Calibrated, RangeCalibration, table_flow_m3_s
from acquire.config import ConfigError, say_first, text_of
from acquire.text import columns
from acquire.units import from_si


def read_calibration(path: Path) -> RangeCalibration:
    """Read and check the file. Raises :class:`ConfigError` with one sentence."""
    try:
        data = tomllib.loads(text_of(path))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path} is not valid TOML: {error}") from error
    try:
        return RangeCalibration.model_validate(data, context={"water": data.get("water", "conventional"), "text": True})
    except ValidationError as error:
        raise ConfigError(f"{path}: {say_first(error, RangeCalibration)}") from error


def calibration_text(its: RangeCalibration, found: Calibrated) -> str:
    """Every point, the result with its parts, and the lines of the configuration."""
    rows = [("meter inH2O", "reference kg/s", "area mm2", "± 95 %", "off the mean")]
    rows += [
        (
            f"{from_si(point.meter_pressure_pa, 'inH2O', its.water):.3f}",
            f"{point.mass_flow_kg_s:.6f}",
            f"{point.area_m2 * 1e6:.2f}",
            f"{1.96 * point.standard_uncertainty_m2 / point.area_m2 * 100:.2f} %",
            f"{(point.area_m2 / found.area_m2 - 1) * 100:+.2f} %",
        )
        for point in found.points
    ]
    said = [
        f"Range {its.range!r}, {len(found.points)} points.",
        "",
        columns(rows),
        "",
        f"95 % accuracy {found.accuracy * 100:.2f} %: reference and instruments {found.systematic * 100:.2f} %, "
        f"and a scatter of {found.scatter * 100:.2f} % (one standard deviation).",
    ]
    if found.trend_rel is not None:
        said.append(
            f"The area moves by {found.trend_rel * 100:+.2f} % from the lowest to the highest pressure: "
            'kind = "table" follows that.'
        )
    return "\n".join([*said, "", "For the configuration:", "", config_lines(its, found)])


def config_lines(its: RangeCalibration, found: Calibrated) -> str:
    """The range's table, valid from the lowest to the highest point."""
    unit = "inH2O@" + its.water
    # written alike in rows and limits, so that no limit lies beyond the table
    low, high = (from_si(found.points[at].meter_pressure_pa, unit) for at in (0, -1))
    lines = [f'[meter.ranges."{its.range}"]']
    if its.kind == "plate":
        lines.append(f'area = "{found.area_m2 * 1e6:.5g} mm2"')
    else:
        lines += ['kind = "table"', "points = ["]
        for point in found.points:
            flow = from_si(table_flow_m3_s(point.area_m2, point.meter_pressure_pa, its.reference), "cfm")
            lines.append(f'  ["{from_si(point.meter_pressure_pa, unit):.6g} {unit}", "{flow:.6g} cfm"],')
        lines.append("]")
    lines += [
        f'accuracy = "{found.accuracy * 100:.3g} %"',
        f'lowest_pressure = "{low:.6g} {unit}"',
        f'highest_pressure = "{high:.6g} {unit}"',
    ]
    if its.certificate:
        lines.append(f'certificate = "{its.certificate}"')
    return "\n".join(lines)
