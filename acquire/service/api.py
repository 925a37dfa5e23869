"""The endpoints. Models in, models out; every refusal is one sentence."""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Header, Path, Query, Request, Response, WebSocket
from fastapi.exceptions import RequestValidationError, WebSocketRequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection

from acquire.bench_records import kinds
from acquire.beside.choice import pull_beside
from acquire.beside.shadow import PullBeside
from acquire.records import (
    Action,
    BenchSummary,
    Entered,
    Entry,
    Frame,
    PullRequest,
    PullRow,
    Subject,
    Template,
)
from acquire.service.command import Command, signed
from acquire.service.described import describe, live_schema, refusals
from acquire.service.guard import refusal
from acquire.service.hub import Hub
from acquire.service.live import serve_live
from acquire.service.ports import ArchiveApi, EngineApi, OpenArchive
from acquire.service.refusals import add_refusals
from acquire.service.status import Reporter
from acquire.store.errors import ArchiveError
from acquire.values import Direction, PullKind
from acquire.wire import (
    HIGHEST_RATE,
    LOWEST_RATE,
    PULL_ROWS,
    SCREEN_ID,
    SCREEN_NAME,
    SUBJECTS,
    TEMPLATES,
    Began,
    Health,
    KeptRecord,
    PullAnswer,
    Screen,
    Status,
    checked,
    to_json,
)

PullId = Annotated[int, Path(ge=1, le=2**63 - 1)]
ScreenId = Header(pattern=SCREEN_ID, description="The screen that asks, if it is one: drawn at random for each run.")
ScreenName = Header(pattern=SCREEN_NAME, description="Its name, percent-encoded UTF-8.")


def which_screen(
    x_screen: Annotated[str | None, ScreenId] = None, x_screen_name: Annotated[str | None, ScreenName] = None
) -> Screen | None:
    """The screen that a request comes from, None for scripts and commands."""
    return Screen.said(x_screen, x_screen_name) if x_screen is not None else None


def this_screen(x_screen: Annotated[str, ScreenId], x_screen_name: Annotated[str | None, ScreenName] = None) -> Screen:
    """The same, where there must be one."""
    return Screen.said(x_screen, x_screen_name)


def only_known_keys(connection: HTTPConnection) -> None:
    """Refuse a key of the query that the endpoint does not know: misspelt, it would ask for something else."""
    known = {its.alias for its in connection.scope["route"].dependant.query_params}
    unknown = [key for key in connection.query_params if key not in known]
    if unknown:
        faults = [{"type": "extra_forbidden", "loc": ("query", key or "(empty)"), "msg": ""} for key in unknown]
        live = connection.scope["type"] == "websocket"
        raise WebSocketRequestValidationError(faults) if live else RequestValidationError(faults)


FromScreen = Annotated[Screen | None, Depends(which_screen)]
COMMANDS = refusals(401, 409, 423)


@dataclass(frozen=True, slots=True)
class Behind:
    """What the endpoints stand in front of."""

    engine: EngineApi
    hub: Hub
    command: Command
    health: Health
    reporter: Reporter
    open_archive: OpenArchive

    def archive(self) -> AbstractContextManager[ArchiveApi]:
        """The archive for the time of one request."""
        return self.open_archive(self.engine.archive_path)

    def frame(self) -> Frame:
        """The bench as it stands, and who is in command."""
        return self.command.show(self.engine.frame())


