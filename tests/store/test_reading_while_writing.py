"""Readers work while a pull runs, see only what is whole, and never hold up the writer."""

import multiprocessing
import sqlite3
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path

import pytest

from acquire.records import Action
from acquire.store.archive import Archive
from acquire.store.errors import ArchiveError
from acquire.store.reader import ArchiveReader, TimedAction
from acquire.values import Mark
from drivers.sample import Sample
from tests.store.examples import REQUEST, begin, point, second


def read_until(path: Path, session_id: int, done: Event, pipe: "Connection[int | str, None]") -> None:
    """In another process: everything read is a whole beginning of what is written. Sends how many points, each time."""
    finished = False
    points = 0
    while not finished:
        finished = done.is_set()
        with ArchiveReader(path) as reader:
            pull = reader.pull("last")
            if len(pull.points) < points or pull.points != tuple(point(step) for step in range(len(pull.points))):
                pipe.send(f"{len(pull.points)} points, not those that were written, after {points}")
                return
            points = len(pull.points)
            samples = [its for record in reader.stream(session_id) if isinstance(record, list) for its in record]
            whole = [its for block in range(len(samples) // 110) for its in second(50 * block)]
            if samples != whole or len(samples) // 110 < points:
                pipe.send(f"{len(samples)} samples at {points} points")
                return
        pipe.send(points)


def test_other_processes_read_a_growing_pull(path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    done = context.Event()
    receiver, sender = context.Pipe(duplex=False)
    seen: list[int | str] = []
    with Archive.open(path) as archive:
        pull_id, session_id = begin(archive)
        process = context.Process(target=read_until, args=(path, session_id, done, sender))
        process.start()
        step = 0
        while len(set(seen)) < 5 and process.is_alive():
            # a little ahead of the reader, which reads everything each time
            if step < 40 * (len(seen) + 1):
                archive.commit_point(pull_id, session_id, point(step), second(50 * step))
                step += 1
            while receiver.poll(0.0 if step < 40 * (len(seen) + 1) else 0.05):
                seen.append(receiver.recv())
        done.set()
        while step not in seen and receiver.poll(10):
            seen.append(receiver.recv())
        process.join(30)
    receiver.close()
    sender.close()
    process.close()
    assert all(isinstance(points, int) for points in seen), seen
    assert seen[-1] == step
    assert len(set(seen)) >= 5


def test_a_stream_begun_while_writing_ends_where_it_began_and_stays_in_order(
    archive: Archive, reader: ArchiveReader
) -> None:
    _, session_id = begin(archive)
    archive.add_samples(session_id, second())
    archive.add_action(session_id, len(second()), 1, Action(kind="pause"))
    archive.add_samples(session_id, second(50))
    stream = reader.stream(session_id)
    assert next(stream) == second()
    archive.add_action(session_id, 2 * len(second()), 2, Action(kind="go_on"))
    archive.add_samples(session_id, second(100))
    assert list(stream) == [TimedAction(1, Action(kind="pause")), second(50)]


def test_a_reader_in_the_middle_of_a_stream_holds_no_view_of_the_file_open(
    archive: Archive, reader: ArchiveReader
) -> None:
    _, session_id = begin(archive)
    archive.add_samples(session_id, second())
    archive.add_samples(session_id, second(50))
    stream = reader.stream(session_id)
    next(stream)
    archive.add_samples(session_id, second(100))
    busy, _, _ = archive._sql.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    assert next(stream) == second(50)


def test_a_reader_cannot_write(archive: Archive, reader: ArchiveReader) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._sql.execute("DELETE FROM pulls")


def test_more_channels_than_a_block_can_number_are_refused(archive: Archive, reader: ArchiveReader) -> None:
    _, session_id = begin(archive)
    most = [Sample("lift", i, 1.0, f"serial://{i}") for i in range(256)]
    archive.add_samples(session_id, most)
    with pytest.raises(ArchiveError, match="begin a new session"):
        archive.add_samples(session_id, [Sample("lift", 0, 1.0, "serial://one too many")])
    assert list(reader.stream(session_id)) == [most]


def test_ten_thousand_pulls_are_listed_with_the_help_of_an_index(archive: Archive, reader: ArchiveReader) -> None:
    with archive.together():
        pull_id, session_id = begin(archive)
        for step in range(3):
            archive.commit_point(pull_id, session_id, point(step))
        columns = [row[1] for row in archive._sql.execute("PRAGMA table_info(pulls)") if row[1] not in ("id", "uid")]
        names = ", ".join(columns)
        archive._sql.execute(
            f"INSERT INTO pulls (uid, {names}) WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n "
            f"WHERE i < 9999) SELECT 'copy' || i, {names} FROM n, pulls WHERE pulls.id = {pull_id}"
        )
        columns = [
            row[1] for row in archive._sql.execute("PRAGMA table_info(points)") if row[1] not in ("id", "pull_id")
        ]
        names = ", ".join(columns)
        archive._sql.execute(
            f"INSERT INTO points (pull_id, {names}) SELECT pulls.id, {', '.join('p.' + its for its in columns)} "
            f"FROM pulls, points AS p WHERE p.pull_id = {pull_id} AND pulls.id <> {pull_id}"
        )
        archive.add_mark(pull_id, Mark("zero", "moved"))
    rows = reader.pulls()
    assert len(rows) == 10_000
    assert {row.taken for row in rows} == {3}
    assert (rows[-1].marks, rows[0].marks) == (1, 0)
    assert rows[0].subject == REQUEST.subject.identifier
    assert reader.pull("last").id == 10_000
    assert len(reader.pulls(limit=20)) == 20
    # what belongs to a pull is found by an index: a scan for each pull would grow with the square
    plan = archive._sql.execute("EXPLAIN QUERY PLAN SELECT count(DISTINCT step) FROM points WHERE pull_id = 1")
    assert all("SEARCH" in row[3] and "INDEX" in row[3] for row in plan if "points" in row[3])
