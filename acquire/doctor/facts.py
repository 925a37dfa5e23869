"""What is known of the computer and the installation. Values only; None means that it cannot be told here."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

PortState = Literal["free", "busy", "barred", "missing", "ours", "network", "not tried", "wrong"]


@dataclass(frozen=True, slots=True)
class Package:
    """A package that is needed: what is wanted of its version, and what is there (empty: it is not)."""

    name: str
    wanted: str
    there: str
    fits: bool


@dataclass(frozen=True, slots=True)
class Extra:
    """An optional part, and those of its packages that are not there."""

    name: str
    absent: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that must take files. It need not be there yet: then ``writable`` is that of its nearest parent."""

    what: str
    path: str
    writable: bool


@dataclass(frozen=True, slots=True)
class PortFact:
    """A configured port. ``device`` is what it is now; ``said`` what stands against it; ``holders`` who has it open.

    ``group`` owns the device, on Linux.
    """

    instrument: str
    port: str
    device: str
    state: PortState
    said: str = ""
    holders: tuple[str, ...] = ()
    group: str = ""


@dataclass(frozen=True, slots=True)
class ConfigFact:
    """The configuration that was looked at; ``said`` is what the loader refused, ``needs`` names optional parts."""

    path: str
    said: str = ""
    ports: tuple[PortFact, ...] = ()
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ArchiveFact:
    """The archive. ``said`` is what is wrong with it; ``file_system`` is empty where it cannot be told."""

    path: str
    there: bool
    said: str = ""
    version: int = 0
    bytes_: int = 0
    pulls: int = 0
    checked_whole: bool = True
    file_system: str = ""
    remote: bool | None = None
    newest_utc: str = ""


@dataclass(frozen=True, slots=True)
class DaemonFact:
    """A daemon whose address is written; ``version`` is empty when it does not answer."""

    bench: str
    pid: int
    version: str


@dataclass(frozen=True, slots=True)
class TerminalFact:
    """The terminal of stdout."""

    attached: bool
    columns: int
    rows: int
    encoding: str
    colours: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """All of it."""

    system: Literal["Linux", "macOS", "Windows"]
    version: str
    python: tuple[int, int, int]
    bits: int
    sqlite: tuple[int, int, int]
    packages: tuple[Package, ...]
    extras: tuple[Extra, ...]
    folders: tuple[Folder, ...]
    user_groups: tuple[str, ...] | None
    groups_after_login: tuple[str, ...] | None
    administrator: bool
    ports_present: int
    ports_said: str
    serial_group: str
    config: ConfigFact | None
    services: tuple[str, ...] | None
    now: datetime
    built: datetime
    monotonic: bool
    clock_step_s: float
    zone: str
    utc_offset_h: float
    synchronised: bool | None
    free_bytes: int | None
    archive: ArchiveFact
    daemons: tuple[DaemonFact, ...]
    terminal: TerminalFact
    # of the package as pip has it; empty where it was not installed as one
    installed_version: str = ""