def make_app(behind: Behind, version: str) -> FastAPI:
    """The application; whoever serves it puts the guard in front. ``behind`` is not looked at before a request."""
    app = FastAPI(
        title="steadydraw",
        version=version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/v1/openapi.json",
        dependencies=[Depends(only_known_keys)],
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.openapi = lambda: describe(app)  # type: ignore[method-assign]
    add_refusals(app)

    # what only looks at memory runs in the loop; what may wait runs in a worker thread

    @app.get("/v1/health", response_model=Health, responses=refusals())
    async def get_health() -> Response:
        return _json(behind.reporter.judged(behind.health))

    @app.get("/v1/status", response_model=Status, responses=refusals(401))
    def get_status() -> Response:
        return _json(behind.reporter.status(behind.hub.feeds))

    @app.get("/v1/frame", response_model=Frame, responses=refusals(401))
    async def get_frame() -> Response:
        return _json(behind.frame())

    @app.get("/v1/bench", response_model=BenchSummary, responses=refusals(401))
    async def get_bench() -> Response:
        return _json(behind.engine.bench())

    @app.post("/v1/pulls", response_model=Began, responses=COMMANDS)
    def begin_pull(request: PullRequest, screen: FromScreen) -> Response:
        behind.command.admit(screen)
        return _json(Began(pull_id=behind.engine.begin(request)))

    @app.post("/v1/pulls/{pull_id}/resume", status_code=204, responses=COMMANDS)
    def resume_pull(pull_id: PullId, screen: FromScreen) -> None:
        behind.command.admit(screen)
        behind.engine.resume(pull_id)

    @app.post("/v1/actions", status_code=204, responses=COMMANDS)
    def act(action: Action, screen: FromScreen) -> None:
        behind.command.admit(screen)
        behind.engine.act(signed(action, screen))

    @app.post("/v1/entries", response_model=Entered, responses=COMMANDS)
    def enter(entry: Entry, screen: FromScreen) -> Response:
        behind.command.admit(screen)
        return _json(behind.engine.enter(signed(entry, screen)))

    @app.post("/v1/command", status_code=204, responses=refusals(401))
    async def take_command(screen: Annotated[Screen, Depends(this_screen)]) -> None:
        behind.command.take(screen)

    @app.get("/v1/pulls", response_model=list[PullRow], responses=refusals(401))
    def get_pulls(
        limit: Annotated[int | None, Query(ge=1, le=1_000_000)] = None,
        subject: Annotated[str | None, Query(max_length=80)] = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> Response:
        with behind.archive() as archive:
            return _json(archive.pulls(limit, subject, kind, direction), PULL_ROWS)

    @app.get("/v1/open-pulls", response_model=list[PullRow], responses=refusals(401))
    def get_open_pulls() -> Response:
        with behind.archive() as archive:
            return _json(archive.open_pulls(), PULL_ROWS)

    @app.get("/v1/pulls/{pull_id}", response_model=PullAnswer, responses=refusals(401, 404))
    def get_pull(pull_id: PullId) -> Response:
        with behind.archive() as archive, _missing(archive, pull_id):
            return _json(PullAnswer(pull=archive.pull(pull_id)))

    @app.get("/v1/pulls/{pull_id}/beside", response_model=PullBeside, responses=refusals(401, 404))
    def get_beside(pull_id: PullId, other: Annotated[int | None, Query(ge=1, le=2**63 - 1)] = None) -> Response:
        with behind.archive() as archive, _missing(archive, pull_id, other):
            return _json(pull_beside(archive, pull_id, other))

    @app.get("/v1/subjects", response_model=list[Subject], responses=refusals(401))
    def get_subjects() -> Response:
        with behind.archive() as archive:
            return _json(archive.subjects(), SUBJECTS)

    @app.get("/v1/templates", response_model=list[Template], responses=refusals(401))
    def get_templates() -> Response:
        with behind.archive() as archive:
            return _json(archive.templates(), TEMPLATES)

    @app.put("/v1/templates", status_code=204, responses=COMMANDS)
    def put_template(template: Template, screen: FromScreen) -> None:
        behind.command.admit(screen)
        behind.engine.save_template(template)

    @app.delete("/v1/templates", status_code=204, responses=COMMANDS)
    def delete_template(name: Annotated[str, Query(min_length=1, max_length=80)], screen: FromScreen) -> None:
        behind.command.admit(screen)
        behind.engine.delete_template(name)

    @app.post("/v1/bench-records/{kind}", response_model=KeptRecord, responses=refusals(401, 404, 409, 423))
    async def keep_record(kind: Annotated[str, Path(max_length=40)], request: Request, screen: FromScreen) -> Response:
        model = kinds().get(kind)
        if model is None:
            return refusal(404, f"there is no kind of record {kind!r}: known are {', '.join(kinds())}")
        try:
            record = model.model_validate_json(await request.body())
        except ValidationError as error:
            raise RequestValidationError(error.errors()) from error
        behind.command.admit(screen)
        return _json(KeptRecord(id=await run_in_threadpool(behind.engine.keep_record, record)))

    @app.get("/v1/live/schema", response_model=dict[str, Any], responses=refusals(401))
    async def get_live_schema() -> Response:
        return JSONResponse(live_schema())

    @app.websocket("/v1/live")
    async def live(
        socket: WebSocket,
        screen: FromScreen,
        rate: Annotated[float, Query(ge=LOWEST_RATE, le=HIGHEST_RATE)] = 10.0,
        after: Annotated[int | None, Query(ge=0)] = None,
        run: Annotated[str, Query(max_length=80)] = "",
    ) -> None:
        with behind.command.streaming(screen):
            await serve_live(socket, behind.hub, behind.frame, rate, after, run)

    return app


@contextmanager
def _missing(archive: ArchiveApi, *pull_ids: int | None) -> Iterator[None]:
    """Say 404 of a pull that is not in the archive, and of no other fault."""
    try:
        yield
    except ArchiveError as error:
        present = {row.id for row in archive.pulls()}
        if all(pull_id in present for pull_id in pull_ids if pull_id is not None):
            raise
        raise HTTPException(404, str(error)) from error


def _json(value: Any, adapter: TypeAdapter[Any] | None = None) -> Response:
    if isinstance(value, BaseModel):
        text = to_json(value)
    else:
        assert adapter is not None
        text = checked(adapter.dump_json(value))
    return Response(text, media_type="application/json")
