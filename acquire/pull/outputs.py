"""What a pull's state machine says happened, and where it stands."""

from dataclasses import dataclass
from typing import Literal

from acquire.values import Mark, Outcome, Phase, Point, Zeros


@dataclass(frozen=True, slots=True)
class Taken:
    """A point to be committed, then acknowledged."""

    point: Point


@dataclass(frozen=True, slots=True)
class ZerosRead:
    """Zeros to be kept."""

    which: Literal["before", "after"]
    zeros: Zeros


@dataclass(frozen=True, slots=True)
class Marked:
    """A mark that stays on the pull."""

    mark: Mark


@dataclass(frozen=True, slots=True)
class Skipped:
    """A step was left out, or is wanted after all."""

    step: int
    skipped: bool


@dataclass(frozen=True, slots=True)
class Moved:
    """Another phase or another step; ``sentence`` announces it."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The pull is over."""

    outcome: Outcome


Output = Taken | ZerosRead | Marked | Skipped | Moved | Ended


@dataclass(frozen=True, slots=True)
class PullState:
    """Where a pull stands at the start of a session: enough to go on from."""

    phase: Phase = "zero_before"
    now: int = 0
    meter_range: str = ""
    points: tuple[Point, ...] = ()
    skipped: tuple[int, ...] = ()
    zeros_before: Zeros | None = None
    marks: tuple[Mark, ...] = ()
