"""Every endpoint, through the client that everything else uses."""

import math
import os
import socket
import subprocess
import sys
import threading

import pytest

from acquire.client import Client, ClientError
from acquire.records import Action, Subject
from acquire.room.entry import RoomEntry
from acquire.service import Service
from acquire.store.archive import Archive
from tests.service.bench import REQUEST, TEMPLATE, FakeArchive, FakeEngine, point
from tests.service.service_thread import ServiceThread


def test_health_says_who_is_there(client: Client) -> None:
    health = client.health()
    assert (health.status, health.version, health.bench, health.pid) == ("ok", "9.9", "North bench", os.getpid())


def test_the_frame_comes_over_as_it_is(client: Client, engine: FakeEngine) -> None:
    assert client.frame() == engine.frame()


def test_the_bench_comes_over_as_it_is(client: Client, engine: FakeEngine) -> None:
    assert client.bench() == engine.bench()


def test_a_pull_request_reaches_the_engine_unchanged(client: Client, engine: FakeEngine) -> None:
    assert client.begin(REQUEST) == 7
    assert engine.done == [REQUEST]


def test_resume_and_actions_reach_the_engine(client: Client, engine: FakeEngine) -> None:
    action = Action(kind="retake", step=2, by="pedal")
    client.resume(3)
    client.act(action)
    assert engine.done == [3, action]


def test_the_archive_comes_over_as_it_is(client: Client, archive: FakeArchive) -> None:
    assert client.pulls() == archive.pulls()
    assert len(client.pulls(5, "A-17 & B", "plate", "exhaust")) == 1
    assert archive.asked == (5, "A-17 & B", "plate", "exhaust")
    assert client.open_pulls() == archive.open_pulls()
    assert client.subjects() == archive.subjects()
    assert client.pull(1) == archive.pull(1)


def test_a_template_is_kept_listed_and_forgotten(client: Client) -> None:
    client.save_template(TEMPLATE)
    assert client.templates() == [TEMPLATE]
    client.delete_template(TEMPLATE.name)
    assert client.templates() == []


def test_what_the_engine_refuses_is_said_in_its_own_words(client: Client, engine: FakeEngine) -> None:
    engine.refuse = "A pull is running: end it first."
    for command in (
        lambda: client.begin(REQUEST),
        lambda: client.resume(1),
        lambda: client.act(Action(kind="take")),
        lambda: client.save_template(TEMPLATE),
    ):
        with pytest.raises(ClientError, match=r"^A pull is running: end it first\.$"):
            command()


def test_a_pull_that_is_not_there_is_said(client: Client) -> None:
    with pytest.raises(ClientError, match="there is no pull 2 in the archive"):
        client.pull(2)


def test_a_number_that_is_not_finite_never_leaves(client: Client, engine: FakeEngine, archive: FakeArchive) -> None:
    engine.flow_m3_s = math.nan
    with pytest.raises(ClientError, match="flow_m3_s is not a finite number"):
        client.frame()
    archive.its_point = point(area_m2=math.inf)
    with pytest.raises(ClientError, match="area_m2 is not a finite number"):
        client.pull(1)


def test_an_archive_on_disk_is_served(engine: FakeEngine) -> None:
    Archive.open(engine.archive_path).close()
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        client = Client(made.url, made.token)
        assert client.pulls(3, "A-17", "lift", "intake") == client.open_pulls() == []
        assert client.subjects() == []
        assert client.templates() == []
        with pytest.raises(ClientError, match="holds no pulls yet") as caught:
            client.pull(5)
        assert caught.value.status == 404


def test_an_archive_that_is_not_there_is_said(engine: FakeEngine) -> None:
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        with pytest.raises(ClientError, match=r"archive\.db") as caught:
            Client(made.url, made.token).pulls()
        assert "\n" not in str(caught.value)


def test_commands_load_neither_the_daemon_nor_the_stream() -> None:
    heavy = ["fastapi", "starlette", "uvicorn", "websockets", "asyncio", "numpy", "sqlite3", "serial"]
    heavy += ["acquire.daemon.engine"]
    program = f"import sys, acquire.client; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_daemon_that_stopped_is_said_in_one_sentence(engine: FakeEngine) -> None:
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        client = Client(made.url, made.token)
    with pytest.raises(ClientError, match=f"^no daemon answers at {made.url}: start it first$"):
        client.frame()


def test_a_stranger_on_the_port_is_said_in_one_sentence() -> None:
    with socket.create_server(("127.0.0.1", 0)) as stranger:

        def answer() -> None:
            connection, _ = stranger.accept()
            with connection:
                connection.recv(65536)
                connection.sendall(b"220 mail.example ready\r\n")

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(ClientError, match=r"^what answers at .* is not the daemon: start it again$"):
            Client(f"http://127.0.0.1:{stranger.getsockname()[1]}", "t").frame()
        thread.join()


def test_an_answer_of_another_version_is_said_in_one_sentence(client: Client, archive: FakeArchive) -> None:
    archive.subjects = lambda: [Subject.model_construct(identifier="", model="")]  # type: ignore[method-assign]
    with pytest.raises(ClientError, match="was not understood: the daemon may be of another version"):
        client.subjects()


def test_a_record_about_the_bench_is_kept_and_its_number_comes_back(client: Client, engine: FakeEngine) -> None:
    record = RoomEntry(made_utc="2026-03-04T05:06:07+00:00", pressure_pa=98_600.0)
    assert client.keep_record(record) == 1
    assert engine.records == [record]
