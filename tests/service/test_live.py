"""The live stream: no event lost or doubled, whatever happens to the connection or the daemon."""

import asyncio
import math
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import aclosing, asynccontextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from acquire.client import Client, ClientError, Lost
from acquire.records import Frame, LiveEvent
from acquire.service import Service
from acquire.service.hub import EVENTS_KEPT
from tests.service.bench import FakeEngine, point
from tests.service.proxy import Relay
from tests.service.service_thread import ServiceThread
from tests.service.until import until

Message = Frame | LiveEvent | Lost
Stream = AsyncGenerator[Message, None]
DEADLINE_S = 20


async def next_of(stream: Stream, kind: type[Message]) -> Message:
    """The next message of a kind."""
    async with asyncio.timeout(DEADLINE_S):
        async for message in stream:
            if isinstance(message, kind):
                return message
    raise AssertionError("the stream ended")


async def events(stream: Stream, count: int) -> list[str]:
    """The sentences of the next ``count`` events."""
    told: list[str] = []
    while len(told) < count:
        event = await next_of(stream, LiveEvent)
        assert isinstance(event, LiveEvent)
        told.append(event.sentence)
    return told


@asynccontextmanager
async def streaming(client: Client, rate: float = 30) -> AsyncIterator[Stream]:
    async with aclosing(client.live(rate)) as stream:
        assert isinstance(await anext(stream), Frame)
        yield stream


async def test_frames_come_at_the_rate_asked_for(client: Client, engine: FakeEngine) -> None:
    async with streaming(client, 20) as stream:
        start = time.monotonic()
        for _ in range(20):
            assert await next_of(stream, Frame) == engine.frame()
        assert 0.8 < time.monotonic() - start < 3


async def test_an_event_comes_at_once_and_whole(client: Client, engine: FakeEngine) -> None:
    async with streaming(client, 1) as stream:
        start = time.monotonic()
        engine.tell("taken", its_point=point())
        event = await next_of(stream, LiveEvent)
        assert time.monotonic() - start < 0.5
        assert isinstance(event, LiveEvent)
        assert (event.number, event.sentence, event.point) == (1, "taken", point())


async def test_events_from_before_the_first_connection_are_not_told(client: Client, engine: FakeEngine) -> None:
    engine.tell("old")
    async with streaming(client) as stream:
        engine.tell("new")
        assert await events(stream, 1) == ["new"]


async def test_frames_go_on_among_many_events(client: Client, engine: FakeEngine) -> None:
    async with streaming(client) as stream:
        seen = 0
        while seen < 5:
            engine.tell("more")
            seen += isinstance(await anext(stream), Frame)


async def test_no_event_is_lost_or_doubled_when_the_connection_breaks(service: Service, engine: FakeEngine) -> None:
    async with Relay(service.url) as relay, streaming(Client(relay.url, service.token)) as stream:
        engine.tell("1")
        assert await events(stream, 1) == ["1"]
        for round_ in range(3):
            engine.tell(f"{round_} before the cut, perhaps not yet read")
            await relay.cut()
            engine.tell(f"{round_} while cut")
            lost = await next_of(stream, Lost)
            assert lost == Lost(f"the daemon at {relay.url} has gone: waiting for it to come back")
            engine.tell(f"{round_} still cut")
            await relay.join()
            told = await events(stream, 2)
            if told[0].endswith("not yet read"):
                told = told[1:] + await events(stream, 1)
            assert told == [f"{round_} while cut", f"{round_} still cut"]
        engine.tell("last")
        assert await events(stream, 1) == ["last"]


