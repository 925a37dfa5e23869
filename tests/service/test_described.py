"""The API's own description: complete, the same as what is served, and no change of it goes unseen."""

import json
from typing import Any

import jsonschema_rs
from syrupy.assertion import SnapshotAssertion

from acquire.client import Client
from acquire.records import LiveEvent
from acquire.service import Service
from acquire.service.described import as_text, live_schema, offline_document
from acquire.wire import EventMessage, Fault, FrameMessage, Hello, to_json
from tests.service.bench import FakeEngine, point
from tests.service.test_guard import ask, token

DOCUMENT = offline_document()


def kind(schema: dict[str, Any]) -> str:
    """A schema in a word or two."""
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "anyOf" in schema or "oneOf" in schema:
        return "|".join(kind(part) for part in schema.get("anyOf") or schema["oneOf"])
    if "const" in schema or "enum" in schema:
        return "/".join(str(value) for value in schema.get("enum", [schema.get("const")]))
    if schema.get("type") == "array":
        return f"[{kind(schema['items'])}]" if "items" in schema else "[]"
    return str(schema.get("type", "any"))


def outline(document: dict[str, Any]) -> str:
    """Everything that a client depends on, a line each."""
    lines = []
    for path, operations in sorted(document["paths"].items()):
        for method, its in sorted(operations.items()):
            asked = [
                f"{p['name']}{'' if p['required'] else '?'} {kind(p['schema'])}" for p in its.get("parameters", [])
            ]
            if "requestBody" in its:
                asked.append(kind(its["requestBody"]["content"]["application/json"]["schema"]))
            answers = []
            for status, answer in its["responses"].items():
                content = answer.get("content", {}).get("application/json", {}).get("schema", {})
                answers.append(f"{status} {kind(content)}" if status < "300" else status)
            lines.append(f"{method.upper()} {path} ({', '.join(asked)}) -> {', '.join(answers)}")
    for name, schema in sorted(document["components"]["schemas"].items()):
        needed = schema.get("required", [])
        fields = schema.get("properties", {}).items()
        lines.append(f"{name}: " + ", ".join(f"{key}{'' if key in needed else '?'} {kind(its)}" for key, its in fields))
    return "\n".join(lines)


def test_a_change_of_the_api_is_seen(snapshot: SnapshotAssertion) -> None:
    # meant to change? `pytest --snapshot-update` on this file, and say it to whoever writes clients
    assert outline(DOCUMENT) == snapshot


def test_what_is_printed_is_what_is_served(service: Service) -> None:
    status, text = ask(service, "GET", "/v1/openapi.json", token(service))
    assert status == 200
    assert outline(json.loads(text)) == outline(DOCUMENT)
    assert as_text(DOCUMENT).endswith("}\n")


def test_every_answer_is_described_and_every_refusal_is_the_one_model() -> None:
    for path, operations in DOCUMENT["paths"].items():
        for method, its in operations.items():
            statuses = set(its["responses"])
            assert {"400", "403", "413", "429", "503"} <= statuses, (method, path)
            assert ("401" in statuses) == (path != "/v1/health"), (method, path)
            assert {"200", "204"} & statuses, (method, path)
            for status, answer in its["responses"].items():
                if status >= "400":
                    schema = answer["content"]["application/json"]["schema"]
                    assert schema == {"$ref": "#/components/schemas/Refusal"}, (method, path, status)
    assert "HTTPValidationError" not in DOCUMENT["components"]["schemas"]


def test_everything_that_changes_something_may_be_refused_to_a_screen_that_only_watches() -> None:
    for path, operations in DOCUMENT["paths"].items():
        for method, its in operations.items():
            if method != "get" and path != "/v1/command":
                assert "423" in its["responses"], (method, path)
                assert "x-screen" in [each["name"] for each in its["parameters"]], (method, path)


def test_the_token_is_asked_for_everywhere_but_for_health() -> None:
    assert DOCUMENT["components"]["securitySchemes"] == {"token": {"type": "http", "scheme": "bearer"}}
    assert DOCUMENT["security"] == [{"token": []}]
    free = [path for path, its in DOCUMENT["paths"].items() for each in its.values() if "security" in each]
    assert free == ["/v1/health"]


def test_every_live_message_is_as_its_schema_says(client: Client, service: Service, engine: FakeEngine) -> None:
    schema = json.loads(ask(service, "GET", "/v1/live/schema", token(service))[1])
    assert schema == json.loads(json.dumps(live_schema()))
    judge = jsonschema_rs.Draft202012Validator(schema)
    event = LiveEvent(number=1, kind="taken", t_us=2, sentence="taken", point=point())
    messages = (
        Hello(run="a", last=0),
        FrameMessage(frame=client.frame()),
        EventMessage(event=event),
        Fault(sentence="no"),
    )
    for message in messages:
        judge.validate(json.loads(to_json(message)))
    assert not judge.is_valid({"kind": "frame", "frame": {}})
    assert not judge.is_valid({"kind": "other"})
