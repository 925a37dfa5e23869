"""Values into table rows, inside the caller's transaction."""

import hashlib
import json
import sqlite3

from acquire.basis import Basis
from acquire.config import BenchConfig, ConfigError, Table, parse_tables
from acquire.records import LeakageLaw, PullRequest, Template, plain_settings
from acquire.scaling import channel_settings, line_of
from acquire.store.encoding import model_text, point_text, utc_text
from acquire.store.errors import ArchiveError
from acquire.values import Point, Zeros
from drivers.errors import DriverError


def insert(sql: sqlite3.Connection, table: str, **columns: object) -> int:
    """One row; its id."""
    names = ", ".join(f'"{name}"' for name in columns)
    marks = ", ".join("?" * len(columns))
    cursor = sql.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", list(columns.values()))
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def shared(sql: sqlite3.Connection, table: str, **columns: object) -> int:
    """The id of the row with the very same content, made when there is none."""
    same = " AND ".join(f'"{name}" IS ?' for name in columns)
    row = sql.execute(f"SELECT id FROM {table} WHERE {same} ORDER BY id", list(columns.values())).fetchone()
    return int(row[0]) if row else insert(sql, table, **columns)


def columns_of(model: Table) -> dict[str, object]:
    """A model's fields as columns; what is a table of its own is kept as JSON in ``<name>_json``.

    Of an inner table only what was given is kept, so that rows of earlier versions stay equal to those of this one.
    """
    columns: dict[str, object] = {}
    for name, value in model:
        inner = value.model_dump(exclude_defaults=True) if isinstance(value, Table) else value
        if isinstance(inner, dict):
            columns[f"{name}_json"] = json.dumps(inner, ensure_ascii=False, sort_keys=True)
        else:
            columns[name] = inner
    return columns


def insert_pull(
    sql: sqlite3.Connection,
    uid: str,
    request: PullRequest,
    config_text: str,
    version: str,
    utc: str,
    leakage: LeakageLaw | None,
    sources: dict[str, str],
    basis: Basis,
) -> int:
    """A pull with the records it refers to; its id."""
    return insert(
        sql,
        "pulls",
        uid=uid,
        kind=request.kind,
        direction=request.direction,
        subject_id=shared(sql, "subjects", **columns_of(request.subject)),
        setup_id=shared(sql, "setups", **columns_of(request.setup)),
        schedule_id=shared(
            sql,
            "schedules",
            name=request.schedule_name,
            lifts_m_json=json.dumps(request.lifts_m),
            test_pressures_pa_json=json.dumps(request.test_pressures_pa),
        ),
        step_count=len(request.steps()),
        meter_range=request.meter_range,
        operator=request.operator,
        configuration_id=_configuration(sql, config_text),
        software_version=version,
        sources_json=json.dumps(sources, ensure_ascii=False),
        simulated=any(source.startswith("sim://") for source in sources.values()),
        leakage_json=None if leakage is None else model_text(leakage),
        started_utc=utc,
        basis_json=model_text(basis),
    )


def insert_session(
    sql: sqlite3.Connection,
    pull_id: int,
    utc: str,
    version: str,
    config_text: str,
    state_json: str,
    t_us: int | None,
) -> int:
    """A session with the calibration in force; its id."""
    session_id = insert(
        sql,
        "sessions",
        pull_id=pull_id,
        configuration_id=_configuration(sql, config_text),
        software_version=version,
        started_utc=utc,
        started_t_us=t_us,
        state_json=state_json,
    )
    try:
        instruments = _config(config_text).make_instruments()
    except DriverError as error:
        raise ArchiveError(f"the configuration of the session has no working instruments: {error}") from error
    (basis_json,) = sql.execute("SELECT basis_json FROM pulls WHERE id = ?", [pull_id]).fetchone()
    basis = Basis.model_validate_json(basis_json)
    for instrument in instruments:
        for channel, settings in channel_settings([instrument], basis.calibrations, _config(config_text).water).items():
            its = line_of(settings)
            insert(
                sql,
                "session_calibrations",
                session_id=session_id,
                channel=channel,
                instrument=instrument.name,
                unit=settings.unit,
                scale=its.scale,
                offset=its.offset,
                bend=its.bend,
                accuracy=its.accuracy,
                calibration_id=basis.calibration_ids.get(channel) if its.calibrated else None,
                settings_json=model_text(settings if its.calibrated else plain_settings(settings)),
            )
    return session_id


