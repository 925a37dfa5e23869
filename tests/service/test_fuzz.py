"""The API under fire: generated requests on every endpoint, and live clients that do anything at any time."""

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, rule, run_state_machine_as_test
from websockets.exceptions import WebSocketException
from websockets.sync.client import ClientConnection, connect

from acquire.client import Client
from acquire.service import Service
from acquire.service.limits import LARGEST_MESSAGE
from acquire.wire import LIVE, FrameMessage
from tests.service.bench import FakeArchive, FakeEngine
from tests.service.conftest import Shared
from tests.service.fuzzing import fuzz, operations, without_rates
from tests.service.service_thread import ServiceThread


@pytest.fixture(scope="module", autouse=True)
def no_rates() -> Iterator[None]:
    patch = without_rates()
    yield
    patch.undo()


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("operation", operations())
def test_every_endpoint_answers_as_described_whatever_it_is_asked(shared: Shared, operation: str) -> None:
    assert fuzz(shared.service, operation, 3) >= 1


class LiveClients(RuleBasedStateMachine):
    """Clients that connect, say anything, read or do not, and leave in any way; one that behaves is watched."""

    service: Service
    engine: FakeEngine
    clients = Bundle("clients")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[socket.socket | ClientConnection] = []
        self.good = self._connect(self.service.token)

    def _connect(self, token: str) -> ClientConnection:
        url = f"ws{self.service.url.removeprefix('http')}/v1/live?rate=30"
        headers = {"Authorization": f"Bearer {token}"}
        return connect(url, additional_headers=headers, proxy=None, close_timeout=0.1)

    @rule(target=clients)
    def watch(self) -> ClientConnection:
        client = self._connect(self.service.token)
        self.open.append(client)
        return client

    @rule(token=st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=20))
    def come_with_a_wrong_token(self, token: str) -> None:
        with pytest.raises(WebSocketException):
            self._connect(token)

    @rule(client=clients, said=st.binary(max_size=200) | st.just(b"x" * (2 * LARGEST_MESSAGE)))
    def say_something(self, client: ClientConnection, said: bytes) -> None:
        with contextlib.suppress(WebSocketException, OSError):
            client.send(said)

    @rule(client=clients, noise=st.binary(min_size=1, max_size=50))
    def send_what_is_no_message(self, client: ClientConnection, noise: bytes) -> None:
        with contextlib.suppress(OSError):
            client.socket.sendall(noise)

    @rule(noise=st.binary(max_size=50))
    def knock_and_leave(self, noise: bytes) -> None:
        parts = urlsplit(self.service.url)
        with socket.create_connection((parts.hostname or "", parts.port or 0)) as stranger:
            stranger.sendall(noise)

    @rule(client=clients)
    def leave(self, client: ClientConnection) -> None:
        client.close()

    @rule(client=clients)
    def vanish(self, client: ClientConnection) -> None:
        with contextlib.suppress(OSError):
            client.socket.shutdown(socket.SHUT_RDWR)

    @rule(events=st.integers(1, 20))
    def something_happens(self, events: int) -> None:
        start = time.monotonic()
        for _ in range(events):
            self.engine.tell("x" * 500)
        assert time.monotonic() - start < 1

    @invariant()
    def the_others_are_served(self) -> None:
        while not isinstance(LIVE.validate_json(self.good.recv(timeout=5)), FrameMessage):
            pass

    def teardown(self) -> None:
        for client in (self.good, *self.open):
            client.close()


def test_live_clients_may_do_anything_and_the_others_keep_getting_frames(
    service: Service, engine: FakeEngine, client: Client
) -> None:
    LiveClients.service, LiveClients.engine = service, engine
    few = settings(max_examples=5, stateful_step_count=10, deadline=None, database=None, derandomize=True)
    run_state_machine_as_test(LiveClients, settings=settings(few, suppress_health_check=list(HealthCheck)))
    assert client.health().bench == engine.name
    assert engine.listeners == 1


def test_the_engine_keeps_its_pace_in_a_flood(tmp_path: Path) -> None:
    engine = FakeEngine(tmp_path / "archive.db")
    with ServiceThread(
        Service(engine, engine.name, engine.archive_path, open_archive=FakeArchive(engine).open)
    ) as made:
        parts = urlsplit(made.url)
        address = (parts.hostname or "", parts.port or 0)
        request = f"GET /v1/frame HTTP/1.1\r\nHost: {parts.netloc}\r\nAuthorization: Bearer {made.token}\r\n\r\n"
        stop = threading.Event()

        def flood() -> None:
            while not stop.is_set():
                with (
                    contextlib.suppress(OSError),
                    socket.create_connection(address) as it,
                ):
                    it.sendall(request.encode() * 50)
                    it.recv(65536)

        thread = threading.Thread(target=flood)
        thread.start()
        late_s = 0.0
        for _ in range(50):
            start = time.monotonic()
            stop.wait(0.02)
            engine.tell("tick")
            late_s = max(late_s, time.monotonic() - start - 0.02)
        stop.set()
        thread.join()
    assert late_s < 1.0
