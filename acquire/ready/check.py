"""One check of the whole bench, from watching it to its record."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from acquire.basis import Basis
from acquire.calibration.in_force import newest_for
from acquire.calibration.record import Calibration
from acquire.client import Client
from acquire.keeping import keep
from acquire.ready import lines
from acquire.ready.plate import PlateSeries, plate_lines, plate_series
from acquire.ready.record import Readiness
from acquire.ready.response import measured_response
from acquire.ready.watch import watch
from acquire.ready.words import Words
from acquire.records import BenchSummary, PullRequest
from acquire.room.air import room_by_hand
from acquire.room.entry import RoomEntry, age_of_entry_s
from acquire.store.reader import ArchiveReader
from acquire.values import Direction

# more runs of a plate than that say nothing new about today
_MOST_RUNS = 200


@dataclass(frozen=True, slots=True)
class Checked:
    """The record as it was kept, and the plate's history that it was judged by."""

    record: Readiness
    series: tuple[PlateSeries, ...]
    bench: BenchSummary


def check_bench(client: Client, archive_path: Path, now_utc: Callable[[], str], say: Callable[[str], None]) -> Checked:
    """Tell what to do, watch, look up, judge, keep. Raises the errors that are sentences."""
    bench = client.bench()
    words = Words(bench)
    seen = watch(client, bench, say)
    now = now_utc()
    found = [lines.instruments_line(seen.instruments), *lines.watch_lines(seen, bench, words)]
    with ArchiveReader(archive_path) as reader:
        found += [
            lines.leakage_line(direction, reader.newest_leakage(direction), bench, now, words)
            for direction in bench.ready.directions
        ]
        series = _series(reader, bench)
        found += plate_lines(series, bench.ready.plate, bench.ready.plate_age_limit_s, now, words)
        entries = reader.bench_records(RoomEntry, limit=1)
        calibrations = _calibrations(reader, bench)
        response, response_line = measured_response(reader, bench)
    by_hand = room_by_hand(bench.room, _air_basis(entries[0].record if entries else None, bench, now), seen.measured)
    found.append(lines.room_line(seen.measured, seen.live, by_hand))
    found.append(lines.calibrations_line(calibrations, now))
    found.append(response_line)
    record = Readiness(
        made_utc=now,
        ready=all(line.passes for line in found),
        lines=tuple(found),
        watched=seen.watched,
        simulated=bench.simulated,
        response=response.model_dump_json() if response is not None else "",
    )
    keep(archive_path, record)
    return Checked(record, tuple(series), bench)


def _air_basis(entry: RoomEntry | None, bench: BenchSummary, now_utc: str) -> Basis:
    """What a pull begun now would take as room air."""
    now = datetime.fromisoformat(now_utc)
    return Basis(
        room=entry,
        room_age_s=age_of_entry_s(entry.made_utc, now) if entry is not None else None,
        configured_room_age_s=age_of_entry_s(bench.room.entered, now.astimezone()),
        air_judged=True,
    )


def _calibrations(reader: ArchiveReader, bench: BenchSummary) -> list[Calibration]:
    """The newest of each channel, for its present instrument."""
    found = (newest_for(reader, name, bench.name, its.instrument) for name, its in bench.channels.items())
    return [kept.record for kept in found if kept is not None]


def last_plate_requests(reader: ArchiveReader, bench: BenchSummary) -> list[PullRequest]:
    """How the plate was run last, once for each direction; empty where it never was."""
    if not bench.ready.plate:
        return []
    requests: dict[Direction, PullRequest] = {}
    for row in reader.pulls(limit=_MOST_RUNS, subject=bench.ready.plate, kind="plate"):
        if row.outcome == "complete" and row.direction not in requests:
            requests[row.direction] = reader.pull(row.id).request
    return [requests[direction] for direction in bench.ready.directions if direction in requests]


def _series(reader: ArchiveReader, bench: BenchSummary) -> list[PlateSeries]:
    plate = bench.ready.plate
    if not plate:
        return []
    rows = reader.pulls(limit=_MOST_RUNS, subject=plate, kind="plate")
    return plate_series((reader.pull(row.id) for row in rows), plate, bench.ready.plate_since, bench.simulated)
