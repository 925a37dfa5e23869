"""What is written is what is read: samples, points, pulls and everything beside them."""

import dataclasses
import json
import math
import sqlite3
from datetime import UTC as ZONE
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.records import Action, LeakageLaw, PullRequest, Setup, Subject, Template
from acquire.store.archive import Archive, PendingAction
from acquire.store.encoding import point_from, point_text
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader, Records, TimedAction
from acquire.values import Component, Mark, Point, Zeros
from drivers.sample import Notice, Sample
from tests.store.examples import CONFIG, LAW, POINT, REQUEST, SOURCES, UTC, begin, point, second

FINITE = st.floats(allow_nan=False, allow_infinity=False)
NOW = datetime.fromisoformat(UTC)


def flat(records: list[Records]) -> list[object]:
    return [item for record in records for item in (record if isinstance(record, list) else [record])]


SAMPLES = st.builds(
    Sample,
    st.sampled_from(["test_pressure", "lift", "room_humidity"]),
    st.integers(0, 2**62),
    FINITE,
    st.sampled_from(["serial:///dev/ttyACM0", "sim://front", "replay://12/ß"]),
)
ACTIONS = st.builds(
    Action,
    kind=st.sampled_from(["take", "skip", "range"]),
    step=st.none() | st.integers(0, 50),
    meter_range=st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=8),
    by=st.sampled_from(["", "Ann"]),
)
EVENTS = st.builds(TimedAction, st.integers(0, 2**62), ACTIONS) | st.builds(
    Notice, st.just("dial"), st.integers(0, 2**62), st.sampled_from(["lost", "back"]), st.just("gone; look at the plug")
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.lists(SAMPLES, min_size=1, max_size=30) | EVENTS, max_size=12), st.integers(1, 3))
def test_a_session_comes_back_in_the_order_of_arrival_however_it_was_cut_into_blocks(
    arrivals: list[list[Sample] | TimedAction | Notice], every: int
) -> None:
    with TemporaryDirectory() as folder, Archive.open(Path(folder) / "a.db") as archive:
        _, session_id = begin(archive)
        pending: list[Sample] = []
        received = 0
        for i, item in enumerate(arrivals):
            if isinstance(item, list):
                pending += item
                received += len(item)
            elif isinstance(item, Notice):
                archive.add_notice(session_id, received, item)
            else:
                archive.add_action(session_id, received, *item)
            if i % every == 0:
                archive.add_samples(session_id, pending)
                pending = []
        archive.add_samples(session_id, pending)
        with ArchiveReader(archive.path) as reader:
            came = flat(list(reader.stream(session_id)))
            assert came == flat(list(arrivals))
            assert reader.session(session_id).samples == received
            for channel in ("lift", "room_humidity"):
                t_us, value = reader.samples(session_id, channel)
                wanted = [its for its in came if isinstance(its, Sample) and its.channel == channel]
                assert t_us.tolist() == [its.t_us for its in wanted]
                assert value.tolist() == [its.value for its in wanted]


