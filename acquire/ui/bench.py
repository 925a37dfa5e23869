"""What the dashboard needs of the bench's daemon: a handful of calls and one stream."""

from collections.abc import AsyncIterator
from typing import Any, Protocol

from acquire.client import Lost
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


class Bench(Protocol):
    """The client of the daemon. Every call but ``live`` may block, and raises with one sentence."""

    def bench(self) -> BenchSummary: ...
    def begin(self, request: PullRequest) -> int: ...
    def act(self, action: Action) -> Any: ...
    def resume(self, pull_id: int) -> Any: ...
    def pulls(self) -> list[PullRow]: ...
    def open_pulls(self) -> list[PullRow]: ...
    def pull(self, pull_id: int) -> ArchivedPull: ...
    def subjects(self) -> list[Subject]: ...
    def templates(self) -> list[Template]: ...
    def save_template(self, template: Template) -> Any: ...

    def live(self, rate: float) -> AsyncIterator[Frame | LiveEvent | Lost]:
        """Frames and events as they come, and a word when the daemon is lost."""
        ...


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
