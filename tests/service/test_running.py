"""Running it as a service: recipes that fit our command line, words for the journal, clean ends, a true status."""

import asyncio
import configparser
import io
import logging
import os
import plistlib
import shutil
import signal
import socket
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.cli import cli
from acquire.client import Client
from acquire.clock import ManualClock
from acquire.commands.running import serve
from acquire.config import ServiceSettings
from acquire.daemon.serve import Serving, where_to_listen
from acquire.daemon.single import AlreadyRunning, claim
from acquire.records import InstrumentState, Refused
from acquire.service import Service
from acquire.service.logs import FILES_KEPT, LARGEST_FILE, is_journal, start_logging
from acquire.service.status import archive_status
from acquire.service.supervisor import feed_watchdog, notify, watchdog_s
from acquire.status_text import status_of, status_text
from tests.service.bench import FakeArchive, FakeEngine
from tests.service.service_thread import ServiceThread
from tests.service.until import until

ROOT = Path(__file__).parents[2]
RECIPES = ROOT / "config" / "running"


def parsed(arguments: list[str]) -> str:
    """The configuration that a command line serves, as our own parser reads it."""
    assert arguments[0] == "serve"
    return str(serve.make_context("serve", arguments[1:]).params["config_path"])


def test_the_systemd_unit_runs_our_command_line(tmp_path: Path) -> None:
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(RECIPES / "steadydraw.service")
    command = unit["Service"]["ExecStart"].split()
    assert Path(command[0]).name == "steadydraw"
    assert parsed(command[1:]) == "%E/steadydraw/bench.toml"
    assert unit["Service"]["Type"] == "notify"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed here")
def test_systemd_finds_no_fault_with_the_unit(tmp_path: Path) -> None:
    text = (RECIPES / "steadydraw.service").read_text(encoding="utf-8")
    copy = tmp_path / "steadydraw.service"
    copy.write_text(text.replace("%h/.local/bin/steadydraw", sys.executable), encoding="utf-8")
    environment = os.environ | {"XDG_RUNTIME_DIR": str(tmp_path)}
    command = ["systemd-analyze", "--user", "verify", "--man=no", str(copy)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=30)
    assert (done.returncode, [line for line in done.stderr.splitlines() if "steadydraw" in line]) == (0, [])


def test_the_windows_task_runs_our_command_line() -> None:
    space = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
    task = ET.parse(RECIPES / "steadydraw-task.xml").getroot()
    assert task.findtext(".//t:Exec/t:Command", namespaces=space, default="").endswith("steadydraw.exe")
    arguments = task.findtext(".//t:Exec/t:Arguments", namespaces=space, default="").split()
    assert parsed(arguments) == r"C:\steadydraw\bench.toml"
    assert task.findtext(".//t:ExecutionTimeLimit", namespaces=space) == "PT0S"  # it may run for ever
    # the scheduler's own 7 is BELOW_NORMAL_PRIORITY_CLASS (Task Scheduler schema, Priority)
    assert task.findtext(".//t:Settings/t:Priority", namespaces=space) == "4"
    # a trigger without a user is that of everybody, which only an administrator may set
    users = [task.findtext(f".//t:{where}/t:UserId", namespaces=space) for where in ("LogonTrigger", "Principal")]
    assert users == [r"BENCH-PC\bench"] * 2


def test_the_launchd_agent_runs_our_command_line() -> None:
    agent = plistlib.loads((RECIPES / "steadydraw.plist").read_bytes())
    command = agent["ProgramArguments"]
    assert Path(command[0]).name == "steadydraw"
    assert parsed(command[1:]).endswith("bench.toml")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_every_signal_that_ends_programs_ends_the_daemon_cleanly(
    tmp_path: Path, home: Path, how: signal.Signals
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
        supervisor.bind(str(tmp_path / "notify"))
        supervisor.settimeout(20)
        environment = os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000000"}
        environment.pop("WATCHDOG_PID", None)
        command = [sys.executable, "-m", "tests.service.daemon", str(tmp_path / "a.db")]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment) as daemon:
            assert daemon.stdout is not None
            assert daemon.stdout.readline().startswith("ready")
            told = {supervisor.recv(4096).decode().split("\n")[0] for _ in range(2)}
            assert told == {"READY=1", "WATCHDOG=1"}
            daemon.send_signal(how)
            assert supervisor.recv(4096) == b"STOPPING=1"
            assert daemon.stdout.readline() == "ended\n"
            assert daemon.wait(20) == 0
    assert list((home / "state").glob("daemon-*.json")) == []


