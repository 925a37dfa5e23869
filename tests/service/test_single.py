"""One daemon for a bench, an archive, a port; and what a dead one leaves behind."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.client import Client, ClientError
from acquire.daemon.single import AlreadyRunning, claim
from acquire.records import Refused
from acquire.where import address_path, state_folder
from tests.service.until import until

ROOT = Path(__file__).parents[2]
Daemon = subprocess.Popen[str]


@pytest.fixture
def daemons() -> Iterator[list[Daemon]]:
    started: list[Daemon] = []
    yield started
    for daemon in started:
        daemon.kill()
        daemon.communicate()


def start(daemons: list[Daemon], *arguments: str) -> tuple[Daemon, str]:
    """A daemon's process and the first line that it says."""
    daemon = subprocess.Popen(
        [sys.executable, "-m", "tests.service.daemon", *arguments], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    daemons.append(daemon)
    assert daemon.stdout is not None
    return daemon, daemon.stdout.readline().strip()


def test_a_second_claim_names_the_first(tmp_path: Path) -> None:
    with claim("North", tmp_path / "a.db", ["/dev/ttyX1"]):
        for bench, archive, port, what in (
            ("North", "b.db", "/dev/ttyX2", "the bench North is"),
            ("South", "a.db", "/dev/ttyX2", f"the archive {tmp_path.resolve() / 'a.db'} is"),
            ("South", "b.db", "/dev/ttyX1", "the port /dev/ttyX1 is"),
        ):
            with pytest.raises(AlreadyRunning) as caught:
                claim(bench, tmp_path / archive, [port])
            sentence = str(caught.value)
            assert sentence.startswith(
                f"{what} already in use by the daemon of bench North (process {os.getpid()}, since 20"
            )
            assert "\n" not in sentence
        claim("South", tmp_path / "b.db", ["/dev/ttyX2"]).release()


@pytest.fixture
def silent_holder(tmp_path: Path) -> Iterator[Path]:
    """A lock that is held without a word; the file beside it that would say by whom."""
    with claim("North", tmp_path / "a.db", []):
        (beside,) = (state_folder() / "locks").glob("bench-*.json")
        yield beside


def test_who_has_just_taken_a_lock_is_given_the_time_to_say_so(
    silent_holder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = silent_holder.read_bytes()
    silent_holder.unlink()
    monkeypatch.setattr("acquire.daemon.single.time.sleep", lambda _: silent_holder.write_bytes(said))
    with pytest.raises(AlreadyRunning, match=r"the bench North is already in use by the daemon of bench North"):
        claim("North", tmp_path / "b.db", [])


def test_a_lock_whose_holder_never_says_so_is_refused_all_the_same(
    silent_holder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    silent_holder.unlink()
    waited: list[float] = []
    monkeypatch.setattr("acquire.daemon.single.time.sleep", waited.append)
    with pytest.raises(AlreadyRunning, match=r"another program holds the bench North: stop it first"):
        claim("North", tmp_path / "b.db", [])
    assert 0.2 < sum(waited) < 1.0


def test_a_refused_claim_holds_nothing(tmp_path: Path) -> None:
    with claim("North", tmp_path / "a.db", ["p2"]):
        with pytest.raises(AlreadyRunning, match="port p2"):
            claim("South", tmp_path / "b.db", ["p1", "p2"])
        claim("East", tmp_path / "b.db", ["p1"]).release()
        claim("South", tmp_path / "c.db", []).release()


def test_a_released_claim_can_be_taken_again(tmp_path: Path) -> None:
    first = claim("North", tmp_path / "a.db", ["p"])
    first.release()
    first.release()
    claim("North", tmp_path / "a.db", ["p"]).release()


def test_the_same_port_or_archive_by_another_path_is_the_same(tmp_path: Path) -> None:
    device = tmp_path / "device"
    device.touch()
    (tmp_path / "by-id").symlink_to(device)
    (tmp_path / "shop").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "shop", target_is_directory=True)
    with claim("North", tmp_path / "shop" / "a.db", [str(device)]):
        with pytest.raises(AlreadyRunning, match="port"):
            claim("South", tmp_path / "b.db", [str(tmp_path / "by-id")])
        with pytest.raises(AlreadyRunning, match="archive"):
            claim("South", tmp_path / "link" / "a.db", [])


def test_another_home_does_not_help_to_write_the_same_archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with claim("North", tmp_path / "a.db", []):
        monkeypatch.setenv("STEADYDRAW_HOME", str(tmp_path / "other"))
        with pytest.raises(AlreadyRunning, match="bench North"):
            claim("South", tmp_path / "a.db", [])


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(Refused, match=r"cannot be taken .* check that its folder can be written") as caught:
        claim("North", tmp_path / "file" / "a.db", [])
    assert not isinstance(caught.value, AlreadyRunning)


def test_a_lock_that_is_no_lock_is_said(tmp_path: Path) -> None:
    (tmp_path / ".a.db.lock").write_text("something else, much longer than a header of a database " * 20)
    with pytest.raises(Refused, match=r"\.a\.db\.lock cannot be taken"):
        claim("North", tmp_path / "a.db", [])


def test_a_second_daemon_is_refused_and_told_where_the_first_is(daemons: list[Daemon], tmp_path: Path) -> None:
    first, ready = start(daemons, str(tmp_path / "a.db"), "port")
    assert ready.startswith("ready http://127.0.0.1:")
    second, said = start(daemons, str(tmp_path / "a.db"), "port")
    assert second.wait(20) == 3
    assert said.startswith(
        f"the bench North bench is already in use by the daemon of bench North bench (process {first.pid}"
    )
    assert said.endswith(f", at {ready.removeprefix('ready ')}): use that one, or stop it first")
    assert Client.find().health().pid == first.pid


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_daemon_cleanly(daemons: list[Daemon], tmp_path: Path, how: signal.Signals) -> None:
    daemon, _ = start(daemons, str(tmp_path / "a.db"))
    assert address_path("North bench").exists()
    daemon.send_signal(how)
    out, _ = daemon.communicate(timeout=20)
    assert (daemon.returncode, out) == (0, "ended\n")
    assert not address_path("North bench").exists()
    assert [path.name for path in tmp_path.rglob("*.json")] == []


def test_a_killed_daemon_frees_everything_and_is_not_found(daemons: list[Daemon], tmp_path: Path) -> None:
    daemon, _ = start(daemons, str(tmp_path / "a.db"), "port")
    with pytest.raises(AlreadyRunning):
        claim("North bench", tmp_path / "a.db", ["port"])
    daemon.kill()
    daemon.communicate(timeout=20)
    assert address_path("North bench").exists()
    with pytest.raises(ClientError, match="has ended without saying so: start it again"):
        Client.find()
    with claim("North bench", tmp_path / "a.db", ["port"]):
        holders = [json.loads(path.read_text()) for path in (state_folder() / "locks").glob("*.json")]
        assert {holder["pid"] for holder in holders} == {os.getpid()}
    again, ready = start(daemons, str(tmp_path / "a.db"), "port")
    assert ready.startswith("ready ")
    until(lambda: Client.find().health().pid == again.pid, "the new daemon is found")


def test_of_many_that_start_together_exactly_one_runs(daemons: list[Daemon], tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.service.daemon", str(tmp_path / "a.db"), "p1", "p2"]
    daemons += [subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) for _ in range(3)]
    said = [daemon.stdout.readline() for daemon in daemons if daemon.stdout is not None]
    assert sorted(line.split()[0] for line in said) == ["ready", "the", "the"]
