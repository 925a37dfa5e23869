"""What the dashboard needs of the bench's daemon: a handful of calls and one stream."""

from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from acquire.beside.shadow import PullBeside
from acquire.client import Lost, Screen
from acquire.config import Display, Reference, Settling, Shop, Zero
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    Frame,
    LiveEvent,
    PullRequest,
    PullRow,
    Subject,
    Template,
)
from acquire.sessions.playback import Playback


class Bench(Protocol):
    """The client of the daemon. Every call but ``live`` may block, and raises with one sentence."""

    @property
    def screen(self) -> Screen | None:
        """Who this screen is, where one of several may be in command; None where all may act."""
        ...

    def bench(self) -> BenchSummary: ...
    def begin(self, request: PullRequest) -> int: ...
    def act(self, action: Action) -> Any: ...
    def enter(self, channel: str, text: str) -> Any: ...
    def resume(self, pull_id: int) -> Any: ...
    def pulls(self) -> list[PullRow]: ...
    def open_pulls(self) -> list[PullRow]: ...
    def pull(self, pull_id: int) -> ArchivedPull: ...
    def beside(self, pull_id: int, other_id: int | None = None) -> PullBeside: ...
    def take_command(self) -> Any: ...
    def subjects(self) -> list[Subject]: ...
    def templates(self) -> list[Template]: ...
    def save_template(self, template: Template) -> Any: ...

    def archive_path(self) -> Path: ...

    def live(self, rate: float) -> AsyncIterator[Frame | LiveEvent | Lost]:
        """Frames and events as they come, and a word when the daemon is lost."""
        ...


@runtime_checkable
class Recorded(Bench, Protocol):
    """A recorded session with the same face, and its controls."""

    playback: Playback

    @property
    def name(self) -> str: ...
    def look_through(self) -> None: ...
    def close(self) -> None: ...


OpenSession = Callable[[int], Recorded]
"""Opens a recorded session of the bench's archive by its number."""

UNKNOWN = BenchSummary(
    name="",
    version="",
    simulated=False,
    water="conventional",
    shop=Shop(),
    display=Display(),
    reference=Reference(),
    settling=Settling(),
    zero=Zero(),
    meter_ranges={},
    schedules={},
)
"""Stands in until the daemon was first heard: the usual units, nothing to choose from."""
