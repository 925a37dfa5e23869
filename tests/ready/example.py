"""An invented bench, frames from it, and runs of its reference plate."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from acquire.ready.record import Watched
from acquire.ready.watch import Seen
from acquire.records import (
    ArchivedPull,
    BenchSummary,
    Frame,
    Guide,
    InstrumentState,
    LeakageLaw,
    PullRequest,
    Reading,
    Setup,
    Subject,
)
from acquire.values import Direction, Point, Standing
from tests.flow.test_leakage import reading_of
from tests.whole.virtual import demo_config

INH2O = 249.08891
NOW = "2026-05-20T12:00:00+00:00"
PLATE = "check plate 1"
CONFIG = demo_config().model_copy(
    update={"ready": demo_config().ready.model_copy(update={"plate": PLATE, "watch_s": 10.0, "longest_wait_s": 30.0})}
)
BENCH = BenchSummary.of(CONFIG, "0", simulated=True)
LIVE = InstrumentState(name="front_end", state="live")


def reading(value: float | None, unit: str = "Pa", live: bool = True) -> Reading:
    return Reading(value=value, unit=unit, age_s=0.1, state="live" if live else "lost", source="sim://x")


def frame(t_s: float, test_pa: float = 1.0, meter_pa: float = -2.0, lift_m: float = 0.0, **changes: Any) -> Frame:
    readings = {
        "test_pressure": reading(test_pa),
        "meter_pressure": reading(meter_pa),
        "lift": reading(lift_m, "m"),
        "meter_temperature": reading(295.0, "K"),
        "room_pressure": reading(99000.0),
        "room_temperature": reading(294.0, "K"),
        "room_humidity": reading(0.4, "1"),
    }
    readings |= changes.pop("readings", {})
    values = {
        "t_us": round(t_s * 1e6),
        "readings": readings,
        "flow_m3_s": None,
        "standing": Standing("waiting"),
        "guide": Guide(situation="no_pull", sentence="Begin."),
        "pull_id": None,
        "pull": None,
        "subject": None,
        "instruments": (LIVE,),
    }
    return Frame.model_validate(values | changes)


def watched(channel: str, values: Sequence[float]) -> Watched:
    """A reading every half second."""
    return Watched(channel=channel, t_s=tuple(0.5 * i for i in range(len(values))), values=tuple(values))


def seen(**channels: Sequence[float]) -> Seen:
    """What was seen with the bench off; ``channels`` replace the quiet ones."""
    quiet = {
        "test_pressure": [1.0, 1.2] * 10,
        "meter_pressure": [-2.0, -2.1] * 10,
        "lift": [0.0] * 20,
        "meter_temperature": [295.0] * 20,
    }
    kept = tuple(watched(name, values) for name, values in (quiet | channels).items() if values)
    names = frozenset(frame(0.0).readings)
    return Seen(kept, "", 10.0, (LIVE,), names, names)


def law(days_old: float = 1.0, **changes: Any) -> LeakageLaw:
    day = 20 - int(days_old)
    values: dict[str, Any] = {
        "pull_id": 3,
        "direction": "intake",
        "measured_utc": f"2026-05-{day:02}T12:00:00+00:00",
        "reference_pressure_pa": 28 * INH2O,
        "area_m2": 9e-6,
        "standard_uncertainty_m2": 1e-7,
        "dof": 30.0,
        "gap_uncertainty_m2": 1e-7,
    }
    return LeakageLaw.model_validate(values | changes)


def plate_point(step: int, area_m2: float, u_m2: float = 4e-7) -> Point:
    made = reading_of(28.0, area_m2, u_m2)
    return replace(made, step=step, meter_range="large")


def plate_pull(number: int, areas_m2: Sequence[float], direction: Direction = "intake", **changes: Any) -> ArchivedPull:
    """A run of the plate; run ``number`` was on that day of May 2026."""
    request = PullRequest(
        kind="plate",
        direction=direction,
        subject=Subject(identifier=changes.pop("plate", PLATE)),
        setup=Setup(),
        meter_range="large",
        test_pressures_pa=(28 * INH2O, 14 * INH2O)[: len(areas_m2)],
    )
    values: dict[str, Any] = {
        "id": number,
        "uid": f"uid{number}",
        "request": request,
        "config": CONFIG,
        "started_utc": f"2026-05-{number:02}T08:00:00+00:00",
        "ended_utc": None,
        "outcome": "complete",
        "version": "0",
        "sources": {"test_pressure": "sim://front_end"},
        "points": tuple(plate_point(step, area) for step, area in enumerate(areas_m2)),
        "skipped": (),
        "zeros_before": None,
        "zeros_after": None,
        "marks": (),
        "leakage": None,
        "sessions": (),
    }
    return ArchivedPull(**(values | changes))
