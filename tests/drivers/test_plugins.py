"""Instruments that another installed package brings: a real wheel, installed beside the program."""

import importlib
import logging
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acquire.bundled import read_bundled
from acquire.clock import SystemClock
from acquire.config import ConfigError, parse_config
from drivers.base import Instrument
from drivers.errors import SettingsError
from drivers.registry import make_instrument
from tests.drivers.far_end import TcpEnd, reading, wait_for

# what somebody would write who makes an instrument that is not built in: "C=1500;" without a line's end
TALLY = """
from drivers.base import Counts, Instrument, InstrumentSettings
from drivers.sample import Sample


class TallySettings(InstrumentSettings):
    letter: str = "C"


class TallyParser:
    def __init__(self, settings):
        self.counts = Counts()
        self._settings = settings
        self._held = b""

    def ask(self):
        return b""

    def reset(self):
        self._held = b""

    abandon = reset

    def feed(self, data, t_us):
        self.counts.bytes += len(data)
        *whole, self._held = (self._held + data).split(b";")
        found = []
        for text in whole:
            letter, _, number = text.decode("latin-1").partition("=")
            if letter != self._settings.letter or not number.isdigit():
                self.counts.garbage_lines += 1
                continue
            self.counts.good_lines += 1
            self.counts.samples += 1
            found += [Sample(name, t_us, float(number), self._settings.said_source) for name in self._settings.channels]
        return found


class Tally(Instrument):
    Settings = TallySettings

    def parser(self):
        return TallyParser(self.settings)


class Crashing(Tally):
    def parser(self):
        raise RuntimeError("the parser\\nbroke")


class Parserless(Instrument):
    pass


class OddSettings(Tally):
    Settings = dict


def no_instrument():
    pass
"""
POINTS = """[steadydraw.instruments]
tally = tally_box:Tally
crashing = tally_box:Crashing
parserless = tally_box:Parserless
odd_settings = tally_box:OddSettings
no_instrument = tally_box:no_instrument
misspelt = tally_box:Taly
unfinished = tally_unfinished:Tally
leaving = tally_leaving:Tally
twice = tally_box:Tally
scpi = tally_box:Tally
"""
CHANNEL = {"signal": "count", "counts_per_unit": 5000, "unit": "in", "low": -0.1, "high": 1.2, "rolls_over_at": 65536}
TABLE: dict[str, Any] = {"port": "/dev/none", "channels": {"lift": CHANNEL}}


