"""A computer where all is well, to be made ill in one thing at a time."""

from datetime import UTC, datetime

from acquire.doctor.facts import ArchiveFact, ConfigFact, Extra, Facts, Folder, Package, PortFact, TerminalFact
from acquire.store.version import VERSION

FREE = PortFact("front_end", "usb:1a86:7523", "/dev/ttyUSB0", "free")

WELL = Facts(
    system="Linux",
    version="0.2.0",
    python=(3, 12, 4),
    bits=64,
    sqlite=(3, 51, 3),
    packages=(Package("pyserial", ">=3.5", "3.5", True),),
    extras=(Extra("visa", ()),),
    folders=(Folder("state folder", "/home/me/.state", True),),
    user_groups=("me", "dialout"),
    groups_after_login=("me", "dialout"),
    administrator=False,
    ports_present=1,
    ports_said="",
    serial_group="dialout",
    config=ConfigFact("bench.toml", "", (FREE,)),
    services=("systemd",),
    now=datetime(2026, 11, 26, 9, 0, tzinfo=UTC),
    built=datetime(2026, 11, 1, tzinfo=UTC),
    monotonic=True,
    clock_step_s=1e-9,
    zone="CET",
    utc_offset_h=1.0,
    synchronised=True,
    free_bytes=80_000_000_000,
    archive=ArchiveFact("/a/archive.db", True, "", VERSION, 12_000_000, 10, True, "ext4", False, "2026-11-25T10:00:00"),
    daemons=(),
    terminal=TerminalFact(True, 120, 40, "utf-8", True),
    installed_version="0.2.0",
)
