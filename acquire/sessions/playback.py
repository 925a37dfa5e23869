"""Where a recorded session stands while it is watched, and what happened in it."""

from dataclasses import dataclass, field
from typing import Literal

HappeningKind = Literal["taken", "not settled", "not held", "left early", "refused", "notice", "mark", "skipped"]
SPEEDS = (1.0, 2.0, 5.0, 10.0, 30.0, 100.0)


@dataclass(frozen=True, slots=True)
class Happening:
    """Something worth going to: when, what, and the reason in words."""

    t_us: int
    kind: HappeningKind
    sentence: str

    @property
    def doubtful(self) -> bool:
        """Whether something was rejected, refused or marked, rather than taken as it should be."""
        return self.kind != "taken"


@dataclass(slots=True)
class Playback:
    """The controls; used from one thread. Times are microseconds of the session's own clock.

    ``goal_us``: the moment that was asked for, until it is reached; ``goal``: what happened there.
    """

    speed: float = 1.0
    paused: bool = False
    start_us: int = 0
    now_us: int = 0
    end_us: int = 0
    ended: bool = False
    goal_us: int | None = None
    goal: Happening | None = None
    happenings: list[Happening] = field(default_factory=list)

    def go_to(self, goal: Happening | int) -> None:
        """Show what happened, or a moment, and stop there."""
        self.goal = goal if isinstance(goal, Happening) else None
        self.goal_us = goal.t_us if isinstance(goal, Happening) else goal
        self.paused = True

    def faster(self, by: int) -> None:
        """The next speed up (1) or down (-1)."""
        above = [speed for speed in SPEEDS if speed > self.speed]
        below = [speed for speed in SPEEDS if speed < self.speed]
        if by > 0 and above:
            self.speed = above[0]
        elif by < 0 and below:
            self.speed = below[-1]

    def beside(self, by: int, *, doubtful: bool = False) -> Happening | None:
        """The next happening after now (1), or the one before (-1)."""
        wanted = [its for its in self.happenings if its.doubtful or not doubtful]
        if by > 0:
            return next((its for its in wanted if its.t_us > self.now_us), None)
        return next((its for its in reversed(wanted) if its.t_us < self.now_us), None)

    def at(self, t_us: int) -> str:
        """A moment as minutes and seconds from the start."""
        seconds = max(0, round((t_us - self.start_us) / 1e6))
        return f"{seconds // 60}:{seconds % 60:02d}"
