"""What only Windows or macOS does, tried with stand-ins for what only they have."""

import ctypes
import getpass
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import uvicorn

from acquire import clock
from acquire.service.console import closing_console
from acquire.service.server import _Server
from acquire.where import read_address, state_folder, write_address
from tests.service.test_where import ADDRESS


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setattr(sys, "platform", "win32")
    return monkeypatch


@pytest.mark.parametrize("allowed", [True, False])
def test_on_windows_a_token_is_written_only_once_the_file_is_its_users_alone(
    windows: pytest.MonkeyPatch, allowed: bool
) -> None:
    asked: list[tuple[str, list[str], str]] = []

    def icacls(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        asked.append((command[0], command[2:], Path(command[1]).read_text(encoding="utf-8")))
        return subprocess.CompletedProcess(command, 0 if allowed else 5, "", "Access is denied.\n")

    windows.setattr(subprocess, "run", icacls)
    if allowed:
        write_address(ADDRESS)
        assert read_address("North bench") == ADDRESS
    else:
        with pytest.raises(OSError, match=r"its rights cannot be set: Access is denied\.$"):
            write_address(ADDRESS)
        assert list(state_folder().iterdir()) == []
    assert asked == [("icacls", ["/inheritance:r", "/grant:r", f"{getpass.getuser()}:F"], "")]


def test_on_windows_a_console_that_closes_waits_until_all_is_tidied_up(windows: pytest.MonkeyPatch) -> None:
    handlers: list[Any] = []
    kernel = SimpleNamespace(
        SetConsoleCtrlHandler=lambda its, add: handlers.append(its) if add else handlers.remove(its)
    )
    windows.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    windows.setattr(ctypes, "WINFUNCTYPE", lambda *_: lambda handle: handle, raising=False)
    leaves, answers = threading.Event(), list[bool]()
    with closing_console(leaves.set):
        (handle,) = handlers
        assert not handle(0)  # Ctrl+C is a signal of its own
        assert not leaves.is_set()
        closing = threading.Thread(target=lambda: answers.append(handle(2)))
        closing.start()
        assert leaves.wait(5)
        closing.join(0.05)
        assert closing.is_alive()
    closing.join(5)
    assert answers == [True]
    assert handlers == []


@pytest.mark.skipif(not hasattr(signal, "SIGUSR2"), reason="needs a signal that can stand for another")
def test_on_windows_ctrl_break_ends_the_daemon_too(windows: pytest.MonkeyPatch) -> None:
    windows.setattr(signal, "SIGBREAK", signal.SIGUSR2, raising=False)
    server = _Server(uvicorn.Config("nothing"))
    before = signal.signal(signal.SIGUSR2, signal.SIG_IGN)  # what is not caught would end the tests
    try:
        with server.capture_signals():
            signal.raise_signal(signal.SIGUSR2)
        assert server.should_exit
        assert not server.force_exit
        assert signal.getsignal(signal.SIGUSR2) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGUSR2, before)


def test_on_every_system_the_clock_is_one_that_goes_on_in_sleep(monkeypatch: pytest.MonkeyPatch) -> None:
    # which clock counts sleep: the systems' own manuals, from memory
    monkeypatch.setattr(time, "CLOCK_MONOTONIC_RAW", 4, raising=False)
    monkeypatch.setattr(time, "clock_gettime_ns", lambda number: -number, raising=False)
    monkeypatch.setattr(sys, "platform", "darwin")
    assert clock._ticking()() == -4
    monkeypatch.setattr(sys, "platform", "win32")
    assert clock._ticking() is time.perf_counter_ns