async def test_no_event_is_lost_or_doubled_across_a_restart_of_the_daemon(tmp_path: Path) -> None:
    first, second = (FakeEngine(tmp_path / "a.db") for _ in range(2))
    with ServiceThread(Service(first, first.name, first.archive_path)):
        client = Client.find()
        stream = client.live(30)
        assert isinstance(await anext(stream), Frame)
        for sentence in "abc":
            first.tell(sentence)
        assert await events(stream, 3) == ["a", "b", "c"]
    assert isinstance(await next_of(stream, Lost), Lost)
    made = Service(second, second.name, second.archive_path)
    second.tell("d")  # number 1 once more, from before the daemon serves
    with ServiceThread(made):
        second.tell("e")
        assert await events(stream, 2) == ["d", "e"]
        second.tell("f")
        assert await events(stream, 1) == ["f"]
        assert client.health().version == "9.9"  # commands find the new address, too
        await stream.aclose()


async def test_events_that_are_no_longer_held_are_counted(service: Service, engine: FakeEngine) -> None:
    async with Relay(service.url) as relay, streaming(Client(relay.url, service.token)) as stream:
        engine.tell("first")
        assert await events(stream, 1) == ["first"]
        await relay.cut()
        assert isinstance(await next_of(stream, Lost), Lost)
        for number in range(EVENTS_KEPT + 25):
            engine.tell(str(number))
        await relay.join()
        assert await next_of(stream, Lost) == Lost("25 events were missed while the daemon was out of reach", 25)
        assert await events(stream, EVENTS_KEPT) == [str(number) for number in range(25, EVENTS_KEPT + 25)]


async def test_a_daemon_that_falls_silent_is_lost_within_two_seconds(service: Service) -> None:
    async with Relay(service.url) as relay, streaming(Client(relay.url, service.token), 1) as stream:
        assert isinstance(await next_of(stream, Frame), Frame)
        relay.hold()
        start = time.monotonic()
        assert await next_of(stream, Lost) == Lost(f"the daemon at {relay.url} has gone silent")
        assert time.monotonic() - start < 2
        relay.go_on()
        assert isinstance(await next_of(stream, Frame), Frame)


async def test_a_slow_reader_of_the_stream_does_not_lose_the_daemon(client: Client, engine: FakeEngine) -> None:
    async with streaming(client) as stream:
        end = time.monotonic() + 2.5
        await asyncio.to_thread(until, lambda: time.monotonic() > end, "a long pause")
        engine.tell("after the pause")
        async with asyncio.timeout(DEADLINE_S):
            async for message in stream:
                assert not isinstance(message, Lost)
                if isinstance(message, LiveEvent):
                    break


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM])
async def test_a_daemon_that_dies_or_hangs_is_lost_within_two_seconds(tmp_path: Path, how: signal.Signals) -> None:
    command = [sys.executable, "-m", "tests.service.daemon", str(tmp_path / "a.db")]
    root = Path(__file__).parents[2]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=root) as daemon:
        try:
            assert daemon.stdout is not None
            assert daemon.stdout.readline().startswith("ready")
            async with streaming(Client.find()) as stream:
                daemon.send_signal(how)
                start = time.monotonic()
                assert isinstance(await next_of(stream, Lost), Lost)
                assert time.monotonic() - start < 2
        finally:
            daemon.kill()


async def test_a_daemon_that_is_not_there_is_said_once_and_waited_for(engine: FakeEngine) -> None:
    made = Service(engine, engine.name, engine.archive_path)
    made.stop()
    stream = Client(made.url, made.token, engine.name).live(30)
    start = time.monotonic()
    assert await anext(stream) == Lost(f"no daemon answers at {made.url}: waiting for it to come back")
    assert time.monotonic() - start < 2
    with ServiceThread(Service(engine, engine.name, engine.archive_path)):
        assert isinstance(await anext(stream), Frame)
        await stream.aclose()


async def test_a_token_that_is_refused_is_said(service: Service) -> None:
    async with aclosing(Client(service.url, "wrong").live()) as stream:
        assert await anext(stream) == Lost("the token is not this daemon's: read its address file again")


