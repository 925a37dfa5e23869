"""Facts from computers of three kinds that exist in memory only, and from this one."""

import json
import os
import shutil
import subprocess
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from acquire.bundled import read_bundled
from acquire.cli import cli
from acquire.clock import ManualClock
from acquire.doctor.computer import Computer, Mount, System, kind_at, linux_mounts, macos_mounts
from acquire.doctor.facts import TerminalFact
from acquire.doctor.gather import archive_fact, config_fact, gather, installed, port_fact
from acquire.store.version import VERSION
from acquire.wiring.config_text import bench_text
from drivers.base import InstrumentSettings
from drivers.errors import LinkLostError
from drivers.ports import PresentPort
from drivers.registry import make_instrument
from tests.drivers.families import FAMILIES
from tests.wiring.test_dialog import bench
from tests.wiring.test_usb_ports import LINUX, plugged

ARCHIVES = Path(__file__).parent.parent / "data" / "archives"


class Pretended(Computer):
    """A computer of any kind. ``refuses``: what opening a port says; ``opened`` what was opened."""

    def __init__(self, system: System, **told: Any) -> None:
        self._system = system
        self._told = told
        self.opened: list[str] = []

    @property
    def system(self) -> System:
        return self._system

    def _is(self, name: str, usual: Any) -> Any:
        return self._told.get(name, usual)

    def ports(self) -> list[PresentPort]:
        if said := self._is("ports_said", ""):
            raise LinkLostError(said)
        found: list[PresentPort] = self._is("ports", [PresentPort("/dev/ttyUSB0", "/dev/ttyUSB0")])
        return found

    def try_port(self, settings: InstrumentSettings) -> None:
        self.opened.append(settings.port)
        if said := self._is("refuses", ""):
            raise LinkLostError(said)

    def exists(self, path: str) -> bool:
        return bool(self._is("exists", True))

    def may_open(self, device: str) -> bool:
        return bool(self._is("may_open", True))

    def owning_group(self, device: str) -> str:
        return str(self._is("group", "dialout"))

    def groups(self) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
        return None if self._system == "Windows" else (("me",), ("me", "dialout"))

    def processes(self) -> dict[int, str] | None:
        return {1: "systemd", 2: "ModemManager"} if self._system == "Linux" else None

    def holders(self, device: str) -> list[str]:
        found: list[str] = self._is("holders", [])
        return found

    def file_system(self, path: str) -> str:
        return str(self._is("file_system", ""))

    def synchronised(self) -> bool | None:
        return True if self._system == "Linux" else None

    def zone(self) -> tuple[str, float]:
        return "CET", 1.0

    def writable(self, folder: str) -> bool:
        return bool(self._is("writable", True))

    def terminal(self) -> TerminalFact:
        return TerminalFact(True, 100, 40, "utf-8", True)


def fact(computer: Computer, port: str, owned: dict[str, str] | None = None) -> Any:
    return port_fact(computer, FAMILIES[0].make(port), owned or {})


@pytest.mark.parametrize("system", ["Linux", "macOS", "Windows"])
def test_the_facts_of_each_system_are_gathered(system: System, tmp_path: Path) -> None:
    facts = gather(Pretended(system), ManualClock(), None, tmp_path / "archive.db")
    assert facts.system == system
    assert (facts.services is None) == (system != "Linux")
    assert (facts.user_groups is None) == (system == "Windows")
    assert facts.serial_group == ("dialout" if system == "Linux" else "")
    assert facts.ports_present == 1
    assert not facts.archive.there
    assert facts.now == ManualClock().utc()
    assert facts.installed_version == metadata.version("steadydraw")


def test_ports_that_cannot_be_listed_are_a_fact_and_not_the_end(tmp_path: Path) -> None:
    facts = gather(Pretended("Windows", ports_said="no list: try"), ManualClock(), None, tmp_path / "archive.db")
    assert (facts.ports_said, facts.ports_present) == ("no list: try", 0)


