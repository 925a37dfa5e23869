"""Figures leave the archive with their units and without losing a bit."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.export import points_frame, write_points_csv, write_samples_csv
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.values import Mark
from tests.store.examples import CONFIG, POINT, REQUEST, SOURCES, UTC, begin, point, second


@pytest.fixture
def filled(archive: Archive) -> Archive:
    pull_id, session_id = begin(archive)
    for taken in (point(0), point(1), replace(point(0, take=2), lift_m=None)):
        archive.commit_point(pull_id, session_id, taken, second())
    archive.add_mark(pull_id, Mark("zero", "The zero moved; look at it."))
    return archive


def points_csv(reader: ArchiveReader, pull_ids: list[int], all_takes: bool = False) -> list[dict[str, str]]:
    stream = io.StringIO()
    write_points_csv(reader, pull_ids, stream, all_takes)
    return list(csv.DictReader(io.StringIO(stream.getvalue())))


def test_points_carry_si_to_the_bit_and_the_operators_units(filled: Archive, reader: ArchiveReader) -> None:
    rows = points_csv(reader, [1])
    assert [(row["step"], row["take"]) for row in rows] == [("1", "2"), ("2", "1")]
    row = rows[1]
    assert float(row["flow_m3_s"]) == POINT.flow.flow_m3_s
    assert float(row["effective_area_m2"]) == POINT.flow.effective_area_m2
    # one cubic foot is 0.028316846592 m3 exactly (NIST SP 811, B.8)
    assert float(row["flow_cfm"]) == pytest.approx(POINT.flow.flow_m3_s * 60 / 0.028316846592, rel=1e-12)
    assert float(row["half_width_95_cfm"]) == pytest.approx(1.7e-4 * 60 / 0.028316846592, rel=1e-12)
    assert float(row["lift_in"]) == pytest.approx(0.0020004 / 0.0254, rel=1e-12)
    # inch of water at 60 F: 248.84 Pa (NIST SP 811, B.8)
    assert float(row["test_pressure_inH2O_60F"]) == pytest.approx(6973.1 / 248.84, rel=1e-12)
    assert float(row["room_temperature_C"]) == pytest.approx(21.0)
    assert float(row["room_pressure_kPa"]) == pytest.approx(99.0)
    assert (row["subject"], row["model"], row["simulated"]) == ("H-0042", REQUEST.subject.model, "False")
    assert row["marks"] == "The zero moved; look at it."
    assert rows[0]["lift_m"] == rows[0]["lift_in"] == ""


def test_every_take_can_be_had_and_says_which_is_in_force(filled: Archive, reader: ArchiveReader) -> None:
    rows = points_csv(reader, [1], all_takes=True)
    assert [(row["step"], row["take"], row["in_force"]) for row in rows] == [
        ("1", "1", "False"),
        ("1", "2", "True"),
        ("2", "1", "True"),
    ]


def test_pulls_with_other_units_share_a_table_without_mixing_columns(filled: Archive, reader: ArchiveReader) -> None:
    metric = CONFIG.replace('flow = "cfm"', 'flow = "l/s"').replace('pressure = "inH2O"', 'pressure = "Pa"')
    pull_id = filled.begin_pull(REQUEST, metric, "0.1.0", UTC, None, SOURCES)
    filled.commit_point(pull_id, filled.open_session(pull_id, UTC, "0.1.0", metric, "{}"), POINT)
    rows = points_csv(reader, [1, pull_id])
    assert rows[0]["flow_l_s"] == rows[2]["flow_cfm"] == ""
    assert float(rows[2]["flow_l_s"]) == pytest.approx(35.4)
    assert len({name.lower() for name in rows[0]}) == len(rows[0])
    assert "test_pressure_Pa" not in rows[0]


def test_the_frame_holds_the_same_points_as_numbers(filled: Archive, reader: ArchiveReader) -> None:
    frame = points_frame(reader, [1])
    assert frame["flow_m3_s"].tolist() == [POINT.flow.flow_m3_s] * 2
    assert frame["step"].tolist() == [1, 2]
    assert frame["lift_m"].isna().tolist() == [True, False]
    assert frame["settled"].all()
    assert len(points_frame(reader, [])) == 0


def test_samples_come_as_received_with_their_quantity_and_si(filled: Archive, reader: ArchiveReader) -> None:
    stream = io.StringIO()
    write_samples_csv(reader, 1, stream)
    rows = list(csv.DictReader(io.StringIO(stream.getvalue())))
    sent = [*second(), *second(), *second()]
    assert [(row["channel"], int(row["t_us"]), float(row["number"]), row["source"]) for row in rows] == sent
    assert [int(row["sample"]) for row in rows] == list(range(len(sent)))
    first = rows[0]
    assert (first["channel"], first["unit"], first["si_unit"]) == ("test_pressure", "inH2O", "Pa")
    assert float(first["quantity"]) == pytest.approx(28.0)
    assert float(first["value_si"]) == pytest.approx(28.0 * 248.84, rel=1e-12)
    dial = next(row for row in rows if row["channel"] == "lift")
    assert float(dial["value_si"]) == pytest.approx(float(dial["number"]) / 1000)


def test_the_samples_of_two_sessions_fit_behind_each_other(filled: Archive, reader: ArchiveReader) -> None:
    later = filled.open_session(1, UTC, "0.1.0", CONFIG, "{}")
    filled.add_samples(later, second())
    stream = io.StringIO()
    write_samples_csv(reader, 1, stream)
    write_samples_csv(reader, later, stream, header=False)
    rows = list(csv.DictReader(io.StringIO(stream.getvalue())))
    assert [row["session_id"] for row in rows] == ["1"] * 330 + ["2"] * 110


def test_a_written_file_is_plain_utf8_with_plain_line_ends(filled: Archive, path: Path, reader: ArchiveReader) -> None:
    target = path.with_suffix(".csv")
    with target.open("w", encoding="utf-8", newline="") as stream:
        write_points_csv(reader, [1], stream)
    assert "Größe" in target.read_text(encoding="utf-8")
    assert b"\r" not in target.read_bytes()
