"""The address file: its user's only, whole or absent, gone after a clean stop."""

import os
import socket
import stat
import threading
from pathlib import Path

import pytest

from acquire import where
from acquire.client import Client, ClientError
from acquire.records import Refused
from acquire.service import Service, server
from acquire.where import Address, address_path, read_address, read_addresses, remove_address, slug, write_address
from tests.service.bench import FakeEngine
from tests.service.service_thread import ServiceThread

ADDRESS = Address(url="http://127.0.0.1:1", token="t", pid=1, bench="North bench", archive="/a", since_utc="")


def test_the_address_of_a_running_daemon_is_kept_and_removed_at_its_end(
    engine: FakeEngine, home: Path, tmp_path: Path
) -> None:
    made = Service(engine, engine.name, engine.archive_path)
    path = address_path(engine.name)
    with ServiceThread(made):
        its = read_address(engine.name)
        assert its == made.address
        assert path.is_relative_to(home / "state")
        assert (its.url, its.pid, its.archive) == (made.url, os.getpid(), str(tmp_path / "archive.db"))
        assert len(its.token) >= 43  # 32 bytes in base 64
        found = Client.find()
        assert (found.url, found.token) == (made.url, made.token)
    assert not path.exists()
    assert list(path.parent.iterdir()) == []
    with pytest.raises(ClientError, match="no daemon is running"):
        Client.find()


@pytest.mark.skipif(os.name != "posix", reason="the modes of files are POSIX")
def test_nobody_else_can_read_the_token() -> None:
    before = os.umask(0)
    try:
        path = write_address(ADDRESS)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_each_run_has_its_own_token(engine: FakeEngine) -> None:
    one, two = (Service(engine, engine.name, engine.archive_path) for _ in range(2))
    one.stop()
    two.stop()
    assert one.token != two.token


def test_a_daemon_never_removes_the_address_of_another() -> None:
    path = write_address(ADDRESS)
    remove_address(ADDRESS.model_copy(update={"token": "other"}))
    assert path.exists()
    remove_address(ADDRESS)
    assert not path.exists()
    remove_address(ADDRESS)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_address(ADDRESS)

    def fail(_self: Path, _target: Path) -> Path:
        raise OSError("no space")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="no space"):
        write_address(ADDRESS.model_copy(update={"pid": 2}))
    assert read_address("North bench") == ADDRESS
    assert list(path.parent.iterdir()) == [path]


def test_a_daemon_that_cannot_write_its_address_says_so(engine: FakeEngine, home: Path) -> None:
    home.mkdir()
    (home / "state").write_text("a file where the folder should be")
    made = Service(engine, engine.name, engine.archive_path)
    with pytest.raises(Refused, match=r"address cannot be written .*: check that .*state can be written$"):
        made.run()
    assert engine.listeners == 0


def test_a_file_that_is_no_address_is_left_out_and_said(caplog: pytest.LogCaptureFixture) -> None:
    write_address(ADDRESS)
    (address_path("North bench").parent / "daemon-x.json").write_text("{")
    assert read_addresses() == [ADDRESS]
    assert "daemon-x.json is not a daemon's address" in caplog.text


@pytest.mark.parametrize("name", ["North bench", "north-bench", "NORTH BENCH", "Prüfstand", "床", "../x", "a" * 90])
def test_different_benches_have_different_files_with_plain_names(name: str) -> None:
    others = {"North bench", "north-bench", "NORTH BENCH", "Prüfstand", "床", "../x", "a" * 90, "a" * 91} - {name}
    assert slug(name) not in {slug(other) for other in others}
    assert set(slug(name)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert len(slug(name)) <= 67


def test_without_the_variable_the_user_folders_hold_everything(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STEADYDRAW_HOME")
    folders = {where.state_folder(), where.data_folder(), where.config_folder()}
    assert all("steadydraw" in str(folder) for folder in folders)


def test_find_says_what_it_cannot_decide(engine: FakeEngine, tmp_path: Path) -> None:
    south = FakeEngine(tmp_path / "south.db", "South bench")
    with (
        ServiceThread(Service(engine, engine.name, engine.archive_path)),
        ServiceThread(Service(south, south.name, south.archive_path)) as other,
    ):
        with pytest.raises(ClientError, match=r"several benches are running \(North bench, South bench\)"):
            Client.find()
        assert Client.find("South bench").url == other.url
        with pytest.raises(ClientError, match="no daemon of bench West is running"):
            Client.find("West")


def test_an_address_left_behind_is_not_taken_for_a_daemon(service: Service) -> None:
    write_address(service.address.model_copy(update={"bench": "South bench"}))  # another bench, this one's port
    assert Client.find().url == service.url
    with pytest.raises(ClientError, match=r"the daemon of bench South bench at .* has ended without saying so"):
        Client.find("South bench")


def test_a_service_that_never_ran_gives_its_port_back(engine: FakeEngine) -> None:
    made = Service(engine, engine.name, engine.archive_path)
    port = made.url.rpartition(":")[2]
    with pytest.raises(Refused, match=rf"port {port} of 127\.0\.0\.1 cannot be used"):
        Service(engine, engine.name, engine.archive_path, port=int(port))
    made.stop()
    made.run()  # nothing happens: it was stopped
    again = Service(engine, engine.name, engine.archive_path, port=int(port))
    again.stop()
    assert engine.listeners == 0


def test_a_service_that_is_told_to_stop_does_not_look_for_it_first(
    engine: FakeEngine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "_DATE_S", 1000.0)
    with ServiceThread(Service(engine, engine.name, engine.archive_path)) as made:
        assert Client.find().url == made.url
    with pytest.raises(ClientError, match="no daemon is running"):
        Client.find()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.5", "example.org", "::"])
def test_only_this_machine_can_be_served(engine: FakeEngine, host: str) -> None:
    with pytest.raises(Refused, match="is not this machine"):
        Service(engine, engine.name, engine.archive_path, host)


def _has_ipv6() -> bool:
    try:
        socket.create_server(("::1", 0), family=socket.AF_INET6).close()
    except OSError:
        return False
    return True


@pytest.mark.skipif(not _has_ipv6(), reason="this machine has no IPv6 loopback")
def test_the_other_address_family_of_this_machine_can_be_served(engine: FakeEngine) -> None:
    with ServiceThread(Service(engine, engine.name, engine.archive_path, "::1")) as made:
        assert made.url.startswith("http://[::1]:")
        assert Client.find().bench() == engine.bench()


def test_stop_from_another_thread_ends_run(engine: FakeEngine) -> None:
    made = Service(engine, engine.name, engine.archive_path)
    threading.Timer(0, made.stop).start()
    made.run()
    assert engine.listeners == 0
