"""What the local API says besides the records: health, refusals, live messages.

Shared by the daemon and its clients, and free of both.
"""

import re
import secrets
from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import quote, unquote

from pydantic import BaseModel, Field, TypeAdapter

from acquire.config import Table
from acquire.records import ArchivedPull, Frame, LiveEvent, PullRow, Subject, Template
from acquire.values import Direction, Phase, PullView

LOWEST_RATE = 1.0
HIGHEST_RATE = 30.0


class Health(Table):
    """The only answer that needs no token. ``run`` is different for each run of the daemon.

    ``stalled``: it answers, but its engine has stood still for seconds.
    """

    status: Literal["ok", "stalled"] = "ok"
    version: str
    bench: str
    pid: int
    run: str


class InstrumentStatus(Table):
    """One instrument: is it there, and how old is its youngest reading."""

    name: str
    state: str
    sentence: str
    age_s: float | None


class PullStatus(Table):
    """The pull that is running; ``step`` counts from 1."""

    id: int
    subject: str
    direction: Direction
    phase: Phase
    paused: bool
    step: int | None
    steps: int


class ArchiveStatus(Table):
    """The archive: can it be written, how much room is left beside it."""

    path: str
    writable: bool
    free_bytes: int | None


class Status(Table):
    """How the daemon and its bench are doing. ``troubles``: a sentence each, none when ``well``.

    ``publishing``: where points are published to; empty where nothing is.
    """

    version: str
    bench: str
    pid: int
    run: str
    well: bool
    troubles: tuple[str, ...]
    since_utc: str
    pull: PullStatus | None
    guide: str
    instruments: tuple[InstrumentStatus, ...]
    archive: ArchiveStatus
    commander: str
    live_clients: int
    last_error: str
    publishing: str = ""


class Began(Table):
    """The pull that was begun."""

    pull_id: int


class KeptRecord(Table):
    """The number under which a record about the bench was kept."""

    id: int


class PullAnswer(Table):
    """One pull from the archive, whole."""

    pull: ArchivedPull


class Refusal(Table):
    """Why a request was not done, in one sentence."""

    sentence: str


SCREEN_ID = r"^[A-Za-z0-9_-]{8,64}$"
SCREEN_NAME = r"^[A-Za-z0-9_.~%-]{1,240}$"


class Screen(Table):
    """A screen that may be in command of a bench, see ``acquire.service.command``.

    ``id`` is drawn anew for each run of a dashboard and no secret: it stands in
    each frame as ``commander_id``. ``name`` is for people ("bench", "tablet").
    """

    id: Annotated[str, Field(pattern=SCREEN_ID)]
    name: Annotated[str, Field(min_length=1, max_length=40)]

    @classmethod
    def named(cls, name: str) -> "Screen":
        """A new screen of that name, cut to what fits."""
        return cls(id=secrets.token_urlsafe(9), name=_printable(name) or "unnamed")

    @classmethod
    def said(cls, screen_id: str, quoted_name: str | None) -> "Screen":
        """A screen from its two headers; one without a name gets the beginning of its id."""
        return cls(id=screen_id, name=_printable(unquote(quoted_name or "")) or screen_id[:8])

    def headers(self) -> dict[str, str]:
        """How a screen says who it is, with every request; the name percent-encoded UTF-8."""
        return {"X-Screen": self.id, "X-Screen-Name": quote(self.name, safe="")}


def _printable(name: str) -> str:
    return "".join(each for each in name if each.isprintable()).strip()[:40].strip()


class Hello(Table):
    """First message of a live connection.

    ``last`` is the number of the latest event before those that follow;
    ``missed`` counts events after the one asked for that are no longer held.
    """

    kind: Literal["hello"] = "hello"
    run: str
    last: int
    missed: int = 0


class FrameMessage(Table):
    """The bench as it stands now."""

    kind: Literal["frame"] = "frame"
    frame: Frame


class EventMessage(Table):
    """Something that happened once."""

    kind: Literal["event"] = "event"
    event: LiveEvent


class Fault(Table):
    """A frame (or the event with ``number``) that could not be sent, and why."""

    kind: Literal["fault"] = "fault"
    sentence: str
    number: int | None = None


LiveMessage = Annotated[Hello | FrameMessage | EventMessage | Fault, Field(discriminator="kind")]

LIVE: TypeAdapter[LiveMessage] = TypeAdapter(LiveMessage)
_PULL: TypeAdapter[PullView | None] = TypeAdapter(PullView | None, config=Table.model_config)
PULL_ROWS: TypeAdapter[list[PullRow]] = TypeAdapter(list[PullRow])
SUBJECTS: TypeAdapter[list[Subject]] = TypeAdapter(list[Subject])
TEMPLATES: TypeAdapter[list[Template]] = TypeAdapter(list[Template])


@dataclass(frozen=True, slots=True)
class Lost:
    """No frames now, and why; the next frame says that they are back.

    ``missed`` events can no longer be had from the daemon (the archive has
    what they were about).
    """

    sentence: str
    missed: int = 0


class ClientError(Exception):
    """A command could not be done; the message is one sentence.

    ``status`` is that of the daemon's answer, 0 where there was none.
    """

    def __init__(self, sentence: str, status: int = 0) -> None:
        super().__init__(sentence)
        self.status = status


class NotFiniteError(ValueError):
    """A value holds a number that is not finite; the message says where."""


_TEXT_OR_NOT_FINITE = re.compile(rb'"((?:[^"\\]|\\.)*)"|-?(?:NaN|Infinity)')


def to_json(value: BaseModel) -> bytes:
    """A model as JSON. Raises ``NotFiniteError``: no client could read such a number."""
    return checked(value.model_dump_json().encode())


def pull_json(pull: PullView | None) -> bytes:
    """A frame's pull as JSON. Raises ``NotFiniteError``."""
    return checked(_PULL.dump_json(pull))


def frame_message(frame: Frame, pull: bytes) -> bytes:
    """The JSON of a ``FrameMessage``, given that of its pull. Raises ``NotFiniteError``."""
    rest = checked(frame.model_dump_json(exclude={"pull"}).encode())
    return b'{"kind":"frame","frame":{"pull":%b,%b}' % (pull, rest[1:])


def checked(text: bytes) -> bytes:
    """JSON as it came, if all its numbers are finite. Raises ``NotFiniteError``."""
    if b"NaN" in text or b"Infinity" in text:
        key = b"a value"
        for found in _TEXT_OR_NOT_FINITE.finditer(text):
            if found.group(1) is None:
                raise NotFiniteError(f"{key.decode()} is not a finite number, so nothing was sent")
            key = found.group(1)
    return text
