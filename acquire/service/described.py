"""The API's own description: OpenAPI, made from the models and the endpoints that are served.

What the endpoints do not say themselves is added here: the token, the
refusals (one model for all of them), the bodies of records about the bench,
and the live stream, which OpenAPI has no word for.
"""

import json
from collections.abc import Iterator
from typing import Any, cast

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

from acquire import __version__
from acquire.bench_records import kinds
from acquire.config import Table
from acquire.wire import HIGHEST_RATE, LIVE, LOWEST_RATE, Refusal

Responses = dict[int | str, dict[str, Any]]
_REF = "#/components/schemas/{model}"
_WHY = {
    400: "The request is not HTTP, or not JSON in UTF-8.",
    401: "The token is missing or wrong.",
    403: "Another host was meant, or a page of another origin asks.",
    404: "It is not there.",
    405: "This method is not for this path.",
    408: "The request did not arrive in time.",
    409: "It cannot be done now.",
    413: "The request is too large.",
    422: "A value does not fit.",
    423: "Another screen is in command.",
    429: "Too many requests: wait as long as Retry-After says.",
    431: "The headers are too large.",
    500: "The archive, or the daemon, failed.",
    503: "Too many connections or live streams, or the daemon is stopping.",
}
ALWAYS = (400, 403, 408, 413, 422, 429, 431, 500, 503)
DESCRIPTION = f"""The local API of one bench's daemon. Quantities are SI numbers; keys name their unit.

Send the token of the daemon's address file as `Authorization: Bearer TOKEN`; only `/v1/health` needs none.
Everything that is not done is answered by a `Refusal`, one sentence.

Of several screens one is in command: a screen sends a random `X-Screen` (and `X-Screen-Name`) with every request and
with its live stream. Requests without it are those of scripts.

`GET /v1/live` is a WebSocket with the same token. Parameters: `rate` ({LOWEST_RATE:g} to {HIGHEST_RATE:g} frames a
second), and after a break `after` (number of the last event seen) and `run` (of the hello before), so that no event is
missed or told twice. The daemon sends JSON texts as `/v1/live/schema` describes them: first a hello, then frames at the
rate and events at once. A client sends nothing; one that does is disconnected (1008), and so is one that does not read.
"""


def refusals(*more: int) -> Responses:
    """The refusals that any endpoint may answer with, and ``more``."""
    return {status: {"model": Refusal, "description": _WHY[status]} for status in sorted({*ALWAYS, *more})}


def live_schema() -> dict[str, Any]:
    """JSON Schema of every message of the live stream."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **LIVE.json_schema(mode="serialization", by_alias=False),
    }


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document of what is served."""
    document = get_openapi(
        title="steadydraw", version=app.version, description=DESCRIPTION, routes=app.routes, openapi_version="3.1.0"
    )
    components = document["components"]
    _name_as_answered(components["schemas"])
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    document["security"] = [{"token": []}]
    models, definitions = models_json_schema(
        [(model, "validation") for model in kinds().values()], by_alias=False, ref_template=_REF
    )
    components["schemas"] |= definitions["$defs"]
    body = {"application/json": {"schema": {"anyOf": [models[model, "validation"] for model in kinds().values()]}}}
    keep = document["paths"]["/v1/bench-records/{kind}"]["post"]
    keep["requestBody"] = {"required": True, "content": body}
    document["paths"]["/v1/health"]["get"] |= {"security": []}
    document["paths"]["/v1/health"]["get"]["responses"].pop("401", None)
    return document


def _name_as_answered(schemas: dict[str, Any]) -> None:
    """Keys as the daemon writes them, with their unit ("lifts_m"); those that people write in a plan are aliases."""
    models = {model.__name__: model for model in _below(Table)}
    for name, schema in schemas.items():
        model = models.get(name.removesuffix("-Input").removesuffix("-Output"))
        named = {its.alias: key for key, its in model.model_fields.items() if its.alias} if model is not None else {}
        if "properties" in schema:
            schema["properties"] = {named.get(key, key): its for key, its in schema["properties"].items()}
        if "required" in schema:
            schema["required"] = [named.get(key, key) for key in schema["required"]]


def _below(model: type[Table]) -> Iterator[type[Table]]:
    for each in model.__subclasses__():
        yield each
        yield from _below(each)


def as_text(document: dict[str, Any]) -> str:
    """A document as it is printed: stable, so that a change of it is seen."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def offline_document() -> dict[str, Any]:
    """The document without a bench: nothing is asked of an engine to write it."""
    from acquire.service.api import Behind, make_app

    return describe(make_app(cast(Behind, None), __version__))
