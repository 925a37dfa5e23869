"""A stand-in for the engine and one for the archive: what they hold is set by the test."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from acquire.bench_records import BenchRecord
from acquire.config import BenchConfig, Meter, MeterRange, Schedule
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    Entered,
    Entry,
    EventKind,
    Frame,
    Guide,
    LiveEvent,
    PullRequest,
    PullRow,
    Refused,
    Setup,
    Subject,
    Template,
)
from acquire.service import ArchiveApi
from acquire.store.errors import ArchiveError
from acquire.values import AirState, Capture, Direction, FlowResult, Hold, Point, PullKind, Standing

CONFIG = BenchConfig(
    name="North bench",
    meter=Meter(ranges={"3": MeterRange(area_m2=2e-3, accuracy=0.01, highest_pressure_pa=2000.0)}),
    schedules={"street": Schedule(lifts_m=(0.00254, 0.00508))},
    instruments={"bench": {"driver": "lines_streamed", "port": "socket://127.0.0.1:9"}},
)
REQUEST = PullRequest(
    direction="intake",
    subject=Subject(identifier="A-17", port="2"),
    setup=Setup(remarks="plate, gasket, plug"),
    meter_range="3",
    lifts_m=(0.00254, 0.00508),
)
TEMPLATE = Template(
    name="Street heads / intake", setup=Setup(), direction="intake", meter_range="3", lifts_m=(0.00254,)
)


def point(area_m2: float = 4e-4) -> Point:
    capture = Capture(0, 1, area_m2, 1e-7, 40.0, 1e-7, 0.2, 0.0, 100, 40.0, 0, True, "")
    hold = Hold(6974.5, 139.5, 6970.0, -4.5, 3.0, 0.0, -12.0, 1.0, 100, True, "")
    flow = FlowResult(0.05, area_m2, 1e-6, 60.0, 2.0, 0.04, 0.0002, 0.0, 0.0, ())
    room = AirState(101325.0, 293.15, 0.5)
    return Point(0, 1, 5, "settled", True, "", 0.00254, 0.00254, 6970.0, 3000.0, room, 293.15, "3", capture, hold, flow)


class FakeEngine:
    """Counts events like the engine does and calls its listeners from whatever thread tells."""

    def __init__(self, archive_path: Path, name: str = "North bench") -> None:
        self.archive_path = archive_path
        self.name = name
        self.done: list[object] = []
        self.templates: dict[str, Template] = {}
        self.records: list[BenchRecord] = []
        self.flow_m3_s: float | None = 0.04
        self.refuse = ""
        self.failing = False
        self._listeners: list[Callable[[LiveEvent], None]] = []
        self._number = 0
        self._lock = threading.Lock()

    @property
    def listeners(self) -> int:
        return len(self._listeners)

    def frame(self) -> Frame:
        if self.failing:
            raise IndexError("a fault of the engine")
        return Frame.model_construct(
            t_us=self._number,
            readings={},
            flow_m3_s=self.flow_m3_s,
            standing=Standing("settling", ("drift",), 4.0),
            guide=Guide(situation="no_pull", sentence="Begin a pull."),
            pull_id=None,
            pull=None,
            subject=None,
            instruments=(),
        )

    def subscribe(self, listener: Callable[[LiveEvent], None]) -> Callable[[], None]:
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def tell(self, sentence: str = "taken", kind: EventKind = "taken", its_point: Point | None = None) -> int:
        with self._lock:
            self._number += 1
            event = LiveEvent.model_construct(
                number=self._number, kind=kind, t_us=self._number, sentence=sentence, pull_id=1, point=its_point
            )
            for listener in list(self._listeners):
                listener(event)
            return self._number

    def bench(self) -> BenchSummary:
        return BenchSummary.of(CONFIG, "9.9", simulated=True)

    def begin(self, request: PullRequest) -> int:
        self._refuse_if_told()
        self.done.append(request)
        return 7

    def resume(self, pull_id: int) -> None:
        self._refuse_if_told()
        self.done.append(pull_id)

    def act(self, action: Action) -> None:
        self._refuse_if_told()
        self.done.append(action)

    def enter(self, entry: Entry) -> Entered:
        self._refuse_if_told()
        self.done.append(entry)
        return Entered(channel=entry.channel, number=28.1, unit="inH2O")

    def keep_record(self, record: BenchRecord) -> int:
        self._refuse_if_told()
        self.records.append(record)
        return len(self.records)

    def announce(self, sentence: str) -> None:
        self.tell(sentence, "command")

    def save_template(self, template: Template) -> None:
        self._refuse_if_told()
        self.templates[template.name] = template

    def delete_template(self, name: str) -> None:
        if name not in self.templates:
            raise Refused(f"There is no template {name}.")
        del self.templates[name]

    def _refuse_if_told(self) -> None:
        if self.refuse:
            raise Refused(self.refuse)


class FakeArchive:
    """One pull, one head, and the engine's templates."""

    def __init__(self, engine: FakeEngine) -> None:
        self.engine = engine
        self.its_point = point()

    def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        self.asked = (limit, subject, kind, direction)
        return [PullRow(1, "u1", "lift", "intake", "A-17", "", "2026-01-01T00:00:00Z", None, 2, 1, 0, True)]

    def open_pulls(self) -> list[PullRow]:
        return self.pulls()

    def pull(self, pull_id: int, /) -> ArchivedPull:
        if pull_id != 1:
            raise ArchiveError(f"there is no pull {pull_id} in the archive: see the list of pulls")
        return ArchivedPull(
            id=1,
            uid="u1",
            request=REQUEST,
            config=CONFIG,
            started_utc="2026-01-01T00:00:00Z",
            ended_utc=None,
            outcome=None,
            version="9.9",
            sources={"lift": "sim://lift"},
            points=(self.its_point,),
            skipped=(),
            zeros_before=None,
            zeros_after=None,
            marks=(),
            leakage=None,
            sessions=(),
        )

    def subjects(self) -> list[Subject]:
        return [REQUEST.subject]

    def templates(self) -> list[Template]:
        return list(self.engine.templates.values())

    @contextmanager
    def open(self, path: Path) -> Iterator[ArchiveApi]:
        assert path == self.engine.archive_path
        yield self
