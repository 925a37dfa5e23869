"""Each check: well is good, one illness is said with its cure, and only what stops the bench is wrong."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from acquire.doctor.checks import check_all
from acquire.doctor.facts import ConfigFact, DaemonFact, Extra, Facts, Folder, Package, PortFact, TerminalFact
from acquire.doctor.text import check_json, check_text
from acquire.doctor.verdict import Line
from tests.doctor.patient import FREE, WELL


def test_a_computer_where_all_is_well_has_only_good_lines() -> None:
    lines = check_all(WELL)
    assert {line.verdict for line in lines} == {"good"}
    assert [line.cure for line in lines if line.cure] == []
    assert check_text(lines).endswith("Nothing is wrong.")
    assert check_json(lines)["ok"] is True


def ports(*facts: PortFact) -> dict[str, Any]:
    return {"config": ConfigFact("bench.toml", "", facts)}


def port(state: Any, said: str = "", **more: Any) -> dict[str, Any]:
    return ports(replace(FREE, state=state, said=said, **more))


def archive(**more: Any) -> dict[str, Any]:
    return {"archive": replace(WELL.archive, **more)}


NEEDS_MQTT = ConfigFact("bench.toml", "", (FREE,), ("mqtt",))
TERMINAL = TerminalFact(True, 60, 20, "utf-8", True)

# what is ill, the line's name, its verdict, a part of what is said, a part of the cure
ILLNESSES: list[tuple[dict[str, Any], str, str, str, str]] = [
    ({"python": (3, 10, 9)}, "Python", "wrong", "3.10.9", "3.11"),
    ({"bits": 32}, "Python", "wrong", "32 bit", "64 bit"),
    ({"packages": (Package("numpy", ">=2.4", "1.9", False),)}, "packages", "wrong", "numpy 1.9 (>=2.4)", "pip"),
    ({"packages": (Package("numpy", ">=2.4", "", False),)}, "packages", "wrong", "numpy is not there", "pip"),
    ({"installed_version": "0.1.0"}, "packages", "note", "installed as 0.1.0, but this is 0.2.0", "install again"),
    ({"packages": ()}, "packages", "note", "not installed as a package", "pip"),
    ({"extras": (Extra("visa", ("pyvisa",)),)}, "extras", "note", "visa not installed", "only if"),
    (
        {"extras": (Extra("visa", ("pyvisa",)), Extra("mqtt", ("paho-mqtt",))), "config": NEEDS_MQTT},
        "extras",
        "wrong",
        "the configuration needs mqtt, not installed here",
        "pip install '.[mqtt]'",
    ),
    ({"sqlite": (3, 37, 2)}, "SQLite", "wrong", "too old", "3.38"),
    ({"sqlite": (3, 40, 1)}, "SQLite", "note", "only the daemon writes", ""),
    ({"sqlite": (3, 51, 2)}, "SQLite", "note", "3.51.2", ""),
    ({"folders": (Folder("state folder", "/s", False),)}, "folders", "wrong", "/s cannot be written", "right"),
    ({"user_groups": ("me",), "groups_after_login": ("me",)}, "serial group", "wrong", "not in dialout", "usermod"),
    ({"user_groups": ("me",)}, "serial group", "wrong", "after logging in", "log out and in"),
    ({"administrator": True, "user_groups": ("root",)}, "serial group", "note", "root", "user of your own"),
    ({"ports_present": 0}, "ports", "note", "no serial port", "plug"),
    ({"ports_said": "the list failed (x): plug it in"}, "ports", "wrong", "the list failed (x)", "plug it in"),
    ({"config": None}, "configuration", "note", "none was named", "--config"),
    (
        {"config": ConfigFact("b.toml", "b.toml: instruments.a.port: this key is needed: add it")},
        "configuration",
        "wrong",
        "this key is needed",
        "add it",
    ),
    (port("missing", "usb:1a86:7523 is both A and B: unplug one"), "front_end", "wrong", "both A and B", "unplug one"),
    (port("barred", group="dialout"), "front_end", "wrong", "may not be opened", "dialout"),
    (port("busy", holders=("cat (process 7)",)), "front_end", "wrong", "in use by cat (process 7)", "close"),
    (port("busy"), "front_end", "wrong", "in use by another program", "close"),
    (port("wrong", "COM3 cannot be opened (x): check"), "front_end", "wrong", "cannot be opened (x)", "check"),
    (port("not tried", "VISA is not tried"), "front_end", "note", "VISA", ""),
    (port("free", port="/dev/ttyACM0"), "front_end", "note", "another device tomorrow", "wire --list"),
    (ports(FREE, replace(FREE, instrument="lift")), "ports", "wrong", "front_end and lift are both", "its own"),
    ({"services": ("ModemManager",)}, "services", "note", "ModemManager runs", "systemctl mask --now ModemManager,"),
    # started by udev, so that disabling its service alone does not help
    ({"services": ("brltty", "x")}, "services", "note", "brltty runs", "mask --now brltty brltty-udev,"),
    ({"services": ("gpsd",)}, "services", "note", "GPS receiver", "mask --now gpsd gpsd.socket,"),
    ({"now": datetime(2026, 10, 1, tzinfo=UTC)}, "clock", "wrong", "2026-10-01", "set the computer's clock"),
    ({"now": datetime(2026, 11, 24, tzinfo=UTC)}, "clock", "wrong", "has a pull of 2026-11-25", "set the computer"),
    ({"monotonic": False}, "clock", "wrong", "set back", "newer Python"),
    ({"clock_step_s": 0.05}, "clock", "wrong", "50 ms", "newer Python"),
    ({"synchronised": False}, "clock", "note", "not synchronised", "from the network"),
    ({"free_bytes": 100_000_000}, "disk", "wrong", "100 MB", "make room"),
    ({"free_bytes": 900_000_000}, "disk", "note", "pulls", "make room"),
    ({"free_bytes": None}, "disk", "note", "cannot be told", ""),
    (archive(remote=True, file_system="nfs4"), "archive", "wrong", "network share (nfs4)", "disk of this computer"),
    (archive(there=False), "archive", "note", "none yet", "daemon"),
    (archive(said="the archive is damaged (x): put back the backup"), "archive", "wrong", "damaged", "put back"),
    (archive(version=1), "archive", "note", "version 1", "up to date"),
    (
        {"daemons": (DaemonFact("bench 1", 7, "0.1.0"),)},
        "daemon",
        "wrong",
        "bench 1 (process 7) is steadydraw 0.1.0",
        "start it again",
    ),
    ({"daemons": (DaemonFact("bench 1", 7, ""),)}, "daemon", "note", "ended without saying so", "nothing"),
    ({"terminal": TERMINAL}, "terminal", "note", "60 by 20", "80 by 24"),
    ({"terminal": replace(TERMINAL, encoding="cp1252")}, "terminal", "wrong", "cp1252", "UTF-8"),
    ({"terminal": replace(TERMINAL, attached=False)}, "terminal", "note", "none here", ""),
]


@pytest.mark.parametrize(("ill", "name", "verdict", "said", "cure"), ILLNESSES)
def test_one_illness_changes_one_line_and_names_its_cure(
    ill: dict[str, Any], name: str, verdict: str, said: str, cure: str
) -> None:
    lines = check_all(replace(WELL, **ill))
    (line,) = [line for line in lines if line.verdict != "good"]
    assert (line.name, line.verdict) == (name, verdict)
    assert said in line.said
    assert cure in line.cure or (not cure and not line.cure)
    assert bool(cure) == bool(line.cure)
    assert check_json(lines)["ok"] is (verdict != "wrong")


def test_a_port_that_our_own_daemon_has_open_is_well() -> None:
    facts = replace(WELL, **port("ours", "bench 1"), daemons=(DaemonFact("bench 1", 7, "0.2.0"),))
    assert {line.verdict for line in check_all(facts)} == {"good"}


# releases of SQLite that have the mend, and their neighbours that do not (sqlite.org/changes.html, from memory)
@pytest.mark.parametrize(
    ("version", "verdict"),
    [
        ((3, 44, 5), "note"),
        ((3, 44, 6), "good"),
        ((3, 45, 0), "note"),
        ((3, 50, 6), "note"),
        ((3, 50, 7), "good"),
        ((3, 51, 0), "note"),
        ((3, 51, 3), "good"),
        ((3, 52, 0), "good"),
    ],
)
def test_sqlite_before_the_mended_releases_is_worth_a_note(version: tuple[int, int, int], verdict: str) -> None:
    (line,) = [line for line in check_all(replace(WELL, sqlite=version)) if line.name == "SQLite"]
    assert line.verdict == verdict


@pytest.mark.parametrize(("system", "absent"), [("macOS", {"serial group", "services"}), ("Windows", {"services"})])
def test_what_a_system_does_not_tell_has_no_line(system: Any, absent: set[str]) -> None:
    facts = replace(WELL, system=system, services=None, user_groups=None, serial_group="", synchronised=None)
    lines = check_all(facts)
    assert not absent & {line.name for line in lines}
    assert {line.verdict for line in lines} == {"good"}


def test_room_is_counted_in_pulls_of_the_size_that_this_archive_has() -> None:
    disk = {line.name: line for line in check_all(WELL)}["disk"]
    assert "67,000 pulls of 1.2 MB" in disk.said  # 80 GB over 12 MB for ten pulls
    few = replace(WELL, archive=replace(WELL.archive, pulls=2))
    assert "32,000 pulls of 2.5 MB" in {line.name: line for line in check_all(few)}["disk"].said


def everything_ill() -> Facts:
    facts = WELL
    for ill, *_ in ILLNESSES:
        facts = replace(facts, **ill)
    return facts


def test_the_text_fits_eighty_columns_and_counts_what_is_wrong() -> None:
    lines = [*check_all(everything_ill()), Line("x", "wrong", "word " * 40, "cure " * 40)]
    text = check_text(lines)
    assert max(map(len, text.splitlines())) <= 80
    wrong = sum(line.verdict == "wrong" for line in lines)
    assert wrong > 1
    assert text.endswith(f"{wrong} things are wrong.")
    assert check_json(lines)["ok"] is False