async def test_a_rate_that_cannot_be_is_an_error(client: Client) -> None:
    with pytest.raises(ClientError, match="rate: input should be less than or equal to 30"):
        await anext(client.live(31))


async def test_a_number_that_is_not_finite_never_reaches_a_client(client: Client, engine: FakeEngine) -> None:
    async with streaming(client) as stream:
        engine.tell("bad", its_point=point(area_m2=math.nan))
        assert await next_of(stream, Lost) == Lost(
            "event 1 cannot be shown: area_m2 is not a finite number, so nothing was sent"
        )
        engine.tell("good")
        assert await events(stream, 1) == ["good"]
        engine.flow_m3_s = math.inf
        assert await next_of(stream, Lost) == Lost(
            "the bench cannot be shown now: flow_m3_s is not a finite number, so nothing was sent"
        )
        engine.flow_m3_s = 0.04
        assert isinstance(await next_of(stream, Frame), Frame)


async def test_an_engine_that_fails_is_said_and_logged(
    client: Client, engine: FakeEngine, expected_errors: list[str]
) -> None:
    expected_errors.append("a live client had to be given up")
    async with streaming(client) as stream:
        engine.failing = True
        assert isinstance(await next_of(stream, Lost), Lost)
        engine.failing = False
        assert isinstance(await next_of(stream, Frame), Frame)


def never_reading(service: Service) -> socket.socket:
    """A live client that completes the handshake and then reads nothing more."""
    parts = urlsplit(service.url)
    raw = socket.socket()
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    raw.settimeout(DEADLINE_S)
    raw.connect((parts.hostname, parts.port))
    raw.sendall(
        f"GET /v1/live?rate=30 HTTP/1.1\r\nHost: {parts.netloc}\r\nAuthorization: Bearer {service.token}\r\n"
        "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
    )
    assert raw.recv(12) == b"HTTP/1.1 101"
    return raw


async def test_a_client_that_never_reads_holds_up_nobody(
    service: Service, client: Client, engine: FakeEngine, caplog: pytest.LogCaptureFixture
) -> None:
    before = engine.listeners
    with never_reading(service) as dead:
        async with streaming(client) as stream:
            longest_s, number = 0.0, 0
            for batch in range(40):
                for _ in range(100):
                    start = time.monotonic()
                    number = engine.tell("x" * 2000)
                    longest_s = max(longest_s, time.monotonic() - start)
                assert len(await events(stream, 100)) == 100
                assert (await asyncio.to_thread(client.frame)).t_us == number, batch
            assert longest_s < 0.5
        until(lambda: "fell too far behind" in caplog.text, "the dead client is given up")
        dead.settimeout(DEADLINE_S)
        read = sum(len(piece) for piece in iter(lambda: dead.recv(65536), b""))
        assert 0 < read < 4000 * 2000  # it ends, and not all was kept for it
    assert engine.listeners == before


async def test_clients_that_never_read_do_not_hold_up_the_end(
    engine: FakeEngine, caplog: pytest.LogCaptureFixture
) -> None:
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        dead = never_reading(made)
        async with streaming(Client(made.url, made.token)) as stream:
            while "fell too far behind" not in caplog.text:
                for _ in range(100):
                    engine.tell("x" * 2000)
                await events(stream, 100)
        start = time.monotonic()
    assert time.monotonic() - start < 1.5
    dead.close()


async def test_a_client_that_has_stopped_reading_does_not_hold_up_the_end(
    engine: FakeEngine, expected_errors: list[str]
) -> None:
    expected_errors.append("timeout graceful shutdown exceeded")
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        dead = never_reading(made)
        connections = made._server.server_state.connections
        while not any(connection.transport.get_write_buffer_size() for connection in list(connections)):
            for _ in range(50):
                engine.tell("x" * 2000)
            await asyncio.to_thread(Client(made.url, made.token).frame)
        start = time.monotonic()
    assert time.monotonic() - start < 4
    dead.close()
