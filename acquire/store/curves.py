"""Flow curves of many pulls at once, from plain columns: no reading is decoded."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from acquire.config import BenchConfig
from acquire.records import Setup, Subject
from acquire.store import loading
from acquire.values import Direction


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One point in force: lift, effective area and flow with the flow's 95 % half-width."""

    lift_m: float
    area_m2: float
    flow_m3_s: float
    half_width_95_m3_s: float
    meter_range: str
    held: bool


@dataclass(frozen=True, slots=True)
class Curve:
    """The flow curve of one complete lift pull, points by rising lift."""

    pull_id: int
    uid: str
    started_utc: str
    direction: Direction
    subject: Subject
    setup: Setup
    config: BenchConfig
    marks: int
    simulated: bool
    points: tuple[CurvePoint, ...]


def curves(sql: sqlite3.Connection, direction: Direction, model: str) -> Iterator[Curve]:
    """Complete lift pulls of all heads of a model, the oldest first; no model: all heads."""
    found = loading.all_rows(
        sql,
        """
        SELECT pulls.id, uid, started_utc, subject_id, setup_id, configuration_id, pulls.simulated,
            (SELECT count(*) FROM marks WHERE marks.pull_id = pulls.id) AS marks,
            points.step_lift_m, points.effective_area_m2, points.flow_m3_s, points.half_width_95_m3_s,
            points.meter_range, points.held
        FROM pulls
        JOIN subjects ON subjects.id = pulls.subject_id
        JOIN points ON points.pull_id = pulls.id
        WHERE kind = 'lift' AND direction = :direction AND outcome = 'complete'
            AND (:model = '' OR model = :model COLLATE NOCASE)
            AND take = (SELECT max(take) FROM points AS other
                        WHERE other.pull_id = points.pull_id AND other.step = points.step)
        ORDER BY pulls.id, points.step_lift_m
        """,
        direction=direction,
        model=model,
    )
    configs: dict[int, BenchConfig] = {}
    setups: dict[int, Setup] = {}
    subjects: dict[int, Subject] = {}
    for _, rows in groupby(found, key=lambda row: int(row["id"])):
        its = list(rows)
        row = its[0]
        if row["configuration_id"] not in configs:
            configs[row["configuration_id"]] = loading.config_of(sql, row)
        if row["setup_id"] not in setups:
            setups[row["setup_id"]] = loading.by_id(sql, Setup, "setups", row["setup_id"])
        if row["subject_id"] not in subjects:
            subjects[row["subject_id"]] = loading.by_id(sql, Subject, "subjects", row["subject_id"])
        yield Curve(
            pull_id=row["id"],
            uid=row["uid"],
            started_utc=row["started_utc"],
            direction=direction,
            subject=subjects[row["subject_id"]],
            setup=setups[row["setup_id"]],
            config=configs[row["configuration_id"]],
            marks=row["marks"],
            simulated=bool(row["simulated"]),
            points=tuple(
                CurvePoint(p[8], p[9], p[10], p[11], p[12], bool(p[13])) for p in its if p["step_lift_m"] is not None
            ),
        )
