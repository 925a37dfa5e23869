"""The tables of the archive: those of version 1, then what each later version adds.

Plain columns for what a person would query, the unit in every name that
carries one, UTC as text. Later versions change these by a new migration;
the text of a released one stays as it is.
"""

APPLICATION_ID = 0x53744477

BLOCK_FORMAT = """\
sample_blocks.block holds sample_count samples in the order of arrival, little-endian:
1 byte format (1), uint32 n, int64 t0_us, uint16 c; then, compressed with zlib:
c bytes: decimals of each channel that occurs, by rising channel number (255: none);
n bytes: channel number of each sample in the order of arrival (see session_channels);
8 planes of n bytes: time steps in us; 8 planes of n bytes: values.
Times and values are grouped by channel number, inside a channel in the order of arrival. Plane k holds byte k of
each 64-bit word. A time step is the difference from the word before (the first: from t0_us), as zigzag integer.
The value of a channel with d decimals is an integer divided by 10^d, each kept as zigzag difference from the one
before (the first: from 0); without decimals it is the IEEE 754 double itself.
Zigzag z means (z >> 1) xor -(z and 1). All differences are modulo 2^64.
"""

UNITS_NOTE = (
    "Column names carry the unit (SI). Times named t_us are microseconds of the session's own monotonic clock; "
    "times named utc are UTC. Samples are numbers as the instruments sent them; session_calibrations has scale, "
    "offset and unit: quantity = number * scale + offset. Steps count from 0, takes from 1."
)

