"""Points and samples for other programs: CSV and pandas.

Every column that carries a unit names it. SI comes first; the same figures
follow in the units of the bench's ``[display]`` table.
"""

import csv
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, TextIO

from acquire.calibration.words import calibrations_said
from acquire.config import BenchConfig, parse_tables
from acquire.port.figures import port_point
from acquire.records import ArchivedPull
from acquire.scaling import scale_for
from acquire.store.reader import ArchiveReader
from acquire.units import Water, from_si
from acquire.values import Point

if TYPE_CHECKING:
    import pandas as pd

Cell = str | int | float | bool | None

_SAMPLE_COLUMNS = (
    "session_id",
    "sample",
    "t_us",
    "channel",
    "number",
    "unit",
    "quantity",
    "si_unit",
    "value_si",
    "source",
)

# a column in SI, without its unit -> the key of the [display] table that has the operator's unit
_ALSO_SHOWN = {
    ("step_lift", "m"): "lift",
    ("lift", "m"): "lift",
    ("test_pressure", "pa"): "pressure",
    ("meter_pressure", "pa"): "pressure",
    ("meter_temperature", "k"): "temperature",
    ("room_temperature", "k"): "temperature",
    ("room_pressure", "pa"): "barometer",
    ("flow", "m3_s"): "flow",
    ("half_width_95", "m3_s"): "flow",
    ("leakage", "m3_s"): "flow",
    ("lift_correction", "m3_s"): "flow",
}


def points_frame(reader: ArchiveReader, pull_ids: Iterable[int], all_takes: bool = False) -> "pd.DataFrame":
    """The points of these pulls as a table, one row a point. Raises ``ArchiveError``."""
    import pandas as pd

    rows = list(point_rows(reader, pull_ids, all_takes))
    return pd.DataFrame(rows, columns=_columns(rows))


def write_points_csv(reader: ArchiveReader, pull_ids: Iterable[int], stream: TextIO, all_takes: bool = False) -> None:
    """The points of these pulls as CSV, one row a point. Raises ``ArchiveError``."""
    rows = list(point_rows(reader, pull_ids, all_takes))
    writer = csv.DictWriter(stream, _columns(rows), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


def point_rows(reader: ArchiveReader, pull_ids: Iterable[int], all_takes: bool = False) -> Iterator[dict[str, Cell]]:
    """The points in force, or every take, in the order of pulls, steps and takes. Steps count from 1."""
    for pull_id in pull_ids:
        pull = reader.pull(pull_id)
        in_force = pull.in_force
        for point in sorted(pull.points, key=lambda its: (its.step, its.take)):
            current = in_force[point.step] is point
            if current or all_takes:
                yield _pull_cells(pull) | _point_cells(point, pull.config, current) | _port_cells(pull, point)


def write_samples_csv(reader: ArchiveReader, session_id: int, stream: TextIO, header: bool = True) -> None:
    """Every sample of a session as CSV, in the order of arrival. Raises ``ArchiveError``.

    ``number`` is what the instrument sent, ``quantity`` the same with scale
    and offset, or the calibration that the pull keeps, in ``unit``. ``header`` is False for what goes behind the
    samples of another session.
    """
    session = reader.session(session_id)
    water = parse_tables(session.config_text, f"the configuration kept with session {session_id}").water
    settings = reader.calibration(session_id)
    scales = {channel: scale_for(its, water) for channel, its in settings.items()}
    writer = csv.writer(stream, lineterminator="\n")
    if header:
        writer.writerow(_SAMPLE_COLUMNS)
    count = 0
    for record in reader.stream(session_id):
        for sample in record if isinstance(record, list) else ():
            its, scale = settings.get(sample.channel), scales.get(sample.channel)
            known = (
                ("", "", "", "")
                if its is None or scale is None
                else (its.unit, its.quantity(sample.value), scale.si_unit, scale.si(sample.value))
            )
            writer.writerow((session_id, count, sample.t_us, sample.channel, sample.value, *known, sample.source))
            count += 1


def _columns(rows: list[dict[str, Cell]]) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row))


def _pull_cells(pull: ArchivedPull) -> dict[str, Cell]:
    return {
        "pull_id": pull.id,
        "pull_uid": pull.uid,
        "started_utc": pull.started_utc,
        "outcome": pull.outcome or "",
        "kind": pull.request.kind,
        "direction": pull.request.direction,
        "subject": pull.request.subject.identifier,
        "model": pull.request.subject.model,
        "port": pull.request.subject.port,
        "simulated": pull.simulated,
        "leakage_measured": pull.leakage is not None,
        "calibrations": "; ".join(calibrations_said(pull)),
        "marks": "; ".join(mark.sentence for mark in pull.marks),
    }


def _point_cells(point: Point, config: BenchConfig, in_force: bool) -> dict[str, Cell]:
    flow = point.flow
    cells: dict[str, Cell] = {
        "step": point.step + 1,
        "take": point.take,
        "in_force": in_force,
        "taken_by": point.taken_by,
        "settled": point.settled,
        "held": point.hold.held,
        "typed": " ".join(point.typed),
        "remark": point.remark,
        "meter_range": point.meter_range,
        "step_lift_m": point.step_lift_m,
        "lift_m": point.lift_m,
        "test_pressure_pa": point.test_pressure_pa,
        "meter_pressure_pa": point.meter_pressure_pa,
        "meter_temperature_k": point.meter_temperature_k,
        "room_pressure_pa": point.room.pressure_pa,
        "room_temperature_k": point.room.temperature_k,
        "room_relative_humidity": point.room.relative_humidity,
        "effective_area_m2": flow.effective_area_m2,
        "effective_area_standard_uncertainty_m2": flow.standard_uncertainty_m2,
        "dof": flow.dof,
        "mass_flow_kg_s": flow.mass_flow_kg_s,
        "flow_convention": flow.convention,
        "flow_m3_s": flow.flow_m3_s,
        "half_width_95_m3_s": flow.half_width_95_m3_s,
        "leakage_m3_s": flow.leakage_m3_s,
        "lift_correction_m3_s": flow.lift_correction_m3_s,
    }
    for (name, si_unit), key in _ALSO_SHOWN.items():
        value = cells[f"{name}_{si_unit}"]
        unit = str(getattr(config.display, key))
        shown = f"{name}_{_suffix(unit, config.water)}"
        if shown.lower() != f"{name}_{si_unit}":
            cells[shown] = None if value is None else from_si(float(value), unit, config.water)
    return cells


def _port_cells(pull: ArchivedPull, point: Point) -> dict[str, Cell]:
    """What the dimensions given with the head allow, and no column for the rest."""
    if pull.request.kind != "lift":
        return {}
    its = port_point(pull, point)
    cells: dict[str, Cell] = {} if its.lift_over_diameter is None else {"lift_over_diameter": its.lift_over_diameter}
    for name, on in its.on.items():
        area = name.replace(" ", "_")
        cells |= {f"{area}_area_m2": on.area_m2, f"coefficient_on_{area}": on.coefficient.value}
    if its.velocity is not None:
        cells |= {"port_velocity_m_s": its.velocity.velocity_m_s, "port_mach": its.velocity.mach}
    if its.on:
        cells["coefficient_flags"] = "; ".join(its.flags)
    return cells


def _suffix(unit: str, water: Water) -> str:
    """A unit as part of a name; an inch of water that is not the conventional one says which."""
    if unit == "inH2O" and water != "conventional":
        unit = f"inH2O_{water}"
    return unit.removesuffix("@conventional").replace("/", "_").replace("@", "_")
