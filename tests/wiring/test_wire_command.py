"""The command as it is typed: the list, real pseudo-terminals of the simulated bench, and files that are left alone."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from serial.tools import list_ports

from acquire.cli import cli
from acquire.client import Client, ClientError
from acquire.config import load_config
from acquire.daemon.single import claim
from acquire.where import Address, write_address
from acquire.wire import Health
from acquire.wiring.config_text import checked
from acquire.wiring.owners import owners
from tests.wiring.test_dialog import bench
from tests.wiring.test_usb_ports import LINUX, WINDOWS, plugged, usb


def run(*words: str, answers: str = "") -> tuple[int, str, str]:
    done = CliRunner().invoke(cli, ["wire", *words], input=answers, standalone_mode=False)
    code = done.return_value if done.exception is None else 130
    return int(code or 0), done.stdout, done.stderr


def test_the_list_says_what_the_usb_says_and_how_to_write_each_port(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged(monkeypatch, *LINUX)
    code, out, _ = run("--list")
    assert code == 0
    assert 'port = "usb:0403:6001:serial=A12345"' in out
    assert "vendor 1a86, product 7523, no serial number, at 1-1.4" in out
    assert max(map(len, out.splitlines())) <= 80


def test_the_list_as_json_has_the_same_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged(monkeypatch, *WINDOWS)
    _, out, _ = run("--list", "--json")
    rows = json.loads(out)
    assert [(row["device"], row["write"]) for row in rows] == [
        ("COM12", "usb:0403:6001:serial=A12345A"),
        ("COM7", "usb:1a86:7523"),
        ("COM9", "usb:2341:0043:serial=7573130313935111C0F1"),
        ("COM1", "COM1"),
    ]
    assert rows[0]["vendor"] == 0x0403


@pytest.mark.parametrize(
    ("places", "said", "asked"),
    [
        (("1-1.4", "1-2"), "told from another by its place: leave it in its socket", False),
        (("", ""), "another says the same of itself", True),
    ],
)
def test_of_two_ports_that_are_alike_the_list_says_what_tells_them_apart(
    monkeypatch: pytest.MonkeyPatch, places: tuple[str, str], said: str, asked: bool
) -> None:
    plugged(monkeypatch, *(usb(f"COM{i}", 0x1A86, 0x7523, "", place) for i, place in enumerate(places, 7)))
    _, out, _ = run("--list")
    assert out.count(said) == 2
    assert max(map(len, out.splitlines())) <= 80
    _, _, out = run(answers="y\nn\n")
    assert ("Write it as COM7 all the same?" in out) == asked


def test_a_computer_without_ports_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged(monkeypatch)
    code, _, said = run()
    assert code == 1
    assert "plug an instrument in" in said


@pytest.fixture
def daemon_on_its_port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A port that a daemon holds, reached by the link that its configuration names."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    link = tmp_path / "by-id"
    link.symlink_to(device)
    health = Health(version="1", bench="bench 1", pid=os.getpid(), run="x")
    monkeypatch.setattr(Client, "health", lambda self: health)
    address = Address(
        url="http://127.0.0.1:1", token="t", pid=os.getpid(), bench="bench 1", archive="a", since_utc="2026-01-01"
    )
    write_address(address)
    with claim("bench 1", tmp_path / "a.db", [str(link)]):
        yield os.path.realpath(device)


@pytest.mark.skipif(os.name != "posix", reason="links to devices")
def test_the_bench_whose_daemon_has_a_port_open_is_named(daemon_on_its_port: str) -> None:
    assert owners() == {daemon_on_its_port: "bench 1"}
    code, out, said = run("--port", daemon_on_its_port)
    assert code == 1
    assert "The daemon of bench 1 has it open" in said
    assert out == ""


@pytest.mark.skipif(os.name != "posix", reason="links to devices")
def test_a_daemon_that_has_ended_owns_nothing(daemon_on_its_port: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(self: Client) -> Health:
        raise ClientError("it has gone")

    monkeypatch.setattr(Client, "health", gone)
    assert owners() == {}


@pytest.fixture
def sim_ports() -> Iterator[dict[str, str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "sim", "--endpoints", "pty"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    yield json.loads(process.stdout.readline())["ports"]
    process.stdin.close()
    process.wait(10)
    process.stdout.close()


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_the_simulated_bench_is_wired_over_real_terminals(sim_ports: dict[str, str], tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    front = ["", "", "", "", "2", "", "", "", ""]
    lift = ["", "", "", ""]
    rest = ["1800 mm2", "0.8", "", "", "", "my bench"]
    words = ["--port", sim_ports["front_end"], "--port", sim_ports["lift_indicator"], "-o", str(file)]
    code, _, said = run(*words, "--no-ask", answers="\n".join([*front, *lift, *rest]) + "\n")
    assert code == 0, said
    config = load_config(file)
    assert config.name == "my bench"
    assert [its.settings.port for its in config.make_instruments()] == [
        sim_ports["front_end"],
        sim_ports["lift_indicator"],
    ]
    assert f"steadydraw serve --config {file}" in said.replace("\n", "")


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_who_leaves_before_the_end_keeps_the_entries_that_were_found(sim_ports: dict[str, str], tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    code, out, _ = run("--port", sim_ports["lift_indicator"], "--no-ask", "-o", str(file), answers="\n\n\n\n")
    assert code == 130
    assert "[instruments.lift_indicator.channels.lift]" in out
    assert not file.exists()


def test_an_existing_file_is_only_replaced_by_a_yes(tmp_path: Path) -> None:
    from acquire.commands.terminal import Terminal
    from acquire.commands.wire import _write

    text, _ = checked(bench(), "x")
    made = bench()
    existing, other = tmp_path / "bench.toml", tmp_path / "other.toml"
    existing.write_text("mine", encoding="utf-8")

    def write(answers: str) -> int:
        runner = CliRunner()
        with runner.isolation(input=answers):
            return _write(Terminal(err=True), made, made.instruments, existing)

    assert write("\n\n") == 1  # no, and no other name
    assert existing.read_text(encoding="utf-8") == "mine"
    assert write(f"n\n{other}\n") == 0
    assert existing.read_text(encoding="utf-8") == "mine"
    assert other.read_text(encoding="utf-8") == text
    assert write("y\n") == 0
    assert existing.read_text(encoding="utf-8") == text


def test_a_configuration_that_the_loader_refuses_is_not_written(tmp_path: Path) -> None:
    from acquire.commands.terminal import Terminal
    from acquire.commands.wire import _write

    made = bench(signal="4-20 mA")
    with CliRunner().isolation() as (out, _, _):
        assert _write(Terminal(err=True), made, made.instruments, tmp_path / "bench.toml") == 1
        assert b"[instruments." in out.getvalue()
    assert not (tmp_path / "bench.toml").exists()


def test_a_list_that_cannot_be_made_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def comports() -> None:
        raise OSError("no")

    monkeypatch.setattr(list_ports, "comports", comports)
    done = CliRunner().invoke(cli, ["wire", "--list"], standalone_mode=False)
    assert "cannot be listed" in str(done.exception)
