"""What a replay costs beside its floor: the same samples read back as arrays, and one pass over them.

``python -m tests.benchmarks.replay [--pulls 3] [--seed 1]``

A session of the usual bench: six channels at 50 samples a second, the room's
air in flickering digits, an operator who moves and waits. Floor and replay
take turns in one run, and each figure is the median of the turns; seconds are
those of the processor, so that what else the machine does counts less.
"""

import argparse
import random
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from acquire import __version__
from acquire.clock import ManualClock
from acquire.daemon.recorder import Recorder
from acquire.demo.plan import demo_requests
from acquire.pull.batch import Batch
from acquire.pull.core import PullCore
from acquire.pull.outputs import Output, Taken
from acquire.records import PullRequest
from acquire.sessions.replay import replay
from acquire.store.archive import Archive
from acquire.store.reader import ArchiveReader
from drivers.sample import Press, Sample
from tests.whole.virtual import VirtualBench, demo_text

TURNS = 5
BLOCK = 30
"""Samples in a tenth of a second of the whole bench."""
AIR = {"room_pressure": (99.31, 0.01), "room_temperature": (21.4, 0.01), "room_humidity": (41.0, 0.1)}


class FastBench(VirtualBench):
    """Every channel speaks fifty times a second; all of it is recorded as the daemon records it."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self._digits = random.Random(seed)
        self.recorder: Recorder | None = None

    def tick(self) -> tuple[list[Sample], list[Press]]:
        samples, presses = super().tick()
        samples = [sample for sample in samples if sample.channel in ("test_pressure", "meter_pressure")]
        lift = self._latest.get("lift")
        if lift is not None:
            samples.append(lift._replace(t_us=self.t_us))
        for channel, (value, digit) in AIR.items():
            flickering = round(value + digit * self._digits.choice((0, 0, 0, 1)), 2)
            samples.append(Sample(channel, self.t_us, flickering, "sim://weather"))
        if self.recorder is not None:
            self.recorder.samples(samples)
            self.recorder.flush_if_due()
        return samples, presses

    def record(self, archive: Archive, request: PullRequest) -> int:
        """One pull into the archive; its session."""
        clock = ManualClock()
        utc = clock.utc().isoformat()
        sources = dict.fromkeys((*AIR, "test_pressure", "meter_pressure", "lift"), "sim://bench")
        pull_id = archive.begin_pull(request, demo_text(), __version__, utc, None, sources)
        session_id = archive.open_session(pull_id, utc, __version__, demo_text(), "{}", t_us=self.t_us)
        self._latest.clear()
        self.recorder = its = Recorder(archive, pull_id, session_id, clock)

        def each(_core: PullCore, outputs: list[Output]) -> None:
            for output in outputs:
                if isinstance(output, Taken):
                    its.output(output, lambda: None)

        self.pull(request, each=each)
        its.close()
        self.recorder = None
        return session_id


def floor_read(reader: ArchiveReader, session_ids: list[int]) -> list[np.ndarray]:
    """All samples back as arrays."""
    return [
        record.value for session_id in session_ids for record in reader.batches(session_id) if isinstance(record, Batch)
    ]


def floor_pass(values: list[np.ndarray]) -> float:
    """One vectorised pass: scaled, root taken, means and variances of blocks."""
    total = 0.0
    for value in values:
        scaled = np.sqrt(np.abs(value * 249.08891 + 1.0))
        blocks = scaled[: scaled.size // BLOCK * BLOCK].reshape(-1, BLOCK)
        total += float(blocks.mean(axis=1).sum() + blocks.var(axis=1).sum())
    return total


def spent(work: Callable[[], object]) -> float:
    """Seconds of the processor."""
    before = time.process_time()
    work()
    return time.process_time() - before


def main() -> None:
    """Record, then measure floor and replay in turn."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--pulls", type=int, default=3, help="recorded pulls of eight lifts, about two minutes each")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "archive.db"
        with Archive.open(path) as archive:
            sessions = []
            for seed in range(asked.seed, asked.seed + asked.pulls):
                bench = FastBench(seed)
                sessions.append(bench.record(archive, demo_requests(bench.config)[1]))
        with ArchiveReader(path) as reader:
            report(reader, sessions)


def report(reader: ArchiveReader, sessions: list[int]) -> None:
    """The figures of these sessions."""
    first = [replay(reader, session_id) for session_id in sessions]
    count = sum(result.session.samples for result in first)
    points = sum(len(result.points) for result in first)
    differences = sum(len(result.differences) for result in first)
    stream_s = count / 300
    print(f"{count} samples, {stream_s:.0f} s at 300 samples/s, {points} points, {differences} differences")
    reads, passes, replays = [], [], []
    values: list[np.ndarray] = []
    for _ in range(TURNS):
        reads.append(spent(lambda: values.extend(floor_read(reader, sessions))))
        passes.append(spent(lambda: floor_pass(values)))
        values.clear()
        replays.append(spent(lambda: [replay(reader, session_id) for session_id in sessions]))
    floor_s, replay_s = median(a + b for a, b in zip(reads, passes, strict=True)), median(replays)
    print("| what | times real time | us a sample |")
    print("|---|---|---|")
    for name, its in (("read back as arrays", median(reads)), ("read back, one pass", floor_s), ("replay", replay_s)):
        print(f"| {name} | {stream_s / its:,.0f} | {1e6 * its / count:.2f} |")
    ratios = sorted(c / (a + b) for a, b, c in zip(reads, passes, replays, strict=True))
    print(f"\nRatio to the floor: {median(ratios):.1f} ({ratios[0]:.1f} to {ratios[-1]:.1f} in {TURNS} turns)")
    tracemalloc.start()
    replay(reader, sessions[0])
    print(f"Peak memory of one replay: {tracemalloc.get_traced_memory()[1] / 1e6:.1f} MB above what was there")
    tracemalloc.stop()


if __name__ == "__main__":
    main()
