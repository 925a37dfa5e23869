"""Bad input gets one sentence with file, key and what to do; never a traceback."""

import subprocess
import sys
from pathlib import Path

import pytest

from acquire.bundled import read_bundled
from acquire.config import ConfigError, parse_config
from acquire.follow import read_plan

PORTS = {"{front_end}": "/dev/a", "{lift_indicator}": "/dev/b", "{weather}": "/dev/c"}


def bench_text(**changes: str) -> str:
    text = read_bundled("demo.toml")
    for old, new in (PORTS | changes).items():
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({'water = "conventional"': 'watter = "4C"'}, r"bench.toml: watter: no such key \(did you mean water\?\)"),
        ({'longest_wait = "60 s"': 'longest_weit = "60 s"'}, r"settling.longest_weit: no such key .*longest_wait"),
        (
            {'"28 inH2O"\nair_pressure': '"28 furlongs"\nair_pressure'},
            r"reference.test_pressure: '28 furlongs' is",
        ),
        ({'unit = "inH2O"\nlow = -1.0': 'unit = "mm"\nlow = -1.0'}, r"test_pressure.unit: 'mm' measures length"),
        ({'"0.100 in", "0.200 in"': '"0.200 in", "0.100 in"'}, r"lifts must rise: 0.1 in"),
        ({'lift_tolerance = "0.002 in"': "lift_tolerance = 0.002"}, r"settling.lift_tolerance: 0.002 has no unit"),
        (
            {'port = "/dev/b"': 'port = "/dev/a"'},
            r"lift_indicator.port: /dev/a is already used by",
        ),
        ({'driver = "lines_asked"': 'driver = "lines_aksed"'}, r"instruments.weather: .*lines_asked"),
    ],
)
def test_a_faulty_configuration_is_said_in_one_sentence(change: dict[str, str], said: str) -> None:
    with pytest.raises(ConfigError, match=said) as raised:
        parse_config(bench_text(**change), "bench.toml")
    assert "\n" not in str(raised.value)


def test_a_required_channel_that_nothing_measures_is_named() -> None:
    text = bench_text()
    text = text.replace("channels.meter_pressure]", "channels.meter_temperature]").replace(
        'unit = "inH2O"\nlow = -20.0', 'unit = "C"\nlow = -20.0'
    )
    text = text.replace("[instruments.weather.channels.meter_temperature]", "[instruments.weather.channels.lift]")
    with pytest.raises(ConfigError, match="lift"):
        parse_config(text, "bench.toml")


def test_a_plan_with_falling_lifts_is_refused(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'direction = "intake"\nmeter_range = "large"\nlifts = ["0.300 in", "0.200 in"]\n'
        '[subject]\nidentifier = "A-1"\n[setup]\ngasket_fitted = true\n'
    )
    with pytest.raises(ConfigError, match="lifts must be above zero and rise"):
        read_plan(plan)


def run(*arguments: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "acquire", *arguments], capture_output=True, text=True, stdin=subprocess.DEVNULL
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("serve", "--config", "nowhere.toml"), "nowhere.toml cannot be read"),
        (("list", "--db", "nowhere.db"), "there is no archive at nowhere.db"),
        (("dashboard",), "no daemon"),
        (("pull", "nowhere.toml"), "no daemon"),
    ],
)
def test_a_command_that_cannot_work_says_one_sentence(arguments: tuple[str, ...], said: str) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