def with_numbers(value: Any, draw: Any) -> Any:
    """The same value with every float replaced by any other, degrees of freedom perhaps infinite."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.replace(
            value,
            **{
                field.name: draw(FINITE | st.just(math.inf))
                if field.name == "dof"
                else with_numbers(getattr(value, field.name), draw)
                for field in dataclasses.fields(value)
            },
        )
    if isinstance(value, tuple):
        return tuple(with_numbers(item, draw) for item in value)
    return draw(FINITE) if isinstance(value, float) else value


@given(st.data())
def test_a_point_with_any_numbers_comes_back_equal(data: st.DataObject) -> None:
    any_point: Point = with_numbers(POINT, data.draw)
    again = point_from(point_text(any_point))
    assert again == any_point
    assert repr(again) == repr(any_point)  # also tells -0.0 from 0.0


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_figure_that_is_not_a_number_is_refused_with_its_name(archive: Archive, number: float) -> None:
    pull_id, session_id = begin(archive)
    bad = dataclasses.replace(POINT, flow=dataclasses.replace(POINT.flow, flow_m3_s=number))
    with pytest.raises(ArchiveError, match=r"flow, flow_m3_s is -?(nan|inf)"):
        archive.commit_point(pull_id, session_id, bad, second())
    with ArchiveReader(archive.path) as reader:
        assert reader.pull(pull_id).points == ()
        assert reader.session(session_id).samples == 0


def test_a_point_comes_back_with_its_samples_and_actions(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, session_id = begin(archive)
    first, rest = second(0), second(50)
    press = Action(kind="take", by="Ann")
    archive.add_samples(session_id, first)
    budget = (*POINT.flow.budget, Component("ß", 0.0, "1", -0.0, "t", math.inf, 5e-324, False))
    exact = dataclasses.replace(POINT, lift_m=None, flow=dataclasses.replace(POINT.flow, budget=budget))
    archive.commit_point(pull_id, session_id, exact, rest, [PendingAction(len(first) + 10, 77, press)])
    pull = reader.pull(pull_id)
    assert pull.points == (exact,)
    assert reader.points_of_session(session_id) == [exact]
    assert reader.session_of_point(pull_id, 0, 1) == session_id
    assert flat(list(reader.stream(session_id))) == [*first, *rest[:10], TimedAction(77, press), *rest[10:]]


@pytest.mark.parametrize(
    "request_",
    [
        REQUEST,
        PullRequest(
            direction="exhaust", subject=Subject(identifier="x"), setup=Setup(), meter_range="r", lifts_m=(1e-3,)
        ),
        PullRequest(
            kind="leakage",
            direction="intake",
            subject=Subject(identifier="blank plate"),
            setup=Setup(remarks="two\nlines; it's ok"),
            meter_range="range 1",
            test_pressures_pa=(2500.0, 7000.0),
        ),
    ],
)
def test_a_request_comes_back_equal(archive: Archive, reader: ArchiveReader, request_: PullRequest) -> None:
    pull_id, _ = begin(archive, request_)
    assert reader.pull(pull_id).request == request_


def test_a_whole_pull_comes_back(archive: Archive, reader: ArchiveReader) -> None:
    pull_id = archive.begin_pull(REQUEST, CONFIG, "0.1.0", "2026-03-04T05:06:07+00:00", LAW, SOURCES)
    session_id = archive.open_session(pull_id, UTC, "0.1.0", CONFIG, '{"phase":"steps"}', t_us=5)
    before, again, after = (Zeros(i, 0.1 * i, -0.2, 1e-6) for i in range(3))
    archive.set_zeros(pull_id, session_id, "before", before)
    archive.set_zeros(pull_id, session_id, "before", again)
    for taken in (point(0), point(1), point(0, take=2)):
        archive.commit_point(pull_id, session_id, taken)
    archive.skip_step(pull_id, 2, True)
    archive.skip_step(pull_id, 1, True)
    archive.skip_step(pull_id, 1, False)
    archive.add_mark(pull_id, Mark("zero", "The zero moved by 0.06 inH2O."))
    archive.set_zeros(pull_id, session_id, "after", after)
    archive.close_session(session_id, "2026-03-04T05:26:07Z")
    archive.end_pull(pull_id, "complete", "2026-03-04T05:26:08Z")

    pull = reader.pull("last")
    assert pull == reader.pull(pull.uid) == reader.pull(str(pull_id)) == reader.pull(pull_id)
    assert len(pull.uid) == 10
    assert pull.started_utc == UTC
    assert (pull.outcome, pull.ended_utc) == ("complete", "2026-03-04T05:26:08.000Z")
    assert pull.points == (point(0), point(1), point(0, take=2))
    assert pull.in_force == {0: point(0, take=2), 1: point(1)}
    assert pull.skipped == (2,)
    assert (pull.zeros_before, pull.zeros_after) == (again, after)
    assert pull.marks == (Mark("zero", "The zero moved by 0.06 inH2O."),)
    assert pull.leakage == LAW
    assert pull.sources == SOURCES
    assert not pull.simulated
    assert pull.config.meter.ranges["range 1"].area_m2 == pytest.approx(18e-4)
    (session,) = pull.sessions
    assert reader.sessions(pull_id) == [session] == [reader.session(session_id)]
    assert (session.state_json, session.config_text, session.version) == ('{"phase":"steps"}', CONFIG, "0.1.0")
    (row,) = reader.pulls()
    assert (row.taken, row.steps, row.marks, row.simulated, row.subject) == (2, 3, 1, False, "H-0042")


def test_the_calibration_in_force_is_kept_with_each_session(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, first = begin(archive)
    other = CONFIG.replace("scale = 0.01", "scale = 0.02")
    later = archive.open_session(pull_id, UTC, "0.1.1", other, "{}")
    assert reader.calibration(first)["test_pressure"].scale == 0.01
    assert reader.calibration(later)["test_pressure"].scale == 0.02
    assert reader.calibration(first)["meter_pressure"].offset == -1.5
    assert [its.version for its in reader.sessions(pull_id)] == ["0.1.0", "0.1.1"]


def test_a_resumed_session_goes_on_counting_after_the_archive_was_closed(path: Path) -> None:
    with Archive.open(path) as archive:
        _, session_id = begin(archive)
        archive.add_samples(session_id, second())
        archive.add_action(session_id, len(second()), 1, Action(kind="pause"))
    with Archive.open(path) as archive:
        archive.add_action(session_id, len(second()), 2, Action(kind="go_on"))
        archive.add_samples(session_id, second(50))
    with ArchiveReader(path) as reader:
        came = flat(list(reader.stream(session_id)))
    pause, go_on = TimedAction(1, Action(kind="pause")), TimedAction(2, Action(kind="go_on"))
    assert came == [*second(), pause, go_on, *second(50)]


def test_one_simulated_value_makes_the_pull_a_simulated_one_for_good(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, session_id = begin(archive)
    archive.add_samples(session_id, [Sample("lift", 1, 2.0, "sim://dial"), Sample("lift", 2, 2.0, SOURCES["lift"])])
    assert reader.pulls()[0].simulated
    assert reader.pull(pull_id).simulated


def test_the_same_head_setup_and_schedule_are_kept_once(archive: Archive, reader: ArchiveReader) -> None:
    begin(archive)
    begin(archive)
    other = REQUEST.subject.model_copy(update={"remarks": "after the valve job"})
    begin(archive, REQUEST.model_copy(update={"subject": other}))
    assert reader.subjects() == [other, REQUEST.subject]
    assert reader.setups() == [REQUEST.setup]
    with sqlite3.connect(archive.path) as plain:
        counts = [plain.execute(f"SELECT count(*) FROM {its}").fetchone()[0] for its in ("schedules", "configurations")]
    plain.close()
    assert counts == [1, 1]


def test_pulls_can_be_found_by_head_kind_and_direction(archive: Archive, reader: ArchiveReader) -> None:
    begin(archive)
    exhaust, _ = begin(archive, REQUEST.model_copy(update={"direction": "exhaust"}))
    other, _ = begin(archive, REQUEST.model_copy(update={"subject": Subject(identifier="H-7")}))
    archive.end_pull(exhaust, "aborted", UTC)
    assert [row.id for row in reader.pulls()] == [3, 2, 1]
    assert [row.id for row in reader.pulls(limit=1)] == [3]
    assert [row.id for row in reader.pulls(subject="h-0042")] == [2, 1]
    assert [row.id for row in reader.pulls(direction="exhaust")] == [exhaust]
    assert reader.pulls(kind="leakage") == []
    assert [row.id for row in reader.open_pulls()] == [other, 1]


def test_templates_are_kept_replaced_and_deleted(archive: Archive, reader: ArchiveReader) -> None:
    template = Template(name="Type A", setup=REQUEST.setup, direction="intake", meter_range="r", lifts_m=(1e-3, 2e-3))
    changed = template.model_copy(update={"direction": "exhaust"})
    archive.save_template(template)
    archive.save_template(template.model_copy(update={"name": "a first one"}))
    archive.save_template(changed)
    assert [its.name for its in reader.templates()] == ["a first one", "Type A"]
    assert reader.templates()[1] == changed
    archive.delete_template("Type A")
    assert [its.name for its in reader.templates()] == ["a first one"]
    with pytest.raises(ArchiveError, match="no template 'Type A'"):
        archive.delete_template("Type A")


def law(hours: float, **changes: object) -> LeakageLaw:
    return LAW.model_copy(update={"measured_utc": (NOW + timedelta(hours=hours)).isoformat(), **changes})


def test_the_newest_leakage_of_the_direction_is_in_force_unless_too_old_or_of_another_joint(
    archive: Archive, reader: ArchiveReader
) -> None:
    begin(archive)
    wider = REQUEST.setup.model_copy(update={"bore_fixture_diameter_m": 0.1})
    begin(archive, REQUEST.model_copy(update={"setup": wider}))
    archive.add_leakage_law(law(-1, area_m2=2e-6))
    archive.add_leakage_law(law(-3, area_m2=1e-6))
    archive.add_leakage_law(law(-0.5, area_m2=9e-6, direction="exhaust"))
    archive.add_leakage_law(law(-0.2, area_m2=8e-6, pull_id=2))

    def in_force(setup: Setup, age_limit_s: float) -> float | None:
        found = reader.leakage_for("intake", setup, NOW.astimezone(ZONE), age_limit_s)
        return found.area_m2 if found else None

    assert in_force(REQUEST.setup, 86400.0) == 2e-6
    assert in_force(wider, 1e300) == 8e-6
    assert in_force(Setup(gasket_fitted=True), 86400.0) == 8e-6
    assert in_force(REQUEST.setup.model_copy(update={"gasket_fitted": False}), 86400.0) is None
    assert in_force(REQUEST.setup, 3000.0) is None
    assert reader.leakage_for("exhaust", REQUEST.setup, NOW, 86400.0) == law(
        -0.5, area_m2=9e-6, direction="exhaust"
    ).model_copy(update={"measured_utc": "2026-03-04T04:36:07.000Z"})


def test_samples_of_a_channel_can_be_cut_out_by_time_with_both_ends(archive: Archive, reader: ArchiveReader) -> None:
    _, session_id = begin(archive)
    for start in range(0, 200, 50):
        archive.add_samples(session_id, second(start))
    wanted = [its for start in range(0, 200, 50) for its in second(start) if its.channel == "lift"]
    t_us, value = reader.samples(session_id, "lift", wanted[7].t_us, wanted[23].t_us)
    assert t_us.tolist() == [its.t_us for its in wanted[7:24]]
    assert value.tolist() == [its.value for its in wanted[7:24]]
    assert len(reader.samples(session_id, "room_pressure")[0]) == 0


@pytest.mark.parametrize("text", ["2026-03-04T05:06:07", "2026-03-04T05:06:07+02:00", "yesterday"])
def test_only_utc_times_are_taken(archive: Archive, text: str) -> None:
    with pytest.raises(ArchiveError, match="2026-01-01T12:00:00Z"):
        archive.begin_pull(REQUEST, CONFIG, "0.1.0", text, None, SOURCES)


def test_writes_that_belong_together_are_kept_or_undone_together(archive: Archive, reader: ArchiveReader) -> None:
    pull_id, session_id = begin(archive)
    archive.add_samples(session_id, second())

    def fail() -> None:
        with archive.together():
            archive.add_samples(session_id, second(50))
            archive.commit_point(pull_id, session_id, POINT)
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert reader.pull(pull_id).points == ()
    archive.add_samples(session_id, second(100))
    assert flat(list(reader.stream(session_id))) == [*second(), *second(100)]
    assert reader.session(session_id).samples == 2 * len(second())


def test_figures_can_be_queried_with_nothing_but_sqlite(archive: Archive) -> None:
    pull_id, session_id = begin(archive)
    for taken in (point(0), point(1), point(1, take=2)):
        archive.commit_point(pull_id, session_id, taken, second())
    plain = sqlite3.connect(archive.path)
    found = plain.execute(
        "SELECT subject, direction, step, take, step_lift_m, flow_m3_s, half_width_95_m3_s, test_pressure_pa, settled "
        "FROM points_in_force ORDER BY step"
    ).fetchall()
    steps = plain.execute("SELECT step, lift_m FROM schedule_steps ORDER BY step").fetchall()
    channels = plain.execute("SELECT channel, source FROM session_channels ORDER BY number").fetchall()
    about = dict(plain.execute("SELECT name, value FROM about").fetchall())
    whole = json.loads(plain.execute("SELECT point_json FROM points LIMIT 1").fetchone()[0])
    plain.close()
    flow = POINT.flow
    same = (POINT.step_lift_m, flow.flow_m3_s, flow.half_width_95_m3_s, POINT.test_pressure_pa, 1)
    assert found == [("H-0042", "intake", 0, 1, *same), ("H-0042", "intake", 1, 2, *same)]
    assert [lift for _, lift in steps] == pytest.approx(list(REQUEST.lifts_m), rel=1e-12)
    assert dict(channels) == SOURCES
    assert "zlib" in about["block_format"]
    assert whole["flow"]["budget"][0]["dof"] == "Infinity"


@pytest.mark.parametrize(
    "wrong",
    [
        "UPDATE points SET flow_m3_s = 'fast'",
        "UPDATE points SET flow_m3_s = NULL",
        "UPDATE points SET step = 1.5",
        "UPDATE pulls SET direction = 'up'",
        "UPDATE pulls SET outcome = 'complete'",
        "UPDATE sample_blocks SET block = 'text'",
    ],
)
def test_the_tables_themselves_refuse_what_does_not_fit(archive: Archive, wrong: str) -> None:
    pull_id, session_id = begin(archive)
    archive.commit_point(pull_id, session_id, POINT, second())
    plain = sqlite3.connect(archive.path)
    with pytest.raises(sqlite3.IntegrityError):
        plain.execute(wrong)
    plain.close()


def test_every_table_is_strict(archive: Archive) -> None:
    plain = sqlite3.connect(archive.path)
    loose = plain.execute(
        "SELECT name FROM pragma_table_list WHERE type = 'table' AND schema = 'main' AND strict = 0 "
        "AND name NOT LIKE 'sqlite!_%' ESCAPE '!' AND name <> '_sqlite_migrations'"
    ).fetchall()
    plain.close()
    assert loose == []
