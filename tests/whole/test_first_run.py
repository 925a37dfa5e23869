"""From nothing to a first pull: what ``steadydraw`` alone asks, starts and leaves behind."""

import shutil
import sys
from pathlib import Path

import pytest

from acquire.background import start_daemon
from acquire.client import Client
from acquire.config import ConfigError, load_config
from acquire.demo.run import demo_config_text, simulated_bench
from acquire.first_run import lead
from acquire.records import Refused


class Script:
    """Answers in turn; notes what was said and started."""

    def __init__(self, *answers: str, running: str | None = None, wires: str = "") -> None:
        self.answers = list(answers)
        self.said: list[str] = []
        self.done: list[str] = []
        self._running = running
        self._wires = wires

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, question: str, proposed: str = "") -> str:
        self.said.append(question)
        return self.answers.pop(0) or proposed

    def demo(self) -> int:
        self.done.append("demo")
        return 0

    def wire(self, output: Path) -> int:
        self.done.append("wire")
        if self._wires:
            output.write_text(self._wires, encoding="utf-8")
        return 0 if self._wires else 1

    def running(self) -> str | None:
        return self._running

    def start(self, config: Path, bench: str) -> None:
        self.done.append(f"start {bench}")

    def stop(self) -> None:
        self.done.append("stop")

    def dashboard(self, bench: str) -> int:
        self.done.append(f"dashboard {bench}")
        return 0


WIRED = demo_config_text({"front_end": "/dev/a", "lift_indicator": "/dev/b", "weather": "/dev/c"})


def test_where_a_daemon_runs_the_dashboard_opens_at_once(tmp_path: Path) -> None:
    script = Script(running="bench 2")
    assert lead(script, script, tmp_path / "bench.toml") == 0
    assert script.done == ["dashboard bench 2"]
    assert script.said == []


def test_enter_leads_to_the_simulated_bench_and_then_asks_again(tmp_path: Path) -> None:
    script = Script("", "4")
    assert lead(script, script, tmp_path / "bench.toml") == 0
    assert script.done == ["demo"]
    assert "Nothing is set up here yet" in script.said[0]
    # who has read nothing else knows whose hand turns the valve, and how to leave
    assert "valve and blower by itself" in script.said[1]
    assert "Ctrl+Q leaves it" in script.said[2]


def test_wiring_leads_to_the_daemon_and_the_dashboard_with_the_cautions_before(tmp_path: Path) -> None:
    script = Script("2", "", "n", wires=WIRED)
    assert lead(script, script, tmp_path / "new" / "bench.toml") == 0
    assert script.done == ["wire", "start demo bench", "dashboard demo bench"]
    assert "hearing and eye protection" in " ".join(script.said)
    assert script.said[-1] == "It goes on. Open the dashboard again with: steadydraw"


def test_wiring_that_came_to_nothing_asks_again(tmp_path: Path) -> None:
    script = Script("2", "what", "4")
    assert lead(script, script, tmp_path / "bench.toml") == 0
    assert script.done == ["wire"]
    assert "nothing is sent before you agree" in script.said[1]
    assert "  Answer 1, 2, 3 or 4." in script.said


def test_a_bench_with_columns_and_a_dial_gets_a_configuration_that_loads(tmp_path: Path) -> None:
    script = Script("3")
    path = tmp_path / "bench.toml"
    assert lead(script, script, path) == 0
    assert load_config(path).name
    assert str(path) in script.said[-1]


def test_the_second_time_it_only_asks_whether_to_start(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(WIRED, encoding="utf-8")
    script = Script("", "")
    assert lead(script, script, path) == 0
    assert script.done == ["start demo bench", "dashboard demo bench", "stop"]


def test_a_configuration_with_a_fault_is_said_with_its_file(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("nmae = 1", encoding="utf-8")
    script = Script()
    with pytest.raises(ConfigError, match="did you mean name"):
        lead(script, script, path)
    assert script.said == [f"The bench is described in {path}, which has a fault:"]


def test_a_daemon_is_started_in_the_background_and_stopped(tmp_path: Path) -> None:
    with simulated_bench(1, 1.0) as sim:
        path = tmp_path / "bench.toml"
        path.write_text(demo_config_text(sim.ports), encoding="utf-8")
        started = start_daemon(path, "demo bench")
        try:
            assert Client.find("demo bench").health().pid == started.process.pid
        finally:
            started.stop()
        assert "serving on" in started.log.read_text(encoding="utf-8")


def test_a_daemon_that_does_not_start_says_why(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("nmae = 1", encoding="utf-8")
    with pytest.raises(Refused, match="did you mean name"):
        start_daemon(path, "none")


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is a thing of POSIX")
def test_the_command_alone_asks_in_a_terminal_and_shows_its_help_elsewhere(tmp_path: Path) -> None:
    import subprocess

    command = [sys.executable, "-m", "acquire"]
    plain = subprocess.run(command, capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL)
    assert "Usage:" in plain.stdout
    script = shutil.which("script")
    if script is None:
        pytest.skip("the command script, which brings a terminal, is not installed here")
    asked = subprocess.run(
        [script, "-qec", f"{sys.executable} -m acquire", "/dev/null"],
        input="4\n",
        capture_output=True,
        text=True,
        check=True,
        env={"STEADYDRAW_HOME": str(tmp_path), "PATH": "/usr/bin:/bin", "TERM": "dumb"},
    )
    assert "Nothing is set up here yet" in asked.stdout
    assert "All commands: steadydraw --help" in asked.stdout
