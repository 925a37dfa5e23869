"""What goes wrong in an endpoint, as a refusal: one sentence, always the same model."""

from http import HTTPStatus

from fastapi import FastAPI, Request, Response, WebSocket
from fastapi.exceptions import RequestValidationError, WebSocketRequestValidationError
from starlette.exceptions import HTTPException

from acquire.records import Refused
from acquire.service.command import NotInCommand
from acquire.service.guard import refusal
from acquire.service.sentences import say_request_error
from acquire.store.errors import ArchiveError
from acquire.wire import NotFiniteError


def add_refusals(app: FastAPI) -> None:
    """Answer every error of an endpoint with a refusal."""

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
        detail = str(error.detail)
        plain = detail == HTTPStatus(error.status_code).phrase or error.status_code == 400
        sentence = said.get(error.status_code, detail) if plain else detail
        answer = refusal(error.status_code, sentence)
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(NotFiniteError)
    async def not_finite(_request: Request, error: NotFiniteError) -> Response:
        return refusal(500, str(error))

    @app.exception_handler(Exception)
    async def failed(_request: Request, error: Exception) -> Response:
        return refusal(500, f"the daemon failed to do this ({type(error).__name__}): its log says more")
