"""The bounds: a client that floods, dawdles or never reads is refused or dropped, and the others are served."""

import json
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from acquire.client import Client, Screen
from acquire.records import Refused, Subject
from acquire.service import Service, limits
from acquire.service.server import Beyond
from tests.service.bench import FakeArchive, FakeEngine
from tests.service.service_thread import ServiceThread
from tests.service.test_guard import ask, token
from tests.service.until import until


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("connections.HEADERS_S", "connections.READING_S", "guard.BODY_S"):
        monkeypatch.setattr(f"acquire.service.{name}", 0.2)


@pytest.fixture
def service(engine: FakeEngine, archive: FakeArchive) -> Iterator[Service]:
    made = Service(engine, engine.name, engine.archive_path, open_archive=archive.open)
    with ServiceThread(made):
        yield made


def raw(service: Service) -> socket.socket:
    parts = urlsplit(service.url)
    return socket.create_connection((parts.hostname or "", parts.port or 0), timeout=10)


def head(service: Service, path: str = "/v1/frame", method: str = "GET", more: str = "") -> bytes:
    host = urlsplit(service.url).netloc
    return f"{method} {path} HTTP/1.1\r\nHost: {host}\r\nAuthorization: Bearer {service.token}\r\n{more}\r\n".encode()


def all_of(connection: socket.socket) -> bytes:
    """What comes until the connection ends, however it ends."""
    received = b""
    try:
        while piece := connection.recv(65536):
            received += piece
    except ConnectionError:
        pass
    return received


def refused(answer: bytes) -> tuple[int, str]:
    """Status and sentence of a raw answer."""
    status = int(answer.split(b" ", 2)[1])
    return status, json.loads(answer.partition(b"\r\n\r\n")[2])["sentence"]


def live(service: Service) -> ClientConnection:
    url = f"ws{service.url.removeprefix('http')}/v1/live?rate=30"
    return connect(url, additional_headers=token(service), proxy=None)


def test_a_flood_from_one_client_is_refused_and_another_screen_is_served(service: Service) -> None:
    asked = 4 * int(limits.REQUESTS_AT_ONCE)
    with raw(service) as flood:
        flood.sendall(head(service) * asked + head(service, more="Connection: close\r\n"))
        answers = all_of(flood)
    assert limits.REQUESTS_AT_ONCE <= answers.count(b"HTTP/1.1 200 OK") < asked
    assert b"HTTP/1.1 429" in answers
    assert b"retry-after: 1\r\n" in answers
    assert b"there are too many requests" in answers
    assert Client(service.url, service.token, screen=Screen.named("bench")).frame().commander == ""


def test_a_client_that_changes_its_name_gains_nothing() -> None:
    rates = limits.Rates()
    served = sum(rates.wait_s(f"name {number}", 0.0) == 0.0 for number in range(5000))
    assert served == limits.ALL_REQUESTS_AT_ONCE
    assert len(rates._each) == limits.CLIENTS_KEPT


@given(st.lists(st.floats(0, 0.5), min_size=1, max_size=300))
def test_no_client_gets_more_than_its_rate(pauses: list[float]) -> None:
    rates, now_s, served = limits.Rates(), 0.0, 0
    for pause in pauses:
        now_s += pause
        wait_s = rates.wait_s("a", now_s)
        served += wait_s == 0.0
        assert wait_s <= 1 / limits.REQUESTS_A_SECOND + 1e-9
    assert served <= limits.REQUESTS_AT_ONCE + limits.REQUESTS_A_SECOND * now_s


def test_headers_are_bounded_whether_they_end_or_not(service: Service) -> None:
    long = {"X-Long": "x" * limits.LARGEST_HEADERS}
    assert ask(service, "GET", "/v1/frame", long | token(service)) == (
        431,
        "the headers are larger than 16 KiB: send less",
    )
    with raw(service) as endless:
        endless.sendall(b"GET /v1/health HTTP/1.1\r\nX-Long: " + b"x" * 200_000)
        assert refused(all_of(endless))[0] == 400


@pytest.mark.parametrize("noise", [b"\x16\x03\x01\x02\x00\x01", b"GET\r\n\r\n", b"\x00" * 1000 + b"\r\n\r\n"])
def test_what_is_not_http_is_refused_with_the_one_model(service: Service, noise: bytes) -> None:
    with raw(service) as stranger:
        stranger.sendall(noise + b"\r\n\r\n")
        status, sentence = refused(all_of(stranger))
        assert (status, "not an HTTP request" in sentence) == (400, True)


