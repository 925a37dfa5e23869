"""Whatever is wrong with a request, the answer is one sentence that names it."""

import json

import pytest

from acquire.service import Service
from tests.service.bench import REQUEST
from tests.service.conftest import Shared
from tests.service.test_guard import UPGRADE, ask, token


@pytest.fixture
def service(shared: Shared) -> Service:
    return shared.service


def changed(**changes: object) -> bytes:
    return json.dumps(REQUEST.model_dump(mode="json") | changes).encode()


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "sentence"),
    [
        ("POST", "/v1/pulls", b"{", 400, "the request is not valid JSON"),
        ("POST", "/v1/pulls", b"\xff", 400, "the request is not valid JSON"),
        ("POST", "/v1/pulls", b"", 422, "the request: a JSON object is needed"),
        ("POST", "/v1/pulls", b"[]", 422, "the request: "),
        ("POST", "/v1/pulls", changed(direction="up"), 422, "direction: input should be 'intake' or 'exhaust'"),
        ("POST", "/v1/pulls", changed(lifts_m=[0.2, 0.1]), 422, "lifts must be above zero and rise from step to step"),
        ("POST", "/v1/pulls", changed(lifts_m=["0.1 parsec"]), 422, "lifts"),
        ("POST", "/v1/pulls", changed(lift=1), 422, "lift: no such key"),
        (
            "POST",
            "/v1/pulls",
            json.dumps({"direction": "intake"}).encode(),
            422,
            "subject: this key is needed (and 2 more",
        ),
        ("POST", "/v1/pulls", changed(lifts_m=[1e400]), 422, "lifts"),
        ("POST", "/v1/actions", b'{"kind": "explode"}', 422, "kind: input should be 'take'"),
        ("GET", "/v1/pulls/0", None, 422, "pull_id: input should be greater than or equal to 1"),
        ("GET", "/v1/pulls/2", None, 404, "there is no pull 2 in the archive"),
        ("GET", "/v1/pulls?limit=many", None, 422, "limit: input should be a valid integer"),
        ("GET", "/v1/pulls?subjekt=A-17", None, 422, "subjekt: no such key"),
        ("GET", "/v1/pulls?limit=3&=1&x=2", None, 422, "(empty): no such key (and 1 more like it)"),
        ("GET", "/v1/frame?rate=5", None, 422, "rate: no such key"),
        ("POST", "/v1/command?name=B", None, 422, "name: no such key"),
        ("DELETE", "/v1/templates", None, 422, "name: this key is needed"),
        ("DELETE", "/v1/templates?name=none", None, 409, "There is no template none."),
        ("GET", "/v1/nothing", None, 404, "there is no /v1/nothing here"),
        ("GET", "/docs", None, 404, "there is no /docs here"),
        ("DELETE", "/v1/frame", None, 405, "DELETE is not for /v1/frame"),
    ],
)
def test_each_fault_is_one_sentence(
    service: Service, method: str, path: str, body: bytes | None, status: int, sentence: str
) -> None:
    headers = {"Content-Type": "application/json"} | token(service)
    got_status, got = ask(service, method, path, headers, body)
    assert got_status == status
    assert sentence in got
    assert "\n" not in got


@pytest.mark.parametrize("query", ["rate=0.5", "rate=31", "rate=nan", "rate=fast", "after=-1"])
def test_a_live_stream_that_cannot_be_is_refused_in_one_sentence(service: Service, query: str) -> None:
    status, sentence = ask(service, "GET", f"/v1/live?{query}", UPGRADE | token(service))
    assert status == 422
    assert sentence.startswith(f"{query.split('=')[0]}: input should be ")


def test_a_live_stream_knows_its_keys(service: Service) -> None:
    found = ask(service, "GET", "/v1/live?rates=5", UPGRADE | token(service))
    assert found == (422, "rates: no such key")


def test_a_fault_of_the_daemon_itself_is_said_and_logged(
    shared: Shared, service: Service, monkeypatch: pytest.MonkeyPatch, expected_errors: list[str]
) -> None:
    expected_errors.append("Exception in ASGI application")
    monkeypatch.setattr(shared.archive, "subjects", lambda: [][1])
    status, sentence = ask(service, "GET", "/v1/subjects", token(service))
    assert (status, sentence) == (500, "the daemon failed to do this (IndexError): its log says more")
    assert ask(service, "GET", "/v1/health", {})[0] == 200
