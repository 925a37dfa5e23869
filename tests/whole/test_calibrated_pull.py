"""A calibrated instrument in whole pulls: nearer to the truth, kept with the pull, replayed with another."""

import io
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import pytest

from acquire.basis import NO_BASIS, Basis
from acquire.budget.propagation import prepare
from acquire.bundled import read_bundled
from acquire.calibration.making import Asked, Taken, Target, make_calibration
from acquire.calibration.record import Calibration
from acquire.clock import ManualClock
from acquire.config import parse_config
from acquire.daemon.engine import Engine
from acquire.demo.plan import demo_requests
from acquire.export import write_points_csv, write_samples_csv
from acquire.pull.outputs import PullState
from acquire.pull.resuming import STATE, resumed_state
from acquire.records import Action, bench_channels
from acquire.sessions.replaying import replay_command
from acquire.sheet.data import arrange, units_of_sheet
from acquire.sheet.measured import measured_of
from acquire.steadiness.one_pull import pull_hold
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from acquire.text import pull_text
from acquire.units import INCH_M
from acquire.values import Mark
from drivers.sample import Sample
from tests.flow.bench import leakage_law
from tests.service.until import until
from tests.whole.virtual import Run, VirtualBench

prepare()  # so that the engine's own loading of the budget's library ends at once

UTC_TEXT = "2026-03-04T05:06:07+00:00"
LIFTS = (0.2 * INCH_M, 0.5 * INCH_M)
# far beyond their data sheets, so that nothing but a calibration can put it right
GAINS = {"test_pressure": 0.015, "meter_pressure": -0.025}
REFERENCES = {"test_pressure": (0.0, 8.0, 16.0, 24.0, 32.0, 40.0), "meter_pressure": (0.0, 4.0, 8.0, 12.0, 16.0)}


def config_text() -> str:
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    return text


CONFIG = parse_config(config_text(), "demo.toml")
REQUEST = next(its for its in demo_requests(CONFIG) if its.kind == "lift").model_copy(update={"lifts_m": LIFTS})


def wrong_bench(seed: int = 5) -> VirtualBench:
    bench = VirtualBench(seed, CONFIG)
    transducers = bench.bench.built.transducers
    for channel, gain in GAINS.items():
        transducers[channel] = replace(transducers[channel], gain=gain)
    return bench


def calibrated_by_reference(bench: VirtualBench, channel: str, due_utc: str = "") -> Calibration:
    """Held against a reference, up and down, as in a shop."""
    its = bench_channels(CONFIG)[channel]
    target = Target(CONFIG.name, CONFIG.water, channel, its.instrument, its.settings)
    up = REFERENCES[channel]
    transducer = bench.bench.built.transducers[channel]
    taken = [Taken(reference, transducer.reading(reference, 0.0)) for reference in (*up, *up[-2::-1])]
    asked = Asked("water column 3", 0.004, 0.01, certificate="W-118", due_utc=due_utc)
    return make_calibration(target, taken, asked, UTC_TEXT)


def basis_of(bench: VirtualBench) -> Basis:
    made = {channel: calibrated_by_reference(bench, channel) for channel in GAINS}
    return Basis(calibrations=made, calibration_ids={channel: i for i, channel in enumerate(made, 1)})


@lru_cache(maxsize=2)
def ran(calibrated: bool) -> tuple[VirtualBench, Run, Basis, list[list[Sample]]]:
    bench, batches = wrong_bench(), []
    tick = bench.tick

    def recorded_tick() -> tuple[list[Sample], list]:  # type: ignore[type-arg]
        found = tick()
        batches.append(found[0])
        return found

    bench.tick = recorded_tick  # type: ignore[method-assign]
    basis = basis_of(bench) if calibrated else NO_BASIS
    area_m2 = bench.bench.built.leakage_m2[REQUEST.direction]
    return bench, bench.pull(REQUEST, leakage_law(area_m2, u_m2=1e-7), basis=basis), basis, batches


def errors(bench: VirtualBench, run: Run) -> list[tuple[float, float]]:
    """Relative error of each point without that of the meter's plate, and its own relative half-width."""
    found = []
    stated_m2 = CONFIG.meter.ranges[REQUEST.meter_range].model_dump()["area_m2"]
    plate = bench.bench.built.range_areas_m2[REQUEST.meter_range] / stated_m2
    for point in run.points:
        truth = bench.truth_m3_s(REQUEST.direction, LIFTS[point.step])
        found.append((plate * point.flow.flow_m3_s / truth - 1.0, point.flow.half_width_95_m3_s / truth))
    return found