def test_idle_connections_make_room_for_new_ones(service: Service, client: Client) -> None:
    with ExitStack() as stack:
        idle = [stack.enter_context(raw(service)) for _ in range(limits.MOST_CONNECTIONS)]
        for _ in range(3):
            assert client.health().bench == service.address.bench
        assert all_of(idle[0]) == b""  # the first was dropped
        assert len(service._server.server_state.connections) <= limits.MOST_CONNECTIONS


def test_busy_connections_do_not_make_room(service: Service, client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("acquire.service.connections.MOST_CONNECTIONS", 2)
    with live(service), live(service), raw(service) as third:
        third.sendall(head(service))
        assert refused(all_of(third)) == (503, "2 connections are open: close some, or ask again soon")


@pytest.mark.usefixtures("quick")
def test_a_connection_that_asks_nothing_is_dropped(service: Service) -> None:
    with raw(service) as silent, raw(service) as half, raw(service) as again:
        half.sendall(head(service)[:40])
        again.sendall(head(service) + head(service)[:40])
        assert all_of(silent) == all_of(half) == b""
        assert all_of(again).startswith(b"HTTP/1.1 200 OK")


@pytest.mark.usefixtures("quick")
def test_a_body_that_does_not_arrive_is_given_up(service: Service, engine: FakeEngine) -> None:
    with raw(service) as slow:
        slow.sendall(head(service, "/v1/actions", "POST", "Content-Type: application/json\r\nContent-Length: 15\r\n"))
        slow.sendall(b'{"kind"')
        answer = slow.recv(65536)
        answer += b"" if b"}" in answer else slow.recv(65536)
        assert refused(answer)[0] == 408
    assert engine.done == []


@pytest.mark.usefixtures("quick")
def test_a_client_that_does_not_read_its_answer_is_dropped(service: Service, archive: FakeArchive) -> None:
    long = Subject(identifier="A-17", remarks="x" * 2000)
    archive.subjects = lambda: [long] * 5000  # type: ignore[method-assign]
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.settimeout(10)
        parts = urlsplit(service.url)
        deaf.connect((parts.hostname, parts.port))
        deaf.sendall(head(service, "/v1/subjects"))
        connections = service._server.server_state.connections
        until(lambda: len(connections) == 1, "it is there")
        until(lambda: not connections, "it is dropped")


def test_live_streams_are_bounded(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("acquire.service.live.MOST_LIVE", 2)
    with live(service), live(service):
        with pytest.raises(InvalidStatus) as no:
            live(service)
        assert no.value.response.status_code == 503
        assert json.loads(no.value.response.body or b"")["sentence"] == "2 live streams are open: close one first"


@pytest.mark.usefixtures("quick")
def test_a_live_stream_outlasts_the_time_for_headers(service: Service) -> None:
    with live(service) as listening:
        messages = [json.loads(listening.recv(timeout=10)) for _ in range(20)]
    # 19 frames at 30 a second take three times as long as headers may
    assert all("frame" in message for message in messages[1:])


@pytest.mark.parametrize("said", ["take", b"\x00\xff", "x" * (limits.LARGEST_MESSAGE + 1)])
def test_a_live_client_that_says_something_is_disconnected(service: Service, said: str | bytes) -> None:
    with live(service) as talker:
        talker.send(said)
        with pytest.raises(ConnectionClosed) as closed:
            until(lambda: talker.recv(timeout=10) == "", "it is disconnected")
        assert closed.value.rcvd is not None
        assert closed.value.rcvd.code == (1009 if len(said) > limits.LARGEST_MESSAGE else 1008)


def test_another_machine_is_answered_only_with_permission_and_under_the_names_given(
    engine: FakeEngine, archive: FakeArchive
) -> None:
    with pytest.raises(Refused, match=r"host 0\.0\.0\.0 is not this machine.*--beyond-this-machine"):
        Service(engine, engine.name, engine.archive_path, "0.0.0.0")
    beyond = Beyond(("bench.local",))
    made = Service(engine, engine.name, engine.archive_path, "0.0.0.0", beyond=beyond, open_archive=archive.open)
    with ServiceThread(made):
        assert made.url.startswith("http://127.0.0.1:")
        for host, status in (("bench.local:80", 200), ("127.0.0.1", 200), ("evil.example", 403), ("0.0.0.0", 403)):
            assert ask(made, "GET", "/v1/frame", {"Host": host} | token(made))[0] == status, host
        assert ask(made, "GET", "/v1/frame", {"Host": "bench.local"})[0] == 401
    assert "never on the internet" in beyond.warning(made.url)
    assert "bench.local" in beyond.warning(made.url)
