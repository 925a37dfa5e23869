"""Bad input gets one sentence with file, key and what to do; never a traceback."""

import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from acquire.bundled import read_bundled
from acquire.cli import cli, main
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


def test_a_command_that_cannot_work_says_one_sentence() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "acquire", "serve", "--config", "nowhere.toml"],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 2
    assert "nowhere.toml cannot be read" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept_archive: Path) -> Path:
    """Where the commands below run: a binary file, a text, a file of bad TOML, a folder, an archive."""
    (tmp_path / "binary").write_bytes(bytes(range(256)))
    (tmp_path / "list.txt").write_text("nuts, bolts, gaskets, none of which an archive is made of\n" * 20)
    (tmp_path / "bad.toml").write_text("a = [\n")
    (tmp_path / "folder").mkdir()
    shutil.copy(kept_archive, tmp_path / "archive.db")
    monkeypatch.chdir(tmp_path)
    return tmp_path


NO_TEXT = "is no text (byte 129 is not UTF-8): check"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("list --db nowhere.db", "there is no archive at nowhere.db"),
        ("list --db list.txt", "list.txt is not an archive (it is not a database)"),
        ("dashboard", "no daemon is running"),
        ("pull nowhere.toml", "nowhere.toml cannot be read (No such file or directory): check its name"),
        ("pull bad.toml", "bad.toml is not valid TOML"),
        ("pull binary", f"binary {NO_TEXT} its name"),
        ("serve --config folder", "folder cannot be read"),
        ("serve --config binary", f"binary {NO_TEXT} the path given with --config"),
        ("recompute 2 --db archive.db --change binary", f"binary {NO_TEXT} the path"),
        ("recompute 2 --db archive.db --config binary", f"binary {NO_TEXT} the path"),
        ("calibrate-range binary", f"binary {NO_TEXT} its name"),
        ("compare 2 4 --db archive.db --cam binary", f"binary {NO_TEXT} its name"),
        ("calibrate lift --config bench.toml --points nowhere", "nowhere cannot be read (No such file or directory):"),
        ("calibrate lift --config bench.toml --points binary", f"binary {NO_TEXT} the path"),
        ("compare 2 4 --db archive.db --bore '4 in'", "--bore and --stroke go together"),
        ("compare 2 4 --db archive.db --valves 0", "0 is not in the range x>=1"),
        ("compare 2 4 --db archive.db --rpm -5", "-5.0 is not in the range x>0.0"),
        ("compare 2 4 --db archive.db --rocker -1", "-1.0 is not in the range 0.5<=x<=3.0"),
        ("demo --hands-off --out list.txt/sub", "cannot be used: "),
        ("demo --hands-off --out out --speed 0", "0.0 is not in the range x>=0.1"),
        ("serve --config bad.toml --clock-speed 0", "0.0 is not in the range x>=0.1"),
        ("serve --config bad.toml --port 99999", "99999 is not in the range 0<=x<=65535"),
        ("tablet --port 99999", "99999 is not in the range 0<=x<=65535"),
        ("export 2 --db archive.db -o nowhere/points.csv", "points.csv cannot be used: No such file or directory"),
    ],
)
def test_a_wrong_file_or_value_gets_one_sentence_and_exit_code_2(
    line: str, said: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "bench.toml").write_text(bench_text(), encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["steadydraw", *shlex.split(line)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    told = capsys.readouterr()
    assert said in told.err
    # what click says of an option stands below two lines on the command's use
    assert told.err.removeprefix("Usage").count("\n") == (4 if told.err.startswith("Usage") else 1)
    assert told.out == ""


def test_an_unknown_head_is_not_told_as_an_empty_archive(kept_archive: Path) -> None:
    listed = CliRunner().invoke(cli, ["list", "--db", str(kept_archive), "--subject", "Z-9"])
    assert "No pull of Z-9" in listed.stdout


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_has_a_help_that_fits_the_screen(name: str) -> None:
    shown = CliRunner().invoke(cli, [name, "--help"], terminal_width=80)
    assert shown.exit_code == 0
    assert shown.stdout.startswith(f"Usage: cli {name}")
    assert max(map(len, shown.stdout.splitlines())) <= 80