TABLES = (
    """
    CREATE TABLE about (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE subjects (
        id INTEGER PRIMARY KEY,
        identifier TEXT NOT NULL,
        model TEXT NOT NULL,
        port TEXT NOT NULL,
        intake_valve_diameter_m REAL,
        exhaust_valve_diameter_m REAL,
        order_reference TEXT NOT NULL,
        remarks TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX subjects_by_identifier ON subjects (identifier COLLATE NOCASE)",
    """
    CREATE TABLE setups (
        id INTEGER PRIMARY KEY,
        bore_fixture_diameter_m REAL,
        inlet_treatment TEXT NOT NULL,
        outlet_treatment TEXT NOT NULL,
        gasket_fitted INTEGER NOT NULL CHECK (gasket_fitted IN (0, 1)),
        spark_plug_fitted INTEGER NOT NULL CHECK (spark_plug_fitted IN (0, 1)),
        spark_plug_reach_m REAL,
        chamber_volume_m3 REAL,
        springs TEXT NOT NULL,
        test_pressure_pa REAL NOT NULL,
        remarks TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE schedules (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        lifts_m_json TEXT NOT NULL,
        test_pressures_pa_json TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX schedules_by_steps ON schedules (lifts_m_json, test_pressures_pa_json)",
    """
    CREATE TABLE templates (
        name TEXT PRIMARY KEY,
        setup_id INTEGER NOT NULL REFERENCES setups,
        direction TEXT NOT NULL CHECK (direction IN ('intake', 'exhaust')),
        meter_range TEXT NOT NULL,
        lifts_m_json TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE configurations (
        id INTEGER PRIMARY KEY,
        sha256 TEXT NOT NULL UNIQUE,
        text TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE pulls (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        uid TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL CHECK (kind IN ('lift', 'leakage', 'plate')),
        direction TEXT NOT NULL CHECK (direction IN ('intake', 'exhaust')),
        subject_id INTEGER NOT NULL REFERENCES subjects,
        setup_id INTEGER NOT NULL REFERENCES setups,
        schedule_id INTEGER NOT NULL REFERENCES schedules,
        step_count INTEGER NOT NULL,
        meter_range TEXT NOT NULL,
        operator TEXT NOT NULL,
        configuration_id INTEGER NOT NULL REFERENCES configurations,
        software_version TEXT NOT NULL,
        sources_json TEXT NOT NULL,
        simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
        leakage_json TEXT,
        started_utc TEXT NOT NULL,
        ended_utc TEXT,
        outcome TEXT CHECK (outcome IN ('complete', 'aborted')),
        CHECK ((ended_utc IS NULL) = (outcome IS NULL))
    ) STRICT
    """,
    "CREATE INDEX pulls_by_subject ON pulls (subject_id)",
    "CREATE INDEX pulls_open ON pulls (id) WHERE outcome IS NULL",
    """
    CREATE TABLE sessions (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        pull_id INTEGER NOT NULL REFERENCES pulls,
        configuration_id INTEGER NOT NULL REFERENCES configurations,
        software_version TEXT NOT NULL,
        started_utc TEXT NOT NULL,
        started_t_us INTEGER,
        ended_utc TEXT,
        state_json TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX sessions_by_pull ON sessions (pull_id)",
    """
    CREATE TABLE session_calibrations (
        session_id INTEGER NOT NULL REFERENCES sessions,
        channel TEXT NOT NULL,
        instrument TEXT NOT NULL,
        unit TEXT NOT NULL,
        scale REAL NOT NULL,
        "offset" REAL NOT NULL,
        accuracy REAL NOT NULL,
        settings_json TEXT NOT NULL,
        PRIMARY KEY (session_id, channel)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE session_channels (
        session_id INTEGER NOT NULL REFERENCES sessions,
        number INTEGER NOT NULL CHECK (number BETWEEN 0 AND 255),
        channel TEXT NOT NULL,
        source TEXT NOT NULL,
        PRIMARY KEY (session_id, number)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE sample_blocks (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        first_sample INTEGER NOT NULL,
        sample_count INTEGER NOT NULL,
        earliest_t_us INTEGER NOT NULL,
        latest_t_us INTEGER NOT NULL,
        block BLOB NOT NULL,
        UNIQUE (session_id, first_sample)
    ) STRICT
    """,
    """
    CREATE TABLE actions (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        number INTEGER NOT NULL,
        after_sample INTEGER NOT NULL,
        t_us INTEGER NOT NULL,
        kind TEXT NOT NULL,
        step INTEGER,
        meter_range TEXT NOT NULL,
        done_by TEXT NOT NULL,
        UNIQUE (session_id, number)
    ) STRICT
    """,
    """
    CREATE TABLE notices (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        number INTEGER NOT NULL,
        after_sample INTEGER NOT NULL,
        t_us INTEGER NOT NULL,
        instrument TEXT NOT NULL,
        kind TEXT NOT NULL,
        sentence TEXT NOT NULL,
        UNIQUE (session_id, number)
    ) STRICT
    """,
    """
    CREATE TABLE points (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        pull_id INTEGER NOT NULL REFERENCES pulls,
        session_id INTEGER NOT NULL REFERENCES sessions,
        step INTEGER NOT NULL,
        take INTEGER NOT NULL,
        t_us INTEGER NOT NULL,
        after_sample INTEGER NOT NULL,
        taken_by TEXT NOT NULL CHECK (taken_by IN ('settled', 'hand')),
        settled INTEGER NOT NULL CHECK (settled IN (0, 1)),
        held INTEGER NOT NULL CHECK (held IN (0, 1)),
        remark TEXT NOT NULL,
        step_lift_m REAL,
        lift_m REAL,
        test_pressure_pa REAL NOT NULL,
        meter_pressure_pa REAL NOT NULL,
        meter_range TEXT NOT NULL,
        meter_temperature_k REAL NOT NULL,
        room_pressure_pa REAL NOT NULL,
        room_temperature_k REAL NOT NULL,
        room_relative_humidity REAL NOT NULL,
        effective_area_m2 REAL NOT NULL,
        standard_uncertainty_m2 REAL NOT NULL,
        mass_flow_kg_s REAL NOT NULL,
        flow_m3_s REAL NOT NULL,
        half_width_95_m3_s REAL NOT NULL,
        leakage_m3_s REAL NOT NULL,
        lift_correction_m3_s REAL NOT NULL,
        point_json TEXT NOT NULL,
        UNIQUE (pull_id, step, take)
    ) STRICT
    """,
    """
    CREATE TABLE zeros (
        id INTEGER PRIMARY KEY,
        pull_id INTEGER NOT NULL REFERENCES pulls,
        session_id INTEGER NOT NULL REFERENCES sessions,
        "which" TEXT NOT NULL CHECK ("which" IN ('before', 'after')),
        t_us INTEGER NOT NULL,
        test_pressure_pa REAL NOT NULL,
        meter_pressure_pa REAL NOT NULL,
        lift_m REAL NOT NULL
    ) STRICT
    """,
    "CREATE INDEX zeros_by_pull ON zeros (pull_id)",
    """
    CREATE TABLE marks (
        id INTEGER PRIMARY KEY,
        pull_id INTEGER NOT NULL REFERENCES pulls,
        kind TEXT NOT NULL,
        sentence TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX marks_by_pull ON marks (pull_id)",
    """
    CREATE TABLE skipped_steps (
        pull_id INTEGER NOT NULL REFERENCES pulls,
        step INTEGER NOT NULL,
        PRIMARY KEY (pull_id, step)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE leakage_laws (
        id INTEGER PRIMARY KEY,
        pull_id INTEGER NOT NULL REFERENCES pulls,
        direction TEXT NOT NULL CHECK (direction IN ('intake', 'exhaust')),
        measured_utc TEXT NOT NULL,
        reference_pressure_pa REAL NOT NULL,
        area_m2 REAL NOT NULL,
        exponent REAL NOT NULL,
        standard_uncertainty_m2 REAL NOT NULL,
        law_json TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX leakage_laws_by_time ON leakage_laws (direction, measured_utc)",
    """
    CREATE VIEW points_in_force AS
    SELECT pulls.uid AS pull_uid, subjects.identifier AS subject, subjects.model, pulls.kind, pulls.direction,
        pulls.simulated, points.*
    FROM points
    JOIN pulls ON pulls.id = points.pull_id
    JOIN subjects ON subjects.id = pulls.subject_id
    WHERE points.take = (
        SELECT max(other.take) FROM points AS other WHERE other.pull_id = points.pull_id AND other.step = points.step
    )
    """,
    """
    CREATE VIEW schedule_steps AS
    SELECT schedules.id AS schedule_id, schedules.name, lifts.key AS step, lifts.value AS lift_m,
        NULL AS test_pressure_pa
    FROM schedules, json_each(schedules.lifts_m_json) AS lifts
    UNION ALL
    SELECT schedules.id, schedules.name, pressures.key, NULL, pressures.value
    FROM schedules, json_each(schedules.test_pressures_pa_json) AS pressures
    """,
)

# version 2
BENCH_RECORDS = (
    """
    CREATE TABLE bench_records (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        uid TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        "key" TEXT NOT NULL,
        made_utc TEXT NOT NULL,
        record_json TEXT NOT NULL
    ) STRICT
    """,
    'CREATE INDEX bench_records_by_key ON bench_records (kind, "key", made_utc)',
    "ALTER TABLE pulls ADD COLUMN basis_json TEXT NOT NULL DEFAULT '{}'",
    "ALTER TABLE session_calibrations ADD COLUMN calibration_id INTEGER REFERENCES bench_records",
    "ALTER TABLE session_calibrations ADD COLUMN bend REAL NOT NULL DEFAULT 0",
    "UPDATE about SET value = replace(value, 'number * scale + offset.', 'number * scale + offset + number^2 * bend.') "
    "WHERE name = 'units'",
    "ALTER TABLE subjects ADD COLUMN details_json TEXT NOT NULL DEFAULT '{}'",
    "ALTER TABLE setups ADD COLUMN details_json TEXT NOT NULL DEFAULT '{}'",
    "ALTER TABLE subjects ADD COLUMN intake_valve_json TEXT NOT NULL DEFAULT '{}'",
    "ALTER TABLE subjects ADD COLUMN exhaust_valve_json TEXT NOT NULL DEFAULT '{}'",
    # what points keep as JSON, narrow enough to look over ten thousand pulls at once
    """
    CREATE TABLE holds (
        pull_id INTEGER NOT NULL REFERENCES pulls,
        step INTEGER NOT NULL,
        take INTEGER NOT NULL,
        held INTEGER NOT NULL CHECK (held IN (0, 1)),
        target_pa REAL NOT NULL,
        band_pa REAL NOT NULL,
        deviation_pa REAL NOT NULL,
        sd_pa REAL NOT NULL,
        slope_pa_per_s REAL NOT NULL,
        largest_excursion_pa REAL NOT NULL,
        inside_share REAL NOT NULL,
        duration_s REAL NOT NULL,
        PRIMARY KEY (pull_id, step, take)
    ) STRICT, WITHOUT ROWID
    """,
    """
    INSERT INTO holds
    SELECT pull_id, step, take, held, json_extract(point_json, '$.hold.target_pa'),
        json_extract(point_json, '$.hold.band_pa'), json_extract(point_json, '$.hold.deviation_pa'),
        json_extract(point_json, '$.hold.sd_pa'), json_extract(point_json, '$.hold.slope_pa_per_s'),
        json_extract(point_json, '$.hold.largest_excursion_pa'), json_extract(point_json, '$.hold.inside_share'),
        (json_extract(point_json, '$.capture.t_end_us') - json_extract(point_json, '$.capture.t_start_us')) / 1e6
    FROM points
    """,
    # what came in while the archive could not be written, beyond what memory may hold
    """
    CREATE TABLE lost_samples (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        number INTEGER NOT NULL,
        after_sample INTEGER NOT NULL,
        t_us INTEGER NOT NULL,
        sample_count INTEGER NOT NULL,
        UNIQUE (session_id, number)
    ) STRICT
    """,
    # pulls and records that came in a file from another archive: kept and shown, never in force on this bench
    """
    CREATE TABLE imported_pulls (
        pull_id INTEGER PRIMARY KEY REFERENCES pulls,
        origin TEXT NOT NULL,
        packed_utc TEXT NOT NULL,
        imported_utc TEXT NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE imported_records (
        record_id INTEGER PRIMARY KEY REFERENCES bench_records,
        origin TEXT NOT NULL,
        imported_utc TEXT NOT NULL
    ) STRICT
    """,
)
