"""The endpoints. Models in, models out; every refusal is one sentence."""

from typing import Annotated, Any

from fastapi import Depends, FastAPI, Header, Path, Query, Request, Response, WebSocket
from fastapi.exceptions import RequestValidationError, WebSocketRequestValidationError
from pydantic import BaseModel, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from acquire.bench_records import kinds
from acquire.beside import pull_beside
from acquire.records import (
    Action,
    BenchSummary,
    Entered,
    Entry,
    Frame,
    PullRequest,
    PullRow,
    Refused,
    Subject,
    Template,
)
from acquire.service.command import Command, NotInCommand, signed
from acquire.service.guard import refusal
from acquire.service.hub import Hub
from acquire.service.live import serve_live
from acquire.service.ports import EngineApi, OpenArchive
from acquire.service.sentences import say_request_error
from acquire.shadow import PullBeside
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
    NotFiniteError,
    PullAnswer,
    Refusal,
    Screen,
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


FromScreen = Annotated[Screen | None, Depends(which_screen)]


def make_app(engine: EngineApi, hub: Hub, command: Command, health: Health, open_archive: OpenArchive) -> FastAPI:
    """The application; whoever serves it puts the guard in front."""
    refusals: dict[int | str, dict[str, Any]] = {
        status: {"model": Refusal} for status in (400, 401, 403, 404, 409, 413, 422, 423)
    }
    app = FastAPI(
        title="steadydraw",
        version=health.version,
        docs_url=None,
        redoc_url=None,
        openapi_url="/v1/openapi.json",
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
        responses=refusals,
    )
    _add_refusals(app)

    # what only looks at memory runs in the loop; what may wait runs in a worker thread

    @app.get("/v1/health", response_model=Health)
    async def get_health() -> Response:
        return _json(health)

    @app.get("/v1/frame", response_model=Frame)
    async def get_frame() -> Response:
        return _json(command.show(engine.frame()))

    @app.get("/v1/bench", response_model=BenchSummary)
    async def get_bench() -> Response:
        return _json(engine.bench())

    @app.post("/v1/pulls", response_model=Began)
    def begin_pull(request: PullRequest, screen: FromScreen) -> Response:
        command.admit(screen)
        return _json(Began(pull_id=engine.begin(request)))

    @app.post("/v1/pulls/{pull_id}/resume", status_code=204)
    def resume_pull(pull_id: PullId, screen: FromScreen) -> None:
        command.admit(screen)
        engine.resume(pull_id)

    @app.post("/v1/actions", status_code=204)
    def act(action: Action, screen: FromScreen) -> None:
        command.admit(screen)
        engine.act(signed(action, screen))

    @app.post("/v1/entries", response_model=Entered)
    def enter(entry: Entry, screen: FromScreen) -> Response:
        command.admit(screen)
        return _json(engine.enter(signed(entry, screen)))

    @app.post("/v1/command", status_code=204)
    async def take_command(screen: Annotated[Screen, Depends(this_screen)]) -> None:
        command.take(screen)

    @app.get("/v1/pulls", response_model=list[PullRow])
    def get_pulls(
        limit: Annotated[int | None, Query(ge=1, le=1_000_000)] = None,
        subject: Annotated[str | None, Query(max_length=80)] = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> Response:
        with open_archive(engine.archive_path) as archive:
            return _json(archive.pulls(limit, subject, kind, direction), PULL_ROWS)

    @app.get("/v1/open-pulls", response_model=list[PullRow])
    def get_open_pulls() -> Response:
        with open_archive(engine.archive_path) as archive:
            return _json(archive.open_pulls(), PULL_ROWS)

    @app.get("/v1/pulls/{pull_id}", response_model=PullAnswer)
    def get_pull(pull_id: PullId) -> Response:
        with open_archive(engine.archive_path) as archive:
            try:
                return _json(PullAnswer(pull=archive.pull(pull_id)))
            except ArchiveError as error:
                if any(row.id == pull_id for row in archive.pulls()):
                    raise
                return refusal(404, str(error))

    @app.get("/v1/pulls/{pull_id}/beside", response_model=PullBeside)
    def get_beside(pull_id: PullId, other: Annotated[int | None, Query(ge=1, le=2**63 - 1)] = None) -> Response:
        with open_archive(engine.archive_path) as archive:
            return _json(pull_beside(archive, pull_id, other))

    @app.get("/v1/subjects", response_model=list[Subject])
    def get_subjects() -> Response:
        with open_archive(engine.archive_path) as archive:
            return _json(archive.subjects(), SUBJECTS)

    @app.get("/v1/templates", response_model=list[Template])
    def get_templates() -> Response:
        with open_archive(engine.archive_path) as archive:
            return _json(archive.templates(), TEMPLATES)

    @app.put("/v1/templates", status_code=204)
    def put_template(template: Template, screen: FromScreen) -> None:
        command.admit(screen)
        engine.save_template(template)

    @app.delete("/v1/templates", status_code=204)
    def delete_template(name: Annotated[str, Query(min_length=1, max_length=80)], screen: FromScreen) -> None:
        command.admit(screen)
        engine.delete_template(name)

    @app.post("/v1/bench-records/{kind}", response_model=KeptRecord)
    async def keep_record(kind: Annotated[str, Path(max_length=40)], request: Request, screen: FromScreen) -> Response:
        model = kinds().get(kind)
        if model is None:
            return refusal(404, f"there is no kind of record {kind!r}: known are {', '.join(kinds())}")
        try:
            record = model.model_validate_json(await request.body())
        except ValidationError as error:
            raise RequestValidationError(error.errors()) from error
        command.admit(screen)
        return _json(KeptRecord(id=await run_in_threadpool(engine.keep_record, record)))

    @app.websocket("/v1/live")
    async def live(
        socket: WebSocket,
        screen: FromScreen,
        rate: Annotated[float, Query(ge=LOWEST_RATE, le=HIGHEST_RATE)] = 10.0,
        after: Annotated[int | None, Query(ge=0)] = None,
        run: Annotated[str, Query(max_length=80)] = "",
    ) -> None:
        with command.streaming(screen):
            await serve_live(socket, hub, lambda: command.show(engine.frame()), rate, after, run)

    return app


def _json(value: Any, adapter: TypeAdapter[Any] | None = None) -> Response:
    if isinstance(value, BaseModel):
        text = to_json(value)
    else:
        assert adapter is not None
        text = checked(adapter.dump_json(value))
    return Response(text, media_type="application/json")


def _add_refusals(app: FastAPI) -> None:
    @app.exception_handler(Refused)
    async def refused(_request: Request, error: Refused) -> Response:
        return refusal(409, str(error))

    @app.exception_handler(NotInCommand)
    async def not_in_command(_request: Request, error: NotInCommand) -> Response:
        return refusal(423, str(error))

    @app.exception_handler(ArchiveError)
    async def archive_failed(_request: Request, error: ArchiveError) -> Response:
        return refusal(500, str(error))

    @app.exception_handler(RequestValidationError)
    async def not_valid(_request: Request, error: RequestValidationError) -> Response:
        status, sentence = say_request_error(error)
        return refusal(status, sentence)

    @app.exception_handler(WebSocketRequestValidationError)
    async def live_not_valid(socket: WebSocket, error: WebSocketRequestValidationError) -> None:
        status, sentence = say_request_error(error)
        await socket.send_denial_response(refusal(status, sentence))

    @app.exception_handler(HTTPException)
    async def not_here(request: Request, error: HTTPException) -> Response:
        said = {
            400: "the request is not valid JSON in UTF-8: send one JSON object",
            404: f"there is no {request.url.path} here: see /v1/openapi.json",
            405: f"{request.method} is not for {request.url.path}: see /v1/openapi.json",
        }
        return refusal(error.status_code, said.get(error.status_code, str(error.detail)))

    @app.exception_handler(NotFiniteError)
    async def not_finite(_request: Request, error: NotFiniteError) -> Response:
        return refusal(500, str(error))

    @app.exception_handler(Exception)
    async def failed(_request: Request, error: Exception) -> Response:
        return refusal(500, f"the daemon failed to do this ({type(error).__name__}): its log says more")
