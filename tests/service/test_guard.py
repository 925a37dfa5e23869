"""Who is let in: this machine, with the token, without a browser's page, in small requests."""

import http.client
import json
import socket
from urllib.parse import urlsplit

import pytest

from acquire.service import Service
from acquire.service.limits import LARGEST_BODY
from tests.service.bench import REQUEST, FakeEngine
from tests.service.conftest import Shared

UPGRADE = {
    "Connection": "Upgrade",
    "Upgrade": "websocket",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",  # the sample nonce of RFC 6455, section 1.3
}
PATHS = [
    ("GET", "/v1/frame", {}),
    ("GET", "/v1/bench", {}),
    ("POST", "/v1/pulls", {}),
    ("POST", "/v1/pulls/1/resume", {}),
    ("POST", "/v1/actions", {}),
    ("GET", "/v1/pulls", {}),
    ("GET", "/v1/pulls/1", {}),
    ("GET", "/v1/open-pulls", {}),
    ("GET", "/v1/subjects", {}),
    ("GET", "/v1/templates", {}),
    ("PUT", "/v1/templates", {}),
    ("DELETE", "/v1/templates?name=a", {}),
    ("GET", "/v1/openapi.json", {}),
    ("GET", "/nowhere", {}),
    ("GET", "/v1/live", UPGRADE),
]


@pytest.fixture
def service(shared: Shared) -> Service:
    return shared.service


@pytest.fixture
def engine(shared: Shared) -> FakeEngine:
    shared.engine.done.clear()
    return shared.engine


def ask(
    service: Service, method: str, path: str, headers: dict[str, str], body: bytes | None = None
) -> tuple[int, str]:
    """Status and sentence (or body) of a request with exactly these headers, besides Host where none is given."""
    parts = urlsplit(service.url)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=10)
    try:
        connection.putrequest(method, path, skip_host="Host" in headers, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name, value)
        if body is not None and "Transfer-Encoding" not in headers:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        if answer.status == 101:
            return 101, ""
        text = answer.read().decode()
        return answer.status, json.loads(text)["sentence"] if answer.status >= 400 else text
    finally:
        connection.close()


def token(service: Service) -> dict[str, str]:
    return {"Authorization": f"Bearer {service.token}"}


@pytest.mark.parametrize(("method", "path", "headers"), PATHS)
def test_nothing_but_health_is_served_without_the_token(
    service: Service, engine: FakeEngine, method: str, path: str, headers: dict[str, str]
) -> None:
    assert ask(service, method, path, headers) == (
        401,
        "the token is missing: send the one in the daemon's address file",
    )
    wrong = {"Authorization": f"Bearer {service.token[:-1]}{'A' if service.token[-1] != 'A' else 'B'}"}
    assert ask(service, method, path, headers | wrong) == (
        401,
        "the token is not this daemon's: read its address file again",
    )
    assert engine.done == []


def test_the_live_stream_opens_with_the_token(service: Service) -> None:
    assert ask(service, "GET", "/v1/live", UPGRADE | token(service)) == (101, "")


@pytest.mark.parametrize("headers", [{}, UPGRADE])
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "192.168.1.5", "127.0.0.1.evil.example", "", "[::"]
)
def test_a_name_that_points_here_is_not_enough(service: Service, host: str, headers: dict[str, str]) -> None:
    for path in ("/v1/health", "/v1/live"):
        status, sentence = ask(service, "GET", path, {"Host": host} | headers | token(service))
        assert (status, "this machine only" in sentence) == (403, True)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:9000", "[::1]:80", "127.0.0.2"])
def test_names_of_this_machine_are_served(service: Service, host: str) -> None:
    assert ask(service, "GET", "/v1/health", {"Host": host})[0] == 200


@pytest.mark.parametrize("headers", [{}, UPGRADE])
@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://{host}", "http://localhost:1"])
def test_pages_of_other_origins_are_refused(service: Service, origin: str, headers: dict[str, str]) -> None:
    its = {"Origin": origin.format(host=urlsplit(service.url).netloc)}
    status, sentence = ask(service, "GET", "/v1/live" if headers else "/v1/frame", headers | its | token(service))
    assert (status, "other origins" in sentence) == (403, True)


def test_its_own_origin_is_served(service: Service) -> None:
    assert ask(service, "GET", "/v1/frame", {"Origin": service.url} | token(service))[0] == 200


def test_no_answer_invites_other_origins(service: Service) -> None:
    parts = urlsplit(service.url)
    with socket.create_connection((parts.hostname, parts.port), timeout=10) as raw:
        raw.sendall(f"GET /v1/health HTTP/1.1\r\nHost: {parts.netloc}\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    assert b"200 OK" in answer
    assert b"access-control" not in answer.lower()


def test_a_large_request_is_refused_whether_it_says_its_length_or_not(service: Service, engine: FakeEngine) -> None:
    json_type = {"Content-Type": "application/json"} | token(service)
    said = ask(service, "POST", "/v1/pulls", json_type, b" " * (LARGEST_BODY + 1))
    piece = b"%x\r\n%s\r\n" % (LARGEST_BODY // 2, b" " * (LARGEST_BODY // 2))
    chunked = ask(service, "POST", "/v1/pulls", json_type | {"Transfer-Encoding": "chunked"}, piece * 3 + b"0\r\n\r\n")
    assert said == chunked == (413, "the request is larger than 256 KiB: send less")
    fits = REQUEST.model_dump_json().encode().ljust(LARGEST_BODY)
    assert ask(service, "POST", "/v1/pulls", json_type, fits)[0] == 200
    assert engine.done == [REQUEST]
