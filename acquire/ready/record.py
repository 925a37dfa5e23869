"""Whether the bench was ready to test: each line with its verdict, as it is kept."""

from typing import ClassVar, Literal

from pydantic import Field

from acquire.bench_records import BenchRecord
from acquire.quantity import Table
from acquire.response import BenchResponse

Verdict = Literal["good", "bad", "not known", "left out"]


class ReadyLine(Table):
    """One line of the check: what was looked at, what was found, and the cure where it is not good.

    ``left out``: this bench does not ask for it; ``not known``: it could not be judged.
    """

    name: str
    verdict: Verdict
    said: str
    cure: str = ""

    @property
    def passes(self) -> bool:
        """Whether a bench may be called ready with this line."""
        return self.verdict in ("good", "left out")


class Watched(Table):
    """One channel over the time that the bench was watched: seconds from its begin and SI values, second by second."""

    channel: str
    t_s: tuple[float, ...] = ()
    values: tuple[float, ...] = ()


class Readiness(BenchRecord):
    """One check of the whole bench. ``response``: what was learned of its response, for a later pull (JSON)."""

    KIND: ClassVar[str] = "readiness"

    ready: bool
    lines: tuple[ReadyLine, ...] = ()
    watched: tuple[Watched, ...] = ()
    simulated: bool = False
    response: str = ""

    def learned(self) -> BenchResponse | None:
        """What was learned of the response; None when nothing was."""
        return BenchResponse.model_validate_json(self.response) if self.response else None


class LastReady(Table):
    """The last check before a pull was begun, as the pull keeps it."""

    made_utc: str
    ready: bool
    against: tuple[str, ...] = Field(default=(), description="The lines that were not good.")


def last_ready(record: Readiness) -> LastReady:
    """What a pull keeps of a check."""
    against = tuple(line.name for line in record.lines if not line.passes)
    return LastReady(made_utc=record.made_utc, ready=record.ready, against=against)