@pytest.mark.timeout(120)
def test_a_calibration_brings_the_points_to_the_truth_and_their_interval_holds_it() -> None:
    (raw_bench, raw_run, *_), (bench, run, *_) = ran(False), ran(True)
    for point in run.points:
        truth = bench.truth_m3_s(REQUEST.direction, LIFTS[point.step])
        assert abs(point.flow.flow_m3_s - truth) < point.flow.half_width_95_m3_s
    raw, better = errors(raw_bench, raw_run), errors(bench, run)
    assert len(raw) == len(better) == 2
    for (raw_error, raw_width), (error, width) in zip(raw, better, strict=True):
        assert abs(raw_error) > raw_width
        assert abs(error) < 0.3 * width
        assert abs(error) < 0.2 * abs(raw_error)
        # a calibrated gauge is not worse than its data sheet, so the interval does not grow much
        assert width < 1.2 * raw_width


@pytest.mark.timeout(120)
def test_the_held_pressure_is_the_calibrated_one() -> None:
    _, run, _, _ = ran(True)
    reached = [truth["test_pressure_pa"] for truth in run.truth_at_taking]
    for point, true_pa in zip(run.points, reached, strict=True):
        assert point.test_pressure_pa == pytest.approx(true_pa, rel=4e-3)


@pytest.fixture(scope="module")
def db(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The calibrated pull as the daemon would have kept it."""
    path = tmp_path_factory.mktemp("calibrated") / "archive.db"
    bench, run, basis, batches = ran(True)
    law = leakage_law(bench.bench.built.leakage_m2[REQUEST.direction], u_m2=1e-7)
    sources = dict.fromkeys(bench_channels(CONFIG), "sim://bench")
    with Archive.open(path) as archive, archive.together():
        for its in basis.calibrations.values():
            archive.add_record(its)
        pull_id = archive.begin_pull(REQUEST, config_text(), "0", UTC_TEXT, law, sources, basis)
        session_id = archive.open_session(pull_id, UTC_TEXT, "0", config_text(), STATE.dump_json(PullState()).decode())
        archive.add_samples(session_id, [sample for batch in batches for sample in batch])
        for point in run.points:
            archive.commit_point(pull_id, session_id, point)
        zeros = next(its.zeros for its in run.outputs if hasattr(its, "zeros"))
        archive.set_zeros(pull_id, session_id, "before", zeros)
        archive.end_pull(pull_id, "complete", UTC_TEXT)
    return path


@pytest.mark.timeout(120)
def test_a_pull_keeps_its_calibration_and_says_which(db: Path) -> None:
    with ArchiveReader(db) as reader:
        pull = reader.pull("last")
        settings = reader.calibration(pull.sessions[0].id)
        held = pull_hold(reader, pull)
    assert pull.basis == ran(True)[2]
    text = pull_text(pull)
    assert "Calibrated: test pressure 2026-03-04, certificate W-118." in text
    ordered = arrange([pull])
    rows = dict(measured_of(ordered, units_of_sheet(ordered)))
    assert "meter pressure 2026-03-04, certificate W-118" in rows["Calibrated"][0]
    assert settings["test_pressure"].quantity(20.0 * 1.015) == pytest.approx(20.0, abs=0.05)
    # judged again from the stored numbers, by the same calibration
    for one in held.points:
        assert one.hold.mean_pa == pytest.approx(one.point.hold.mean_pa, rel=1e-12)


@pytest.mark.timeout(120)
def test_samples_and_points_are_exported_by_the_calibration_of_the_pull(db: Path) -> None:
    samples, points = io.StringIO(), io.StringIO()
    with ArchiveReader(db) as reader:
        write_samples_csv(reader, 1, samples)
        write_points_csv(reader, [1], points)
        its = reader.pull(1).basis.calibrations["test_pressure"]
    row = next(line.split(",") for line in samples.getvalue().splitlines() if ",test_pressure," in line)
    assert float(row[6]) == pytest.approx(its.quantity(float(row[4])), rel=1e-12)
    assert "certificate W-118" in points.getvalue().splitlines()[1]


@pytest.mark.timeout(120)
def test_a_replay_is_the_same_bit_for_bit_and_another_calibration_shows_what_changes(db: Path) -> None:
    said: list[str] = []
    assert replay_command(db, "pull:1", None, None, watch=False, say=said.append) == 0
    assert "the same, bit for bit" in said[0]
    said.clear()
    other = ["meter_pressure=none"]
    assert replay_command(db, "pull:1", None, None, watch=False, say=said.append, chosen=other) == 1
    text = "\n".join(said)
    assert "meter pressure: the configured scale instead of calibration 2 of 2026-03-04" in text
    rows = [line.split() for line in said[1].splitlines()[-2:]]
    for row, kept in zip(rows, ran(True)[1].points, strict=True):
        recorded, now, change = float(row[2]), float(row[3]), float(row[4])
        assert recorded == pytest.approx(kept.flow.flow_m3_s / 4.719474432e-4, abs=0.005)
        assert now - recorded == pytest.approx(change, abs=0.011)
        # (1 - 0.025)^0.5 of the flow
        assert now / recorded == pytest.approx(0.9874, abs=0.003)


# ---------------------------------------------------------------- the daemon

WHEN = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)


def engine_text() -> str:
    text = read_bundled("demo.toml").replace("{front_end}", "loop://").replace("{lift_indicator}", "socket://[::1]:9")
    room = '[room]\npressure = "98 kPa"\ntemperature = "20 C"\nhumidity = "50 %RH"\n'
    return text[: text.index("[instruments.weather]")] + room


def shown(engine: Engine) -> float:
    """What a number of 10 is shown as."""
    return engine._frames._scales["test_pressure"].si(10.0) / 249.08891


@pytest.mark.timeout(60)
def test_the_newest_calibration_holds_for_new_pulls_while_a_running_one_keeps_its_own(tmp_path: Path) -> None:
    path, text = tmp_path / "archive.db", engine_text()
    with Archive.open(path) as archive:
        archive.add_record(calibration(1.1, due_utc="2026-11-01T23:59:59+00:00"))
        archive.add_record(calibration(1.5).model_copy(update={"instrument": "sold last year"}))
        archive.add_record(calibration(1.6).model_copy(update={"bench": "the other bench"}))
    engine = Engine(parse_config(text, "bench.toml"), text, path, ManualClock(utc=WHEN))
    engine.start()
    try:
        assert shown(engine) == pytest.approx(11.0)
        number = engine.begin(REQUEST)
        engine.keep_record(calibration(1.2))
        assert shown(engine) == pytest.approx(11.0)
        engine.act(Action(kind="abort"))
        until(lambda: shown(engine) == pytest.approx(12.0), "values by the newest calibration")
        second = engine.begin(REQUEST)
    finally:
        engine.stop()
    with ArchiveReader(path) as reader:
        first_pull, second_pull = reader.pull(number), reader.pull(second)
    assert first_pull.basis.calibration_ids == {"test_pressure": 1}
    assert second_pull.basis.calibration_ids == {"test_pressure": 4}
    assert first_pull.basis.overdue == ("test_pressure",)
    (mark,) = [its for its in first_pull.marks if its.kind == "calibration"]
    assert mark.sentence == (
        "Calibration expired: that of the test pressure was due 2026-11-01. "
        "Calibrate it again (steadydraw calibrate test_pressure), then repeat the pull."
    )
    assert "Calibrated: EXPIRED: test pressure 2026-03-04, due 2026-11-01." in pull_text(first_pull)
    assert not [its for its in second_pull.marks if its.kind == "calibration"]


def calibration(slope: float, due_utc: str = "") -> Calibration:
    return Calibration(
        made_utc=UTC_TEXT if slope < 1.2 else "2026-03-05T00:00:00+00:00",
        bench="demo bench",
        channel="test_pressure",
        instrument="front_end",
        unit="inH2O@conventional",
        coefficients=(0.0, slope),
        due_utc=due_utc,
    )


def test_an_interrupted_pull_that_was_only_marked_begins_with_its_zeros(db: Path) -> None:
    with ArchiveReader(db) as reader:
        pull = reader.pull(1)
    bare = replace(pull, points=(), zeros_before=None, marks=(Mark("calibration", "Calibration expired."),))
    assert resumed_state(bare).phase == "zero_before"
    left_out = replace(bare, marks=(Mark("zero", "The zeros were not read before the pull."),))
    assert resumed_state(left_out).phase == "steps"