def test_nobody_is_told_where_nobody_asked() -> None:
    assert not notify("READY=1", {})
    assert watchdog_s({}) is None
    assert watchdog_s({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}) is None
    assert watchdog_s({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}) == 3.0


async def test_the_watchdog_is_not_fed_while_the_engine_stands_still() -> None:
    told: list[str] = []
    times = iter([1, 2, 2, 2, 2, 3])
    last: list[int] = []

    def t_us() -> int:
        last.append(next(times, 3))
        return last[-1]

    task = asyncio.create_task(feed_watchdog(t_us, 0.003, told.append))
    await asyncio.to_thread(until, lambda: len(last) > 10, "it looked often enough")
    task.cancel()
    assert told == ["WATCHDOG=1"] * 3


@pytest.fixture
def root_logger() -> Iterator[logging.Logger]:
    root = logging.getLogger()
    level, before = root.level, list(root.handlers)
    yield root
    for handler in list(root.handlers):
        if handler not in before:
            root.removeHandler(handler)
            handler.close()
    root.setLevel(level)


def test_the_journal_gets_a_priority_with_every_line_and_no_time(root_logger: logging.Logger) -> None:
    stream = io.StringIO()
    start_logging(None, stream, journal=True)
    root_logger.info("one\ntwo")
    root_logger.warning("careful")
    assert stream.getvalue() == "<6>one\n<6>two\n<4>careful\n"


