"""A head's valves in the archive: kept, found again, and absent in an archive of before."""

import sqlite3
from pathlib import Path

from click.testing import CliRunner

from acquire.cli import cli
from acquire.records import Subject, ValveAndPort
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from tests.store.examples import REQUEST, begin, point

VALVE = ValveAndPort(count=2, seat_width_m=0.0012, seat_angle_rad=0.8, throat_diameter_m=0.03, stem_diameter_m=0.006)


def test_a_valve_comes_back_as_it_was_given_and_makes_another_head(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    subject = REQUEST.subject.model_copy(update={"intake_valve": VALVE})
    with Archive.open(path) as archive:
        for asked in (subject, subject, REQUEST.subject):
            begin(archive, REQUEST.model_copy(update={"subject": asked}))
    with ArchiveReader(path) as reader:
        assert [reader.pull(i).request.subject for i in (1, 2, 3)] == [subject, subject, REQUEST.subject]
        assert reader.subjects() == [REQUEST.subject, subject]


def test_only_what_was_given_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    subject = REQUEST.subject.model_copy(update={"intake_valve": VALVE})
    with Archive.open(path) as archive:
        begin(archive, REQUEST.model_copy(update={"subject": subject}))
    with sqlite3.connect(path) as plain:
        kept = plain.execute("SELECT intake_valve_json, exhaust_valve_json FROM subjects").fetchone()
    plain.close()
    assert tuple(kept) == (
        '{"count": 2, "seat_angle_rad": 0.8, "seat_width_m": 0.0012, "stem_diameter_m": 0.006, '
        '"throat_diameter_m": 0.03}',
        "{}",
    )


def test_the_command_shows_figures_and_says_what_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    bare = REQUEST.model_copy(update={"subject": Subject(identifier="H-0043")})
    with Archive.open(path) as archive:
        for asked in (REQUEST, bare):
            pull_id, session_id = begin(archive, asked)
            archive.commit_point(pull_id, session_id, point(0))
    said = CliRunner().invoke(cli, ["port", "1", "--db", str(path)], catch_exceptions=False).output
    assert "valve 1.4370 in" in said
    assert "Not given with the head: seat width" in said
    bare_said = CliRunner().invoke(cli, ["port", "2", "--db", str(path)], catch_exceptions=False).output
    assert "Not given with the head: intake valve diameter" in bare_said
    assert "L/D" not in bare_said
    exported = CliRunner().invoke(cli, ["export", "2", "--db", str(path)], catch_exceptions=False)
    assert "No valve diameter was given with pull 2" in exported.stderr
    assert "coefficient" not in exported.stdout
    assert "coefficient_on_curtain" in CliRunner().invoke(cli, ["export", "1", "--db", str(path)]).stdout
