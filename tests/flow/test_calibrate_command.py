"""calibrate from the command line: what is kept, what is shown, what is refused; and readings taken live."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from acquire.bundled import read_bundled
from acquire.calibration.live import take_live
from acquire.calibration.record import Calibration, CalibrationCheck
from acquire.cli import cli
from acquire.records import Frame, Reading, Refused
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader

UP_AND_DOWN = "reference,reading\n0,0.03\n10,9.9\n20,19.8\n40,39.5\n20,19.79\n10,9.89\n0,0.02\n"
STANDARD = ("--standard", "water column 3", "--standard-uncertainty", "0.01 inH2O", "--certificate", "W-118")


@pytest.fixture
def config(tmp_path: Path) -> Path:
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def run(tmp_path: Path, config: Path) -> Callable[..., Result]:
    def command(*words: Any, typed: str = "", points: str = UP_AND_DOWN, suffix: str = ".csv") -> Result:
        file = tmp_path / f"points{suffix}"
        file.write_text(points, encoding="utf-8")
        given = [str(word) for word in words]
        if "--list" not in given:
            given += ["--config", str(config)]
            given += ["--points", str(file)] if points else []
        return CliRunner().invoke(
            cli, ["calibrate", *given, "--db", str(tmp_path / "a.db")], input=typed, standalone_mode=False
        )

    return command


def kept(tmp_path: Path) -> list[Calibration]:
    with ArchiveReader(tmp_path / "a.db") as reader:
        return [its.record for its in reader.bench_records(Calibration)]


def test_a_calibration_is_shown_and_kept_after_a_yes(run: Callable[..., Result], tmp_path: Path) -> None:
    done = run("test_pressure", *STANDARD, "--due", "2999-12-31", typed="y\n")
    assert done.return_value == 0, done.exception
    assert "water column 3, certificate W-118: ±0.01 inH2O (95 %)" in done.stdout
    assert "Straight line: " in done.stdout
    assert "Kept as calibration 1" in done.stderr
    (its,) = kept(tmp_path)
    assert (its.channel, its.instrument, its.bench, its.unit) == (
        "test_pressure",
        "front_end",
        "demo bench",
        "inH2O@conventional",
    )
    assert its.quantity(19.795) == pytest.approx(20.0, abs=0.03)
    assert its.as_found[3] == pytest.approx(-0.5)
    assert max(map(abs, its.as_left)) < 0.05
    assert its.hysteresis == pytest.approx(0.01, rel=0.1)
    assert (its.low, its.high, its.dof, its.due_utc[:10]) == (0.0, 40.0, 5.0, "2999-12-31")
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_a_no_and_a_dry_run_keep_nothing(run: Callable[..., Result], tmp_path: Path) -> None:
    declined = run("test_pressure", *STANDARD, typed="n\n")
    dry = run("test_pressure", *STANDARD, "--dry-run")
    assert (declined.return_value, dry.return_value) == (1, 0)
    assert "Nothing was kept." in declined.stderr
    assert "Nothing was kept." in dry.stderr
    assert not (tmp_path / "a.db").exists()


def test_a_check_is_kept_without_changing_what_is_in_force(run: Callable[..., Result], tmp_path: Path) -> None:
    run("test_pressure", *STANDARD, "--yes")
    done = run("test_pressure", *STANDARD, "--as-found-only", "--yes")
    assert "Largest error as found" in done.stdout
    assert len(kept(tmp_path)) == 1
    with ArchiveReader(tmp_path / "a.db") as reader:
        (check,) = reader.bench_records(CalibrationCheck)
    # by the calibration in force, not by the configuration
    assert check.record.before_id == 1
    assert max(map(abs, check.record.as_found)) < 0.05


def test_the_history_shows_the_drift_since_the_calibration_before(run: Callable[..., Result]) -> None:
    run("test_pressure", *STANDARD, "--yes")
    moved = UP_AND_DOWN.replace("39.5", "39.7").replace("19.8", "19.9").replace("19.79", "19.89")
    run("test_pressure", *STANDARD, "--yes", points=moved)
    listed = run("--list").stdout.splitlines()
    assert len(listed) == 3
    assert listed[1].split()[-1] == "-"
    assert float(listed[2].split()[-1]) == pytest.approx(0.2, abs=0.05)
    assert max(map(len, listed)) <= 100
    rows = json.loads(run("--list", "--json").stdout)
    assert [row["id"] for row in rows] == [1, 2]
    assert rows[1]["record"]["before_id"] == 1


def test_readings_as_shown_are_turned_back_through_what_is_in_force(run: Callable[..., Result], tmp_path: Path) -> None:
    run("test_pressure", *STANDARD, "--yes")
    (first,) = kept(tmp_path)
    numbers = [0.03, 9.9, 19.8, 39.5]
    shown = "reference,reading\n" + "".join(f"{10 * i},{first.quantity(n)!r}\n" for i, n in enumerate(numbers))
    run("test_pressure", *STANDARD, "--yes", "--readings", "shown", points=shown)
    assert [point.number for point in kept(tmp_path)[0].points] == pytest.approx(numbers, abs=1e-9)


def test_a_file_in_toml_says_everything_and_options_come_first(run: Callable[..., Result], tmp_path: Path) -> None:
    text = (
        'standard = "gauge blocks"\nstandard_uncertainty = "0.5 thou"\ncertificate = "G-7"\ndue = 2999-01-01\n'
        'fit = "quadratic"\nunit = "mm"\nby = "Ann"\n'
        "points = [[0, 0.0], [5.08, 0.2001], [10.16, 0.4003], [15.24, 0.6004], [20.32, 0.8008]]\n"
    )
    done = run("lift", "--certificate", "G-8", "--yes", points=text, suffix=".toml")
    assert done.return_value == 0, done.exception
    (its,) = kept(tmp_path)
    assert (its.certificate, its.fit, its.made_by, its.due_utc[:10]) == ("G-8", "quadratic", "Ann", "2999-01-01")
    assert its.standard_uncertainty == pytest.approx(0.0005)
    assert its.high == pytest.approx(0.8)


def test_points_can_be_typed_one_by_one(run: Callable[..., Result], tmp_path: Path) -> None:
    typed = "dead-weight tester\n0.02 %\n0\n0.03\n10 inH2O\n9.9\n5 in\nforty\n40\n39.5\n\ny\n"
    done = run("test_pressure", typed=typed, points="")
    assert done.return_value == 0, (done.exception, done.stderr)
    assert "in measures length, but test pressure is a pressure: give it in inH2O." in done.stderr
    (its,) = kept(tmp_path)
    assert [(point.reference, point.number) for point in its.points] == [(0.0, 0.03), (10.0, 9.9), (40.0, 39.5)]
    assert (its.standard, its.standard_percent) == ("dead-weight tester", 0.02)
    assert "hysteresis is not known" in done.stdout


@pytest.mark.parametrize(
    ("points", "words", "said"),
    [
        ("reference,reading\n0,0\n10,10\n", (), "needs at least 3 different references"),
        ("reference,reading\n0,0\n20,20\n10,10\n30,30\n", (), "out of order: 10 comes after 20"),
        ("reference,reading\n0,0\n30,30\n70,70\n", (), "70 inH2O lies outside the instrument's range"),
        ("reference,reading\n0,3\n10,3\n20,3\n", (), "all readings are equal"),
        ("reference,reading\n0,0\n10 mm,10\n20,20\n", (), "mm measures length"),
        ("reference,reading\n0,0\n10,-10\n20,-20\n", (), "the readings fall while the reference rises"),
        ("reference,reading\n0,0\n10,ten\n20,20\n", (), "'ten' is not a number as the instrument sends it"),
        ("reference,value\n0,0\n", (), "must name the columns reference and reading"),
        (UP_AND_DOWN, ("--due", "2001-01-01"), "is in the past"),
        (UP_AND_DOWN, ("--due", "soon"), "is not a date"),
        (UP_AND_DOWN, ("--standard-uncertainty", "0 inH2O"), "A reference without uncertainty cannot be"),
        (UP_AND_DOWN, ("--fit", "quadratic"), "a quadratic needs at least 5"),
    ],
)
def test_what_cannot_be_a_calibration_is_refused_in_one_sentence(
    run: Callable[..., Result], tmp_path: Path, points: str, words: tuple[str, ...], said: str
) -> None:
    done = run("test_pressure", *STANDARD, *words, "--yes", points=points)
    assert isinstance(done.exception, Refused)
    assert said in str(done.exception)
    assert "\n" not in str(done.exception)
    assert not (tmp_path / "a.db").exists()


def test_a_channel_that_no_instrument_measures_is_refused(run: Callable[..., Result]) -> None:
    done = run("meter_flow", *STANDARD)
    assert "meter_flow is no channel of bench demo bench: use one of test_pressure" in str(done.exception)


def test_a_reference_worse_than_the_instrument_is_said(run: Callable[..., Result]) -> None:
    done = run("test_pressure", "--standard", "old gauge", "--standard-uncertainty", "0.5 inH2O", "--dry-run")
    assert "the reference (±0.5 inH2O) is less accurate than the instrument's configured" in done.stdout


def test_the_list_marks_what_has_expired(run: Callable[..., Result], tmp_path: Path) -> None:
    run("test_pressure", *STANDARD, "--yes")
    (its,) = kept(tmp_path)
    with Archive.open(tmp_path / "a.db") as archive:
        archive.add_record(its.model_copy(update={"due_utc": "2020-01-01T23:59:59+00:00"}))
    assert "2020-01-01 EXPIRED" in run("--list").stdout


# ---------------------------------------------------------------- live


def frames(numbers: Iterator[float | None], every_us: int = 50_000) -> Callable[[], Frame]:
    now = [0]

    def frame() -> Frame:
        now[0] += every_us
        number = next(numbers)
        state: Any = "lost" if number is None else "live"
        reading = Reading(value=1.0, unit="Pa", age_s=0.0, state=state, source="here", number=number)
        return Frame.model_construct(t_us=now[0], readings={"test_pressure": reading})

    return frame


def test_a_live_reading_is_the_mean_of_the_first_second_that_stands_still() -> None:
    def numbers() -> Iterator[float]:
        for i in range(40):
            yield 10.0 + i * 0.1
        while True:
            yield from (14.001, 13.999, 14.0)

    its = take_live(frames(numbers()), lambda _: None, "test_pressure", 20.0, 0.001)
    assert its.reference == 20.0
    assert its.number == pytest.approx(14.0, abs=5e-4)
    assert 10 <= its.n <= 21
    assert its.scatter == pytest.approx(8e-4, rel=0.3)


def test_a_reading_that_never_stands_still_is_refused() -> None:
    rising = (0.1 * i for i in range(10_000))
    with pytest.raises(Refused, match="did not stand still"):
        take_live(frames(rising), lambda _: None, "test_pressure", 20.0, 0.001)


def test_a_lost_instrument_gives_no_reading() -> None:
    with pytest.raises(Refused, match="sends nothing now"):
        take_live(frames(iter([None])), lambda _: None, "test_pressure", 20.0)
