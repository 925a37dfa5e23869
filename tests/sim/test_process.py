"""The bench as a process: ports that real programs open, and the control link."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from sim.bench import SimBench
from sim.control import Control

KINDS = ["tcp", pytest.param("pty", marks=pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals here"))]
DEADLINE_S = 10.0


class Running:
    """A bench process, its ports and a line to its control."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self.process = process
        assert process.stdout is not None
        said: dict[str, Any] = json.loads(process.stdout.readline())
        self.ports: dict[str, str] = said["ports"]
        host, port = said["control"].split(":")
        self.link = socket.create_connection((host, int(port)), timeout=DEADLINE_S)
        self.file = self.link.makefile("r", encoding="utf-8")

    def ask(self, **message: object) -> dict[str, Any]:
        self.link.sendall(json.dumps(message).encode() + b"\n")
        answer: dict[str, Any] = json.loads(self.file.readline())
        return answer

    @contextmanager
    def port(self, name: str) -> Iterator[serial.SerialBase]:
        with serial.serial_for_url(self.ports[name], baudrate=115200, timeout=0.05) as port:
            yield port


@contextmanager
def running(kind: str, speed: float = 10.0, seed: int = 3, scenario: str = "shop") -> Iterator[Running]:
    command = [sys.executable, "-m", "sim", "--seed", str(seed), "--speed", str(speed), "--endpoints", kind]
    command += ["--scenario", scenario]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        bench = Running(process)
        try:
            yield bench
        finally:
            bench.file.close()
            bench.link.close()
            assert process.stdin is not None
            process.stdin.close()
            process.wait(DEADLINE_S)


def until(read: Callable[[], bytes], pattern: bytes) -> "re.Match[bytes]":
    """Read until the pattern is there; fails with what came instead."""
    data, end_s = b"", time.monotonic() + DEADLINE_S
    while time.monotonic() < end_s:
        data += read()
        match = re.search(pattern, data)
        if match:
            return match
    pytest.fail(f"{pattern!r} did not come within {DEADLINE_S} s, but {data[-200:]!r}")


