"""A scripted bench: plays frames and events to the dashboard, and notes what it was asked."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from acquire.beside.shadow import PullBeside
from acquire.client import Lost, Screen
from acquire.config import Display, MeterRange, Reference, Schedule, Settling, Shop, Zero
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    Frame,
    Guide,
    InstrumentState,
    LiveEvent,
    PullRequest,
    PullRow,
    Reading,
    ReadingState,
    Setup,
    Situation,
    Subject,
    Template,
    Wants,
)
from acquire.store.reader import ArchiveReader
from acquire.units import CFM_M3_S, INCH_M
from acquire.values import (
    AirState,
    Capture,
    FlowResult,
    Hold,
    Mark,
    Point,
    PullView,
    Standing,
    Step,
    StepView,
)

IN = INCH_M
INH2O = 249.08891
TARGET_PA = 28 * INH2O
LIFTS_IN = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
FLOWS_CFM = (62.4, 121.7, 176.3, 214.9, 240.2, 254.6, 262.1, 265.8)
HEAD = Subject(identifier="H-1042", model="Cast iron V8", port="cylinder 1")
SETUP = Setup(bore_fixture_diameter_m=4.0 * IN, inlet_treatment="radius plate", gasket_fitted=True)
SUMMARY = BenchSummary(
    name="bench one",
    version="0.1.0",
    simulated=False,
    water="conventional",
    shop=Shop(name="Example Heads"),
    display=Display(),
    reference=Reference(),
    settling=Settling(),
    zero=Zero(),
    meter_ranges={
        "small": MeterRange(area_m2=4e-4, accuracy=0.01, highest_pressure_pa=4000.0),
        "large": MeterRange(area_m2=2e-3, accuracy=0.01, highest_pressure_pa=4000.0),
    },
    schedules={
        "eight steps": Schedule(lifts_m=tuple(round(lift * IN, 9) for lift in LIFTS_IN)),
        "short": Schedule(lifts_m=(round(0.2 * IN, 9), round(0.4 * IN, 9)), test_pressure_pa=10 * INH2O),
    },
)


def request(**changes: Any) -> PullRequest:
    """What the last pull was asked for."""
    base: dict[str, Any] = {
        "direction": "intake",
        "subject": HEAD,
        "setup": SETUP,
        "meter_range": "large",
        "lifts_m": SUMMARY.schedules["eight steps"].lifts_m,
        "schedule_name": "eight steps",
    }
    return PullRequest(**(base | changes))


def point(step: int, flow_cfm: float, half_cfm: float = 0.5, take: int = 1, by_hand: bool = False) -> Point:
    """A taken point with plausible insides."""
    lift = LIFTS_IN[step] * IN
    capture = Capture(0, 3_000_000, 1e-3, 1e-6, 40.0, 1e-6, 0.1, 0.0, 150, 40.0, 0, not by_hand, "")
    hold = Hold(TARGET_PA, 0.02 * TARGET_PA, TARGET_PA, 0.0, 5.0, 0.0, 10.0, 1.0, 150, True, "")
    flow = FlowResult(0.1, 1e-3, 1e-6, 40.0, 2.0, flow_cfm * CFM_M3_S, half_cfm * CFM_M3_S, 0.0, 0.0, ())
    room = AirState(101325.0, 293.15, 0.4)
    return Point(
        step, take, 0, "hand" if by_hand else "settled", not by_hand, "", lift, lift, TARGET_PA, 900.0, room, 293.15,
        "large", capture, hold, flow,
    )  # fmt: skip


def pull_view(now: int | None = 0, taken: int | None = None, **changes: Any) -> PullView:
    """A pull at step ``now`` with the steps before it taken."""
    taken = (now or 0) if taken is None else taken
    steps = tuple(
        StepView(
            Step(lift * IN, TARGET_PA),
            "taken" if i < taken else "now" if i == now else "open",
            (point(i, FLOWS_CFM[i]),) if i < taken else (),
        )
        for i, lift in enumerate(LIFTS_IN)
    )
    base = PullView("lift", "intake", "steps", False, None, now, steps, None, None, ())
    return replace(base, **changes)


def ended_view(marks: tuple[Mark, ...] = (), **changes: Any) -> PullView:
    """A pull with every step taken."""
    return pull_view(None, 8, **({"phase": "ended", "outcome": "complete", "marks": marks} | changes))


def reading(
    value: float | None, unit: str, state: ReadingState = "live", age_s: float = 0.1, source: str = ""
) -> Reading:
    """One channel."""
    return Reading(value=value, unit=unit, age_s=age_s, state=state, source=source or "serial:///dev/ttyUSB0")


def frame(
    t_s: float = 0.0,
    *,
    pull: PullView | None = None,
    situation: Situation = "hold_settling",
    sentence: str = "Hold: flow still settling.",
    standing: Standing | None = None,
    lift_in: float = 0.3,
    pressure_inh2o: float = 28.04,
    flow_cfm: float | None = 176.2,
    wants: Wants | None = None,
    readings: dict[str, Reading] | None = None,
    source: str = "",
) -> Frame:
    """A frame as the daemon sends it."""
    if pull is None:
        situation, sentence = "no_pull", "No pull is running: begin a new one."
        flow_cfm = None
    made = {
        "test_pressure": reading(pressure_inh2o * INH2O, "Pa", source=source),
        "meter_pressure": reading(3.2 * INH2O, "Pa", source=source),
        "lift": reading(lift_in * IN, "m", source=source),
    }
    return Frame(
        t_us=round(t_s * 1e6),
        readings=made | (readings or {}),
        flow_m3_s=None if flow_cfm is None else flow_cfm * CFM_M3_S,
        standing=standing or Standing("settling", ("drift",), 4.0, 0.006),
        guide=Guide(situation=situation, sentence=sentence, wants=wants or Wants()),
        pull_id=None if pull is None else 12,
        pull=pull,
        subject=None if pull is None else HEAD,
        instruments=(
            InstrumentState(name="manometer", state="live", good_lines=1200),
            InstrumentState(name="indicator", state="live", good_lines=300, discarded_lines=2),
        ),
    )


def taken_event(number: int, step: int, sentence: str = "") -> LiveEvent:
    """The event of a taken point."""
    its = point(step, FLOWS_CFM[step])
    text = sentence or f"{FLOWS_CFM[step]} cfm ± 0.5 at {LIFTS_IN[step]:.3f} in"
    return LiveEvent(number=number, kind="taken", t_us=0, sentence=text, pull_id=12, point=its)


class FakeBench:
    """Everything a dashboard asks of a client."""

    def __init__(self) -> None:
        self.summary = SUMMARY
        self.acts: list[Action] = []
        self.entered: list[tuple[str, str]] = []
        self.archive: Path | None = None
        self.begun: list[PullRequest] = []
        self.resumed: list[int] = []
        self.kept: list[Template] = []
        self.open_rows: list[PullRow] = []
        self.last: PullRequest | None = None
        self.heads: list[Subject] = []
        self.refusal = ""
        self.streams = 0
        self.screen: Screen | None = None
        self.took_command = 0
        self.besides: dict[int | None, PullBeside] = {}
        self.asked_beside: list[tuple[int, int | None]] = []
        self._queue: asyncio.Queue[Frame | LiveEvent | Lost | Exception] = asyncio.Queue()

    def play(self, *items: Frame | LiveEvent | Lost | Exception) -> None:
        """Send these next; an exception breaks the stream."""
        for item in items:
            self._queue.put_nowait(item)

    async def live(self, rate: float) -> AsyncIterator[Frame | LiveEvent | Lost]:
        self.streams += 1
        while True:
            item = await self._queue.get()
            if isinstance(item, Exception):
                raise item
            yield item

    def _refuse(self) -> None:
        if self.refusal:
            raise RuntimeError(self.refusal)

    def bench(self) -> BenchSummary:
        return self.summary

    def begin(self, request: PullRequest) -> int:
        self._refuse()
        self.begun.append(request)
        return 12

    def act(self, action: Action) -> None:
        self._refuse()
        self.acts.append(action)

    def enter(self, channel: str, text: str) -> None:
        self._refuse()
        self.entered.append((channel, text))

    def resume(self, pull_id: int) -> None:
        self._refuse()
        self.resumed.append(pull_id)

    def pulls(self) -> list[PullRow]:
        if self.archive is not None:
            with ArchiveReader(self.archive) as reader:
                return reader.pulls()
        return [] if self.last is None else [row(7)]

    def archive_path(self) -> Path:
        self._refuse()
        return self.archive or Path("archive.db")

    def open_pulls(self) -> list[PullRow]:
        self._refuse()
        return self.open_rows

    def pull(self, pull_id: int) -> ArchivedPull:
        if self.archive is not None:
            with ArchiveReader(self.archive) as reader:
                return reader.pull(pull_id)
        assert self.last is not None
        return ArchivedPull(
            id=pull_id, uid="u", request=self.last, config=None, started_utc="", ended_utc=None, outcome="complete",  # type: ignore[arg-type]
            version="", sources={}, points=(), skipped=(), zeros_before=None, zeros_after=None, marks=(), leakage=None,
            sessions=(),
        )  # fmt: skip

    def beside(self, pull_id: int, other_id: int | None = None) -> PullBeside:
        self.asked_beside.append((pull_id, other_id))
        return self.besides.get(other_id, PullBeside(pull_id=pull_id))

    def take_command(self) -> None:
        self.took_command += 1

    def subjects(self) -> list[Subject]:
        return self.heads

    def templates(self) -> list[Template]:
        return self.kept

    def save_template(self, template: Template) -> None:
        self.kept.append(template)


def row(pull_id: int, subject: str = "H-1042", taken: int = 3) -> PullRow:
    """One line of the list of pulls."""
    return PullRow(
        pull_id, f"uid{pull_id}", "lift", "intake", subject, "", "2026-03-02T09:15:00Z", None, 8, taken, 0, False
    )
