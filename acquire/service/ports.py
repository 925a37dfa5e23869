"""What the service needs from the engine and from the archive, and nothing more."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from acquire.bench_records import BenchRecord
from acquire.beside.choice import Pulls
from acquire.records import (
    Action,
    BenchSummary,
    Entered,
    Entry,
    Frame,
    LiveEvent,
    PullRequest,
    PullRow,
    Subject,
    Template,
)


class EngineApi(Protocol):
    """The engine as the service sees it. Every method may be called from any thread.

    What cannot be done raises ``acquire.records.Refused`` with one sentence.
    """

    @property
    def archive_path(self) -> Path:
        """The archive that the engine writes."""
        ...

    def frame(self) -> Frame:
        """The bench as it stands; cheap."""
        ...

    def subscribe(self, listener: Callable[[LiveEvent], None]) -> Callable[[], None]:
        """Call ``listener`` for each event from the engine's thread; returns what ends it."""
        ...

    def bench(self) -> BenchSummary:
        """What a client must know of the bench."""
        ...

    def begin(self, request: PullRequest) -> int:
        """Begin a pull; returns its number in the archive."""
        ...

    def resume(self, pull_id: int) -> None:
        """Go on with a pull that was not ended."""
        ...

    def act(self, action: Action) -> None:
        """Do what the operator did."""
        ...

    def enter(self, entry: Entry) -> Entered:
        """Take in a value that was typed."""
        ...

    def keep_record(self, record: BenchRecord) -> int:
        """Keep a record about the bench; returns its number in the archive."""
        ...

    def announce(self, sentence: str) -> None:
        """Tell every client, as an event, which screen is in command now; never waits."""
        ...

    def save_template(self, template: Template) -> None:
        """Keep a template under its name."""
        ...

    def delete_template(self, name: str) -> None:
        """Forget a template."""
        ...


class ArchiveApi(Pulls, Protocol):
    """The archive, read only, for the time of one request. Raises ``ArchiveError`` with one sentence."""

    def open_pulls(self) -> list[PullRow]:
        """Pulls that were neither completed nor aborted."""
        ...

    def subjects(self) -> list[Subject]:
        """Heads that were tested before."""
        ...

    def templates(self) -> list[Template]:
        """All templates."""
        ...


OpenArchive = Callable[[Path], AbstractContextManager[ArchiveApi]]