def wait_for(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


@pytest.mark.parametrize("kind", KINDS)
def test_all_instruments_talk_over_real_ports(kind: str) -> None:
    with running(kind) as bench:
        assert set(bench.ports) == {"front_end", "lift_indicator", "weather"}
        with bench.port("front_end") as front, bench.port("lift_indicator") as lift, bench.port("weather") as weather:
            assert until(lambda: front.read(512), rb"P1 -?\d+\.\d{4} P2 -?\d+\.\d{4}\r\n")
            assert until(lambda: lift.read(64), rb"\r[-+]\d\.\d{4} in\r")
            weather.write(b"?\r")
            assert until(lambda: weather.read(64), rb"BARO .* kPa T .* C RH .* % TM .* C\r\n")
            assert bench.ask(do="press") == {"ok": True}
            assert until(lambda: lift.read(64), rb"B [-+]\d\.\d{4} in\r")


@pytest.mark.parametrize("kind", KINDS)
def test_the_operator_is_led_over_the_control_link(kind: str) -> None:
    with running(kind, speed=50.0, scenario="calm") as bench:
        assert bench.ask(do="follow", wants={"lift_m": 0.00762, "test_pressure_pa": 7000.0}) == {"ok": True}
        wait_for(lambda: bool(bench.ask(ask="now")["now"]["settled"]))
        now = bench.ask(ask="now")["now"]
        assert now["lift_m"] == pytest.approx(0.00762, abs=3e-5)
        assert now["test_pressure_pa"] == pytest.approx(7000.0, rel=0.02)


@pytest.mark.parametrize("kind", KINDS)
def test_an_unplugged_port_is_gone_and_comes_back_under_its_name(kind: str) -> None:
    with running(kind, speed=5.0) as bench:
        with bench.port("lift_indicator") as port:
            until(lambda: port.read(64), rb"in\r")
            assert bench.ask(do="unplug", device="lift_indicator", for_s=5) == {"ok": True}

            def lost() -> bool:
                try:
                    port.read(64)
                except (OSError, serial.SerialException):
                    return True
                return False

            wait_for(lost)
        with pytest.raises((OSError, serial.SerialException)), bench.port("lift_indicator"):
            pass

        def there() -> bool:
            try:
                with bench.port("lift_indicator") as port:
                    return b" in\r" in port.read(64) + port.read(64)
            except (OSError, serial.SerialException):
                return False

        wait_for(there)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_sent_while_nobody_listens_is_lost(kind: str) -> None:
    with running(kind, scenario="calm") as bench:
        with bench.port("front_end") as port:
            until(lambda: port.read(512), rb"P1 .* P2 .*\r\n")
        bench.ask(do="follow", wants={"lift_m": 0.00762, "test_pressure_pa": 7000.0})
        wait_for(lambda: float(bench.ask(ask="now")["now"]["test_pressure_pa"]) > 6500.0)
        with bench.port("front_end") as port:
            match = until(lambda: port.read(512), rb"\r\nP1 (-?\d+\.\d{4}) P2 .*\r\n")
        assert float(match[1]) > 25.0


def test_a_new_tcp_client_takes_over_from_one_that_went_away() -> None:
    with running("tcp") as bench, bench.port("weather") as first:
        first.write(b"?\r")
        until(lambda: first.read(64), rb"BARO")
        with bench.port("weather") as second:
            second.write(b"?\r")
            assert until(lambda: second.read(64), rb"BARO .*\r\n")


def test_the_truth_over_the_link_is_that_of_the_seed() -> None:
    reference = {
        "test_pressure_pa": 7000.0,
        "air_pressure_pa": 100000.0,
        "air_temperature_k": 290.0,
        "air_humidity": 0.4,
    }
    expected = [SimBench(9).truth("exhaust", lift_m, 7000.0, 100000.0, 290.0, 0.4) for lift_m in (0.002, 0.004)]
    with running("tcp", seed=9, scenario="rough") as bench:
        answer = bench.ask(ask="truth", direction="exhaust", lifts_m=[0.002, 0.004], reference=reference)
    assert answer["truth"] == expected
    assert answer["flows_m3_s"] == [one["flow_m3_s"] for one in expected]


def test_a_lift_of_null_stands_for_the_blank_plate_or_the_reference_plate() -> None:
    control = Control(SimBench(9))
    try:
        blank = control.answer(b'{"ask": "truth", "direction": "intake", "lifts_m": [null]}')
        plate = control.answer(
            b'{"ask": "truth", "direction": "intake", "lifts_m": [null], "fitted": "reference plate"}'
        )
    finally:
        control.close()
    assert blank["flows_m3_s"] == [SimBench(9).truth("intake")["leakage_m3_s"]]
    assert plate["flows_m3_s"] == [SimBench(9).truth("intake", fitted="reference plate")["flow_m3_s"]]
    assert plate["flows_m3_s"] != blank["flows_m3_s"]


def test_time_runs_as_many_times_as_fast_as_asked() -> None:
    with running("tcp", speed=20.0) as bench:
        begin_s, begin = time.perf_counter(), float(bench.ask(ask="now")["now"]["t_s"])
        wait_for(lambda: float(bench.ask(ask="now")["now"]["t_s"]) > begin + 30.0)
        took_s = time.perf_counter() - begin_s
    assert 1.3 < took_s < 4.0


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads the processor time from /proc")
def test_ten_times_real_time_takes_less_than_half_a_core() -> None:
    def used_s(pid: int) -> float:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    with running("tcp", speed=10.0, scenario="rough") as bench, bench.port("front_end") as port:
        bench.ask(do="follow", wants={"lift_m": 0.00762, "test_pressure_pa": 7000.0})
        begin_s, before_s = time.perf_counter(), used_s(bench.process.pid)
        begin = float(bench.ask(ask="now")["now"]["t_s"])
        received = 0
        while time.perf_counter() - begin_s < 2.0:
            received += len(port.read(4096))
        share = (used_s(bench.process.pid) - before_s) / (time.perf_counter() - begin_s)
        passed = float(bench.ask(ask="now")["now"]["t_s"]) - begin
    assert passed > 17.0
    assert received > 50 * 17 * 20
    assert share < 0.5


def test_the_process_ends_when_its_stdin_closes_and_leaves_no_port_behind() -> None:
    with running("pty" if os.name == "posix" else "tcp") as bench:
        assert bench.process.stdin is not None
        bench.process.stdin.close()
        assert bench.process.wait(DEADLINE_S) == 0
        assert not Path(bench.ports["weather"]).exists()


def test_the_process_ends_when_the_link_says_stop() -> None:
    with running("tcp") as bench:
        assert bench.ask(do="stop") == {"ok": True}
        assert bench.process.wait(DEADLINE_S) == 0


@pytest.mark.skipif(os.name != "posix", reason="no such signals here")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_process_ends_quietly_on_a_signal(number: signal.Signals) -> None:
    with running("tcp") as bench:
        bench.process.send_signal(number)
        assert bench.process.wait(DEADLINE_S) == 0


@pytest.mark.parametrize(
    "arguments", [["--speed", "0"], ["--speed", "1000"], ["--scenario", "storm"], ["--endpoints", "usb"]]
)
def test_an_impossible_option_is_refused_in_a_sentence(arguments: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", "sim", *arguments], capture_output=True, text=True, timeout=20)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert arguments[0] in done.stderr


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"not json", "Expecting value"),
        (b"[1]", "one JSON object"),
        (b"{}", "do must be"),
        (b'{"do": "follow"}', "wants is missing"),
        (b'{"do": "follow", "wants": {"lift_m": 9}}', "cannot do lift_m = 9"),
        (b'{"do": "follow", "wants": 3}', "wants"),
        (b'{"do": "unplug", "device": "kettle", "for_s": 1}', "kettle"),
        (b'{"do": "unplug", "device": "weather", "for_s": "long"}', "long"),
        (b'{"ask": "truth", "direction": "up", "lifts_m": [0.1]}', "up"),
        (b'{"ask": "truth", "direction": "intake", "lifts_m": [0.1], "reference": {"colour": 1}}', "colour"),
        (b'{"ask": "truth", "direction": "intake", "lifts_m": [0.1], "fitted": "piston"}', "piston"),
        (b'{"ask": "truth", "direction": "intake", "lifts_m": 3}', "lifts_m"),
        (b"\xff\xfe", "decode"),
    ],
)
def test_a_line_that_cannot_be_followed_is_answered_with_what_is_wrong(line: bytes, said: str) -> None:
    control = Control(SimBench(1))
    try:
        answer = control.answer(line)
    finally:
        control.close()
    assert answer["ok"] is False
    assert said in str(answer["error"])