def test_people_get_plain_words_and_the_file_is_bounded(root_logger: logging.Logger, tmp_path: Path) -> None:
    stream = io.StringIO()
    log = tmp_path / "log" / "daemon.log"
    start_logging(log, stream, journal=False)
    root_logger.info("serving")
    root_logger.warning("careful")
    assert stream.getvalue() == "serving\nwarning: careful\n"
    assert log.read_text(encoding="utf-8").splitlines()[1].endswith("WARNING careful")
    for _ in range(8 * LARGEST_FILE // 100_000):
        root_logger.info("x" * 100_000)
    files = list(log.parent.iterdir())
    assert len(files) == FILES_KEPT + 1
    assert max(file.stat().st_size for file in files) <= LARGEST_FILE


def test_a_file_that_stderr_was_sent_to_does_not_grow_for_ever_either(
    root_logger: logging.Logger, tmp_path: Path
) -> None:
    log = tmp_path / "kept.log"
    with (tmp_path / "stderr").open("w", encoding="utf-8") as stream:
        start_logging(log, stream, journal=False)
        for _ in range(3 * LARGEST_FILE // 100_000):
            root_logger.info("x" * 100_000)
        root_logger.info("the newest")
    said = (tmp_path / "stderr").read_text(encoding="utf-8")
    assert LARGEST_FILE < len(said) < 1.2 * LARGEST_FILE
    assert said.splitlines()[-1] == f"This file is full: from here on see {log}"
    assert log.read_text(encoding="utf-8").endswith("the newest\n")


def test_a_log_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Refused, match="give another --log-file"):
        start_logging(tmp_path / "file" / "daemon.log")


def test_the_journal_is_known_by_its_device_and_inode(tmp_path: Path) -> None:
    with (tmp_path / "out").open("w") as stream:
        its = os.fstat(stream.fileno())
        assert is_journal(stream, {"JOURNAL_STREAM": f"{its.st_dev}:{its.st_ino}"})
        assert not is_journal(stream, {"JOURNAL_STREAM": f"{its.st_dev}:{its.st_ino + 1}"})
        assert not is_journal(stream, {})
    assert not is_journal(io.StringIO(), {"JOURNAL_STREAM": "1:1"})


def test_two_daemons_do_not_write_one_log(tmp_path: Path) -> None:
    log = tmp_path / "daemon.log"
    with (
        claim("north", tmp_path / "a.db", [], None, log),
        pytest.raises(AlreadyRunning, match=r"log .*daemon\.log is already in use by the daemon of bench north"),
    ):
        claim("south", tmp_path / "b.db", [], None, log)


def test_listening_beyond_this_machine_takes_a_permission_and_a_name() -> None:
    assert where_to_listen(ServiceSettings(), Serving()) == ("127.0.0.1", 0, None)
    listen = ServiceSettings(listen="0.0.0.0", port=8600)
    assert where_to_listen(listen, Serving()) == ("0.0.0.0", 8600, None)  # which the service refuses
    with pytest.raises(Refused, match="call this one by a name"):
        where_to_listen(listen, Serving(beyond_this_machine=True))
    host, port, beyond = where_to_listen(listen, Serving(port=9, beyond_this_machine=True, names=("bench.local",)))
    assert (host, port) == ("0.0.0.0", 9)
    assert beyond is not None
    assert beyond.names == ("bench.local",)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def service(engine: FakeEngine, archive: FakeArchive, clock: ManualClock) -> Iterator[Service]:
    made = Service(engine, engine.name, engine.archive_path, clock=clock, open_archive=archive.open)
    with ServiceThread(made):
        yield made


def test_a_daemon_that_is_well_says_so(service: Service) -> None:
    done = CliRunner().invoke(cli, ["status"], standalone_mode=False)
    assert done.return_value == 0
    assert done.output.startswith("North bench: running well (steadydraw 9.9)\n")
    for line in ("  pull         none running", "can be written", "  screens      0 live", "  last error   none"):
        assert line in done.output
    assert max(map(len, done.output.replace(str(service.address.archive), "").splitlines())) <= 80


def test_what_is_wrong_comes_first_and_the_exit_code_is_1(
    service: Service, engine: FakeEngine, clock: ManualClock, expected_errors: list[str]
) -> None:
    expected_errors.append("the disk is on fire")
    logging.getLogger("acquire.test").error("the disk is on fire\nwith a second line")
    lost = InstrumentState(name="lift", state="lost", sentence="lift on COM3: the cable is out")
    frame = engine.frame()
    engine.frame = lambda: frame.model_copy(update={"instruments": (lost,)})  # type: ignore[method-assign]
    clock.advance(5)
    done = CliRunner().invoke(cli, ["status"], standalone_mode=False)
    assert done.return_value == 1
    assert done.output.splitlines()[:3] == [
        "North bench: running, not well (steadydraw 9.9)",
        "  ! The engine stands still since 5 s.",
        "  ! lift on COM3: the cable is out",
    ]
    assert "  last error   2026-01-01T00:00:00+00:00 the disk is on fire\n" in done.output
    as_json = CliRunner().invoke(cli, ["status", "--json"], standalone_mode=False)
    assert as_json.return_value == 1
    assert '"well": false' in as_json.output


def test_no_daemon_is_said_with_exit_code_1() -> None:
    assert status_text(status_of(None)) == "no daemon is running: start it first"
    assert CliRunner().invoke(cli, ["status"], standalone_mode=False).return_value == 1


def test_an_archive_that_cannot_be_written_is_known(tmp_path: Path) -> None:
    assert archive_status(tmp_path / "a.db").writable
    gone = archive_status(tmp_path / "gone" / "a.db")
    assert (gone.writable, gone.free_bytes) == (False, None)


def test_the_health_that_needs_no_token_says_little_but_not_that_a_standing_engine_is_well(
    service: Service, clock: ManualClock
) -> None:
    anybody = Client(service.url, "")
    assert set(anybody.health().model_dump()) == {"status", "version", "bench", "pid", "run"}
    assert anybody.health().status == "ok"
    clock.advance(5)
    assert anybody.health().status == "stalled"