@pytest.mark.parametrize(
    ("told", "state"),
    [
        ({}, "free"),
        ({"exists": False}, "missing"),
        ({"may_open": False}, "barred"),
        ({"holders": ["cat (process 7)"]}, "busy"),
        ({"refuses": "x is in use by another program: close that program"}, "busy"),
        ({"refuses": "x cannot be opened (Input/output error): check"}, "wrong"),
    ],
)
def test_how_a_port_stands_on_linux(told: dict[str, Any], state: str) -> None:
    computer = Pretended("Linux", **told)
    assert fact(computer, "/dev/ttyUSB0").state == state
    assert bool(computer.opened) == (state == "free" or "refuses" in told)


def test_on_windows_a_port_is_only_known_by_opening_it() -> None:
    computer = Pretended("Windows", exists=False, may_open=False)
    assert fact(computer, "COM3").state == "free"
    assert computer.opened == ["COM3"]


def test_a_port_of_our_own_daemon_is_not_opened() -> None:
    computer = Pretended("Linux")
    its = fact(computer, "/dev/ttyUSB0", {"/dev/ttyUSB0": "bench 1"})
    assert (its.state, its.said, computer.opened) == ("ours", "bench 1", [])


def test_a_port_by_its_usb_name_is_shown_with_what_it_is_now(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged(monkeypatch, *LINUX)
    computer = Pretended("Linux")
    assert fact(computer, "usb:1a86:7523").device == "/dev/ttyUSB0"
    plugged(monkeypatch, LINUX[1], LINUX[1])
    its = fact(computer, "usb:1a86:7523")
    assert its.state == "missing"
    assert "is both" in its.said


def test_a_network_port_is_tried_and_a_typed_instrument_has_none(tmp_path: Path) -> None:
    assert fact(Pretended("Linux", exists=False), "socket://127.0.0.1:9").state == "network"
    refused = fact(Pretended("Linux", refuses="socket://h:1 cannot be reached (x): check"), "socket://h:1")
    assert (refused.state, refused.device) == ("wrong", "")


def test_the_configuration_goes_through_the_loader(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(bench_text(bench()), encoding="utf-8")
    its = config_fact(Pretended("Windows"), file, {})
    assert its.said == ""
    assert [(p.instrument, p.state) for p in its.ports] == [("it's", "free")]
    file.write_text(bench_text(bench()).replace('unit = "in"', 'unit = "inch"'), encoding="utf-8")
    assert "inch" in config_fact(Pretended("Windows"), file, {}).said
    assert "cannot be read" in config_fact(Pretended("Windows"), tmp_path / "none.toml", {}).said


def test_an_archive_is_looked_through(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    shutil.copy(ARCHIVES / "version_2.db", path)
    its = archive_fact(Pretended("Linux", file_system="ext4"), path)
    assert (its.said, its.remote, its.checked_whole) == ("", False, True)
    assert its.version <= VERSION
    assert its.pulls > 0
    assert its.newest_utc.startswith("20")


def test_a_damaged_archive_and_a_foreign_file_are_said(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    data = bytearray((ARCHIVES / "version_2.db").read_bytes())
    data[4096:40960] = b"\xa5" * (40960 - 4096)
    path.write_bytes(data)
    assert "damaged" in archive_fact(Pretended("Linux"), path).said
    path.write_text("my shopping list, long enough to be none of ours", encoding="utf-8")
    assert "is not an archive" in archive_fact(Pretended("Linux"), path).said


@pytest.mark.parametrize(
    ("system", "kind", "remote"),
    [
        ("Linux", "nfs4", True),
        ("Linux", "cifs", True),
        ("Linux", "fuse.sshfs", True),
        ("Linux", "ext4", False),
        ("Linux", "", None),
        ("macOS", "smbfs", True),
        ("macOS", "apfs", False),
        ("Windows", "remote", True),
        ("Windows", "", False),
    ],
)
def test_a_network_share_is_told_from_a_disk(system: System, kind: str, remote: bool | None, tmp_path: Path) -> None:
    assert archive_fact(Pretended(system, file_system=kind), tmp_path / "a.db").remote is remote


def test_the_file_system_under_a_path_is_that_of_the_nearest_mount() -> None:
    mounts = linux_mounts("/dev/sda1 / ext4 rw 0 0\nnas:/v /mnt/my\\040nas nfs4 rw 0 0\nproc /proc proc rw 0 0\n")
    assert kind_at("/mnt/my nas/a.db", mounts) == "nfs4"
    assert kind_at("/mnt/my nas2/a.db", mounts) == "ext4"
    assert kind_at("/anything", []) == ""
    twice = [Mount("/data", "ext4"), Mount("/data", "nfs")]
    assert kind_at("/data/x", twice) == "nfs"


def test_the_mounts_of_macos_are_read() -> None:
    text = (
        "/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)\n"
        "//me@nas._smb._tcp.local/share (2) on /Volumes/share (2) (smbfs, nodev, nosuid, mounted by me)\n"
    )
    mounts = macos_mounts(text)
    assert kind_at("/Volumes/share (2)/archive.db", mounts) == "smbfs"
    assert kind_at("/Users/me", mounts) == "apfs"


def test_every_package_that_this_version_needs_is_there_and_fits() -> None:
    packages, _ = installed()
    assert {"pyserial", "numpy", "pydantic"} <= {package.name for package in packages}
    assert [package for package in packages if not package.fits] == []


def test_a_package_that_is_too_old_or_gone_is_a_fact(monkeypatch: pytest.MonkeyPatch) -> None:
    real = metadata.version

    def version(name: str) -> str:
        if name == "pandas":
            raise metadata.PackageNotFoundError(name)
        return "1.0" if name == "numpy" else real(name)

    monkeypatch.setattr(metadata, "version", version)
    packages = {package.name: package for package in installed()[0]}
    assert (packages["numpy"].fits, packages["pandas"].fits, packages["pandas"].there) == (False, False, "")


@pytest.mark.skipif(os.name != "posix", reason="/proc and groups")
def test_who_has_a_port_open_is_named_on_linux() -> None:
    computer = Computer()
    if computer.system != "Linux":
        pytest.skip("/proc")
    master, slave = os.openpty()
    device = os.ttyname(slave)
    code = f"import os, sys; os.open({device!r}, os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        assert any(f"(process {other.pid})" in holder for holder in computer.holders(device))
        other.communicate()
    assert not any(f"(process {other.pid})" in holder for holder in computer.holders(device))
    os.close(master)
    os.close(slave)


def test_this_computer_is_looked_at_and_the_exit_code_says_whether_something_is_wrong(tmp_path: Path) -> None:
    words = ["doctor", "--db", str(tmp_path / "archive.db"), "--json"]
    done = CliRunner().invoke(cli, words, standalone_mode=False)
    said = json.loads(done.stdout)
    assert done.return_value == (0 if said["ok"] else 1)
    assert {"Python", "SQLite", "clock", "disk", "archive"} <= {line["name"] for line in said["checks"]}
    missing = CliRunner().invoke(cli, [*words[:3], "--config", str(tmp_path / "none.toml")], standalone_mode=False)
    assert missing.return_value == 1
    assert "wrong  configuration" in missing.stdout


def test_an_instrument_that_visa_reaches_is_not_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    table: dict[str, object] = {
        "driver": "scpi",
        "port": "visa://USB0::0x1::0x2::SN::INSTR",
        "channels": {"room_pressure": {"query": "MEAS?", "unit": "Pa"}},
    }
    computer = Pretended("Linux")
    assert port_fact(computer, make_instrument("logger", table), {}).state == "not tried"
    assert computer.opened == []


def test_what_the_configuration_needs_beside_the_program_is_known(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(bench_text(bench()), encoding="utf-8")
    assert config_fact(Pretended("Linux"), file, {}).needs == ()
    text = read_bundled("example_bench.toml")
    start, end = text.index("[instruments.lift_indicator]"), text.index("# Instead of the front end above")
    visa = (
        '[instruments.lift_indicator]\ndriver = "scpi"\nport = "visa://TCPIP0::192.0.2.1::INSTR"\n'
        'channels.lift = { query = "FETC?", unit = "mm" }\n\n'
    )
    publish = '\n[publish]\nbroker = "broker.example.org"\ntopic = "shop/bench1"\n'
    file.write_text(text[:start] + visa + text[end:] + publish, encoding="utf-8")
    found = config_fact(Pretended("Linux"), file, {})
    assert (found.said, found.needs) == ("", ("visa", "mqtt"))
