"""The one way to talk to the daemon: commands here, the live stream in ``acquire.live``.

Only the standard library and the records, so that a command starts fast; a
program that must not wait asks in a worker thread.

One screen in command: a dashboard is made with ``screen=this_screen()`` and
compares ``Frame.commander_id`` with its ``client.screen.id``. Where it is
another's, what it asks to be done is refused (``ClientError`` with status
``NOT_IN_COMMAND``, the sentence names the other) until ``take_command()``;
every screen hears of that as a ``LiveEvent`` of the kind "command".
"""

import http.client
import os
import platform
import sys
from collections.abc import AsyncGenerator
from pathlib import Path
from typing import TypeVar
from urllib.parse import quote, urlencode, urlsplit

from pydantic import BaseModel, TypeAdapter, ValidationError

from acquire.bench_records import BenchRecord
from acquire.beside.shadow import PullBeside
from acquire.records import (
    Action,
    ArchivedPull,
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
from acquire.values import Direction, PullKind
from acquire.where import Address, read_address, read_addresses
from acquire.wire import (
    PULL_ROWS,
    SUBJECTS,
    TEMPLATES,
    Began,
    ClientError,
    Health,
    KeptRecord,
    Lost,
    PullAnswer,
    Refusal,
    Screen,
    Status,
)

__all__ = ["NOT_IN_COMMAND", "Client", "ClientError", "Lost", "Screen", "this_screen"]

NOT_IN_COMMAND = 423

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")
ANSWER_S = 10.0
PROBE_S = 1.0


class Client:
    """Commands to one daemon. Every failure is a ``ClientError`` with one sentence.

    With ``bench`` it looks the daemon's address up again when the daemon was
    started anew; without, it stays with the address it was given. With
    ``screen`` it may be in command, see above; without, it is a script, whose
    requests are never refused for that and which takes command from nobody.
    """

    def __init__(self, url: str, token: str, bench: str | None = None, screen: Screen | None = None) -> None:
        self.url = url
        self.token = token
        self.bench_name = bench
        self.screen = screen

    @classmethod
    def find(cls, bench: str | None = None, screen: Screen | None = None) -> "Client":
        """The running daemon, or that of ``bench`` where several run."""
        written = read_addresses()
        if bench is not None:
            written = [address for address in written if address.bench == bench]
        running = [address for address in written if _answers(address)]
        if len(running) == 1:
            return cls(running[0].url, running[0].token, running[0].bench, screen)
        if running:
            names = ", ".join(address.bench for address in running)
            raise ClientError(f"several benches are running ({names}): say which one")
        of = "" if bench is None else f" of bench {bench}"
        if written:
            raise ClientError(f"the daemon{of} at {written[0].url} has ended without saying so: start it again")
        raise ClientError(f"no daemon{of} is running: start it first")

    def archive_path(self) -> Path:
        """The archive that the daemon owns, on this machine. Raises ``ClientError`` where it is not known."""
        address = read_address(self.bench_name or "")
        if address is None:
            raise ClientError("the daemon's archive is not known here: it has gone, or runs on another machine")
        return Path(address.archive)

    def health(self) -> Health:
        """Who is there. Needs no token."""
        return self._model(Health, "GET", "/v1/health")

    def status(self) -> Status:
        """How the daemon and its bench are doing."""
        return self._model(Status, "GET", "/v1/status")

    def frame(self) -> Frame:
        """The bench as it stands."""
        return self._model(Frame, "GET", "/v1/frame")

    def bench(self) -> BenchSummary:
        """Units, ranges, schedules."""
        return self._model(BenchSummary, "GET", "/v1/bench")

    def begin(self, request: PullRequest) -> int:
        """Begin a pull; its number in the archive."""
        return self._model(Began, "POST", "/v1/pulls", request).pull_id

    def resume(self, pull_id: int) -> None:
        """Go on with a pull that was not ended."""
        self._ask("POST", f"/v1/pulls/{pull_id}/resume")

    def act(self, action: Action) -> None:
        """Pass on what the operator did."""
        self._ask("POST", "/v1/actions", action)

    def enter(self, channel: str, text: str) -> Entered:
        """Type a value, the text as it came; what it was read as. A refusal says why, and nothing was used."""
        return self._model(Entered, "POST", "/v1/entries", Entry(channel=channel, text=text))

    def take_command(self) -> None:
        """Put this screen in command, whichever was before. Only for a client with a ``screen``."""
        self._ask("POST", "/v1/command")

    def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        """Pulls, the newest first; ``subject`` is an identifier."""
        asked = {"limit": limit, "subject": subject, "kind": kind, "direction": direction}
        query = urlencode({key: value for key, value in asked.items() if value is not None})
        return self._value(PULL_ROWS, f"/v1/pulls?{query}")

    def open_pulls(self) -> list[PullRow]:
        """Pulls that were not ended."""
        return self._value(PULL_ROWS, "/v1/open-pulls")

    def pull(self, pull_id: int) -> ArchivedPull:
        """One pull, whole."""
        return self._model(PullAnswer, "GET", f"/v1/pulls/{pull_id}").pull

    def beside(self, pull_id: int, other_id: int | None = None) -> PullBeside:
        """A pull beside an earlier one, by default the newest like it: its points, and which point is out of line."""
        query = "" if other_id is None else f"?other={other_id}"
        return self._model(PullBeside, "GET", f"/v1/pulls/{pull_id}/beside{query}")

    def subjects(self) -> list[Subject]:
        """Heads that were tested before."""
        return self._value(SUBJECTS, "/v1/subjects")

    def templates(self) -> list[Template]:
        """All templates."""
        return self._value(TEMPLATES, "/v1/templates")

    def save_template(self, template: Template) -> None:
        """Keep a template under its name."""
        self._ask("PUT", "/v1/templates", template)

    def delete_template(self, name: str) -> None:
        """Forget a template."""
        self._ask("DELETE", f"/v1/templates?{urlencode({'name': name})}")

    def keep_record(self, record: BenchRecord) -> int:
        """Keep a record about the bench; its number in the archive."""
        return self._model(KeptRecord, "POST", f"/v1/bench-records/{quote(record.KIND)}", record).id

    def live(self, rate: float = 10) -> AsyncGenerator[Frame | LiveEvent | Lost, None]:
        """Frames and events for as long as it is iterated over, see ``acquire.live.stream``."""
        from acquire.live import stream

        return stream(self, rate)

    def refresh(self) -> bool:
        """Look the address up again; whether it is another one now."""
        address = read_address(self.bench_name) if self.bench_name is not None else None
        if address is None or (address.url, address.token) == (self.url, self.token):
            return False
        self.url, self.token = address.url, address.token
        return True

    def _model(self, model: type[M], method: str, path: str, body: BaseModel | None = None) -> M:
        return self._understood(TypeAdapter(model), self._ask(method, path, body))

    def _value(self, adapter: TypeAdapter[T], path: str) -> T:
        return self._understood(adapter, self._ask("GET", path))

    def _understood(self, adapter: TypeAdapter[T], text: bytes) -> T:
        try:
            return adapter.validate_json(text)
        except ValidationError as error:
            raise ClientError(
                f"the answer of {self.url} was not understood: the daemon may be of another version, start it again"
            ) from error

    def _ask(self, method: str, path: str, body: BaseModel | None = None) -> bytes:
        """Ask once; again at the new address if the daemon moved before it heard anything."""
        for last_try in (False, True):
            try:
                status, text = exchange(self.url, self.token, method, path, body, ANSWER_S, self.screen)
            except ConnectionRefusedError as error:
                if last_try or not self.refresh():
                    raise ClientError(f"no daemon answers at {self.url}: start it first") from error
                continue
            except OSError as error:
                reason = error.strerror or type(error).__name__
                raise ClientError(f"the daemon at {self.url} did not answer ({reason}): is it busy?") from error
            except http.client.HTTPException as error:
                raise ClientError(f"what answers at {self.url} is not the daemon: start it again") from error
            if status == 401 and not last_try and self.refresh():
                continue
            if status >= 400:
                raise ClientError(_sentence(status, text), status)
            return text
        raise AssertionError("the second try returns or raises")


def this_screen(name: str = "") -> Screen:
    """A new screen, by default named after this machine and the terminal it runs in."""
    return Screen.named(name or f"{platform.node().partition('.')[0]} {_terminal()}")


def _terminal() -> str:
    if sys.platform != "win32":
        for stream in (sys.stdin, sys.stdout, sys.stderr):
            try:
                return os.ttyname(stream.fileno()).removeprefix("/dev/")
            except (OSError, ValueError, AttributeError):
                continue
    return str(os.getpid())


def exchange(
    url: str,
    token: str,
    method: str,
    path: str,
    body: BaseModel | None,
    timeout_s: float,
    screen: Screen | None = None,
) -> tuple[int, bytes]:
    """One request on its own connection: status and body. Raises ``OSError`` or ``HTTPException``."""
    parts = urlsplit(url)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=timeout_s)
    headers = {"Connection": "close"} | (screen.headers() if screen is not None else {})
    if token:
        headers["Authorization"] = f"Bearer {token}"
    content = None
    if body is not None:
        content = body.model_dump_json().encode()
        headers["Content-Type"] = "application/json"
    try:
        connection.request(method, path, content, headers)
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def _answers(address: Address) -> bool:
    """Whether that very daemon is there; the token is not shown to a stranger on its port."""
    try:
        status, text = exchange(address.url, "", "GET", "/v1/health", None, PROBE_S)
        health = Health.model_validate_json(text)
    except (OSError, http.client.HTTPException, ValidationError):
        return False
    return status == 200 and (health.pid, health.bench) == (address.pid, address.bench)


def _sentence(status: int, text: bytes) -> str:
    try:
        return Refusal.model_validate_json(text).sentence
    except ValidationError:
        return f"the daemon answered {status} without saying why: its log says more"