def wheel(folder: Path, name: str, modules: dict[str, str], points: str) -> Path:
    path = folder / f"{name}-1.5-py3-none-any.whl"
    info = f"{name}-1.5.dist-info"
    files = {f"{module}.py": text for module, text in modules.items()} | {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.5\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": points,
    }
    record = "".join(f"{file},,\n" for file in (*files, f"{info}/RECORD"))
    with zipfile.ZipFile(path, "w") as its:
        for file, text in (files | {f"{info}/RECORD": record}).items():
            its.writestr(file, text)
    return path


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which pip has installed two distributions."""
    folder = tmp_path_factory.mktemp("wheels")
    broken = {"tally_unfinished": "import a_module_that_nobody_has\n", "tally_leaving": "raise SystemExit(3)\n"}
    wheels = (
        wheel(folder, "tally_box", {"tally_box": TALLY, **broken}, POINTS),
        wheel(folder, "other_box", {}, "[steadydraw.instruments]\ntwice = tally_box:Tally\n"),
    )
    target = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "-q", "--no-index", "--no-deps", "--target", str(target)]
    subprocess.run([*pip, *map(str, wheels)], check=True)
    return target


@pytest.fixture(autouse=True)
def beside_the_program(installed: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(installed)
    importlib.invalidate_caches()
    yield
    for name in [name for name in sys.modules if name.startswith("tally_")]:
        del sys.modules[name]


def make(driver: str, **more: Any) -> Instrument:
    return make_instrument("box", {**TABLE, "driver": driver, **more})


def why_not(driver: str, **more: Any) -> str:
    with pytest.raises(SettingsError) as error:
        make(driver, **more)
    assert "\n" not in str(error.value)
    return str(error.value)


def bench_with(table: str) -> str:
    """The example bench with another lift indicator."""
    text = read_bundled("example_bench.toml")
    start, end = text.index("[instruments.lift_indicator]"), text.index("# Instead of the front end above")
    return text[:start] + table + text[end:]


def test_a_configuration_names_it_and_its_samples_come_over_a_socket(request: pytest.FixtureRequest) -> None:
    end = TcpEnd()
    request.addfinalizer(end.unplug)
    end.plug()
    keys = "\n".join(f"{key} = {value!r}" for key, value in CHANNEL.items())
    table = f'[instruments.box]\ndriver = "tally"\nport = "{end.port}"\nletter = "L"\n[instruments.box.channels.lift]\n'
    config = parse_config(bench_with(f"{table}{keys}\n"), "bench.toml")
    (box,) = (its for its in config.make_instruments() if its.name == "box")
    with reading(box, SystemClock()) as (reader, got):
        wait_for(lambda: {1500.0, 65535.0} <= set(got.values), "both counts came", lambda: end.send(b"L=1500;L=65535;"))
        assert reader.state == "live"
    assert {(s.channel, s.source) for batch in got.batches for s in batch} == {("lift", end.port)}


def test_its_settings_are_checked_like_those_of_a_built_in_one() -> None:
    assert why_not("tally", leter="L") == (
        "leter: no such key (did you mean letter?); known are driver, port, baud, data_bits, parity, stop_bits, dtr, "
        "source, silent_after_s, channels, letter"
    )
    assert "did you mean tally?" in why_not("taly")


@pytest.mark.parametrize(
    ("driver", "said"),
    [
        (
            "unfinished",
            "driver: 'unfinished' of tally_box 1.5 cannot be loaded (ModuleNotFoundError: No module named "
            "'a_module_that_nobody_has')",
        ),
        ("leaving", "driver: 'leaving' of tally_box 1.5 cannot be loaded (SystemExit: 3)"),
        ("misspelt", "driver: 'misspelt' of tally_box 1.5 cannot be loaded (AttributeError: "),
        ("no_instrument", "driver: 'no_instrument' of tally_box 1.5 is no instrument: tally_box:no_instrument must be"),
        ("parserless", "driver: 'parserless' of tally_box 1.5 is no instrument: tally_box:Parserless must be"),
        ("odd_settings", "driver: 'odd_settings' of tally_box 1.5: its Settings must be a kind of"),
        ("crashing", "driver: 'crashing' of tally_box 1.5 failed (RuntimeError: the parser broke): report it"),
    ],
)
def test_one_that_cannot_work_is_said_in_one_sentence_when_it_is_used(driver: str, said: str) -> None:
    assert why_not(driver).startswith(said)


def test_of_two_packages_with_one_drivers_name_neither_is_used() -> None:
    said = why_not("twice")
    assert said.startswith("driver: several installed packages bring a driver 'twice' (")
    assert "tally_box 1.5" in said
    assert "other_box 1.5" in said


def test_the_daemons_configuration_says_it_with_file_and_entry() -> None:
    with pytest.raises(ConfigError) as error:
        parse_config(bench_with('[instruments.box]\ndriver = "unfinished"\n'), "bench.toml")
    assert str(error.value).startswith("bench.toml: instruments.box: driver: 'unfinished' of tally_box 1.5 cannot be")


def test_what_nobody_uses_is_not_even_imported() -> None:
    config = parse_config(read_bundled("example_bench.toml"), "example_bench.toml")
    assert len(config.make_instruments()) == 3
    assert not [name for name in sys.modules if name.startswith("tally_")]


def test_one_with_the_name_of_a_built_in_driver_is_said_and_not_used(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.syspath_prepend(tmp_path)  # another path: looked at anew
    with caplog.at_level(logging.WARNING, "drivers"):
        made = [make("scpi", channels={"lift": {"query": "MEAS?", "unit": "in"}}) for _ in range(2)]
    assert {type(its).__module__ for its in made} == {"drivers.scpi"}
    assert [record.getMessage() for record in caplog.records] == [
        "tally_box 1.5 brings a driver 'scpi', but that is built in: the built-in one is used"
    ]