def insert_point(sql: sqlite3.Connection, pull_id: int, session_id: int, after_sample: int, point: Point) -> None:
    """A point: its main figures as columns, the whole of it as JSON."""
    flow = point.flow
    insert(
        sql,
        "points",
        pull_id=pull_id,
        session_id=session_id,
        step=point.step,
        take=point.take,
        t_us=point.t_us,
        after_sample=after_sample,
        taken_by=point.taken_by,
        settled=point.settled,
        held=point.hold.held,
        remark=point.remark,
        step_lift_m=point.step_lift_m,
        lift_m=point.lift_m,
        test_pressure_pa=point.test_pressure_pa,
        meter_pressure_pa=point.meter_pressure_pa,
        meter_range=point.meter_range,
        meter_temperature_k=point.meter_temperature_k,
        room_pressure_pa=point.room.pressure_pa,
        room_temperature_k=point.room.temperature_k,
        room_relative_humidity=point.room.relative_humidity,
        effective_area_m2=flow.effective_area_m2,
        standard_uncertainty_m2=flow.standard_uncertainty_m2,
        mass_flow_kg_s=flow.mass_flow_kg_s,
        flow_m3_s=flow.flow_m3_s,
        half_width_95_m3_s=flow.half_width_95_m3_s,
        leakage_m3_s=flow.leakage_m3_s,
        lift_correction_m3_s=flow.lift_correction_m3_s,
        point_json=point_text(point),
    )
    hold, capture = point.hold, point.capture
    insert(
        sql,
        "holds",
        pull_id=pull_id,
        step=point.step,
        take=point.take,
        held=hold.held,
        target_pa=hold.target_pa,
        band_pa=hold.band_pa,
        deviation_pa=hold.deviation_pa,
        sd_pa=hold.sd_pa,
        slope_pa_per_s=hold.slope_pa_per_s,
        largest_excursion_pa=hold.largest_excursion_pa,
        inside_share=hold.inside_share,
        duration_s=(capture.t_end_us - capture.t_start_us) / 1e6,
    )


def insert_zeros(sql: sqlite3.Connection, pull_id: int, session_id: int, which: str, zeros: Zeros) -> None:
    """Zeros of one zero check."""
    insert(
        sql,
        "zeros",
        pull_id=pull_id,
        session_id=session_id,
        which=which,
        t_us=zeros.t_us,
        test_pressure_pa=zeros.test_pressure_pa,
        meter_pressure_pa=zeros.meter_pressure_pa,
        lift_m=zeros.lift_m,
    )


def insert_leakage_law(sql: sqlite3.Connection, law: LeakageLaw) -> None:
    """A leakage law, its time as UTC text that sorts."""
    law = law.model_copy(update={"measured_utc": utc_text(law.measured_utc)})
    insert(
        sql,
        "leakage_laws",
        pull_id=law.pull_id,
        direction=law.direction,
        measured_utc=law.measured_utc,
        reference_pressure_pa=law.reference_pressure_pa,
        area_m2=law.area_m2,
        exponent=law.exponent,
        standard_uncertainty_m2=law.standard_uncertainty_m2,
        law_json=model_text(law),
    )


def insert_template(sql: sqlite3.Connection, template: Template) -> None:
    """A template, in place of one of the same name."""
    sql.execute("DELETE FROM templates WHERE name = ?", [template.name])
    insert(
        sql,
        "templates",
        name=template.name,
        setup_id=shared(sql, "setups", **columns_of(template.setup)),
        direction=template.direction,
        meter_range=template.meter_range,
        lifts_m_json=json.dumps(template.lifts_m),
    )


def sample_count(sql: sqlite3.Connection, session_id: int) -> int:
    """Samples kept for a session."""
    row = sql.execute(
        "SELECT first_sample + sample_count FROM sample_blocks WHERE session_id = ? ORDER BY first_sample DESC LIMIT 1",
        [session_id],
    ).fetchone()
    return int(row[0]) if row else 0


def _configuration(sql: sqlite3.Connection, text: str) -> int:
    _config(text)
    return shared(sql, "configurations", sha256=hashlib.sha256(text.encode()).hexdigest(), text=text)


def _config(text: str) -> BenchConfig:
    try:
        return parse_tables(text, "the configuration to be kept")
    except ConfigError as error:
        raise ArchiveError(str(error)) from error
