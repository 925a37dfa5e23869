"""The facts of this installation: asks the computer, the package's own description, the loader and the archive."""

import sqlite3
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

from acquire import __version__
from acquire.client import Client, ClientError
from acquire.clock import Clock
from acquire.config import ConfigError, load_config
from acquire.doctor.computer import Computer
from acquire.doctor.facts import ArchiveFact, ConfigFact, DaemonFact, Extra, Facts, Folder, Package, PortFact
from acquire.store.connect import WHOLE_CHECK_BYTES, check
from acquire.store.errors import ArchiveError, saying
from acquire.store.version import archive_version
from acquire.where import Address, read_addresses, state_folder
from acquire.wiring.owners import opened_as, owners
from drivers.base import Instrument
from drivers.errors import DriverError
from drivers.ports import device_of
from drivers.visa import is_visa

_REMOTE = ("nfs", "cifs", "smb", "afp", "webdav", "ncp", "9p", "fuse.sshfs", "fuse.rclone", "vboxsf", "remote")
_APART = ("dev",)


def gather(computer: Computer, clock: Clock, config_path: Path | None, archive_path: Path) -> Facts:
    """Everything; nothing is changed, and ports of the configuration are opened for a moment unless they are in use."""
    said, present = "", []
    try:
        present = computer.ports()
    except DriverError as error:
        said = str(error)
    groups = computer.groups()
    packages, extras = installed()
    zone, offset_h = computer.zone()
    monotonic, step = computer.clock_info()
    processes = computer.processes()
    owned = owners()
    return Facts(
        system=computer.system,
        version=__version__,
        python=computer.python,
        bits=computer.bits,
        sqlite=sqlite3.sqlite_version_info,
        packages=packages,
        extras=extras,
        folders=(
            _folder(computer, "state folder", state_folder()),
            _folder(computer, "archive's folder", archive_path.absolute().parent),
        ),
        user_groups=groups[0] if groups else None,
        groups_after_login=groups[1] if groups else None,
        administrator=computer.administrator(),
        ports_present=len(present),
        ports_said=said,
        serial_group=_serial_group(computer, [port.device for port in present]),
        config=None if config_path is None else config_fact(computer, config_path, owned),
        services=None if processes is None else tuple(sorted(set(processes.values()))),
        now=clock.utc(),
        built=datetime.fromtimestamp(Path(__file__).stat().st_mtime, UTC),
        monotonic=monotonic,
        clock_step_s=step,
        zone=zone,
        utc_offset_h=offset_h,
        synchronised=computer.synchronised(),
        free_bytes=computer.free_bytes(str(_nearest(archive_path.absolute().parent))),
        archive=archive_fact(computer, archive_path),
        daemons=tuple(_daemon(address) for address in read_addresses()),
        terminal=computer.terminal(),
        installed_version=_version("steadydraw"),
    )


def installed() -> tuple[tuple[Package, ...], tuple[Extra, ...]]:
    """What this version needs and what is there; nothing where it was not installed as a package."""
    try:
        needed = [Requirement(text) for text in metadata.requires("steadydraw") or ()]
        extras = [
            name for name in metadata.metadata("steadydraw").get_all("Provides-Extra") or () if name not in _APART
        ]
    except metadata.PackageNotFoundError:
        return (), ()
    packages = [_package(its) for its in needed if _belongs(its, "")]
    optional = [
        (name, [_package(its) for its in needed if _belongs(its, name) and not _belongs(its, "")]) for name in extras
    ]
    return tuple(packages), tuple(Extra(name, tuple(p.name for p in its if not p.fits)) for name, its in optional)


def _belongs(its: Requirement, extra: str) -> bool:
    return its.marker is None or its.marker.evaluate({"extra": extra})


def _package(its: Requirement) -> Package:
    there = _version(its.name)
    fits = bool(there) and its.specifier.contains(there, prereleases=True)
    return Package(its.name, str(its.specifier), there, fits)


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return ""


def _folder(computer: Computer, what: str, folder: Path) -> Folder:
    return Folder(what, str(folder), computer.writable(str(_nearest(folder))))


def _nearest(folder: Path) -> Path:
    while not folder.exists() and folder.parent != folder:
        folder = folder.parent
    return folder


def _serial_group(computer: Computer, devices: list[str]) -> str:
    if computer.system != "Linux":
        return ""
    for device in devices:
        if (group := computer.owning_group(device)) not in ("", "root"):
            return group
    return ""


def _daemon(address: Address) -> DaemonFact:
    try:
        version = Client(address.url, address.token, address.bench).health().version
    except ClientError:
        version = ""
    return DaemonFact(address.bench, address.pid, version)


def config_fact(computer: Computer, path: Path, owned: dict[str, str]) -> ConfigFact:
    """The file through the daemon's loader, and its ports."""
    try:
        config = load_config(path)
        instruments = config.make_instruments()
    except (ConfigError, DriverError) as error:
        return ConfigFact(str(path), str(error))
    ports = [port_fact(computer, its, owned) for its in instruments if not its.typed]
    needs = [("visa", any(is_visa(its.port) for its in ports)), ("mqtt", config.publish is not None)]
    return ConfigFact(str(path), "", tuple(ports), tuple(name for name, needed in needs if needed))


def port_fact(computer: Computer, instrument: Instrument, owned: dict[str, str]) -> PortFact:
    """How one configured port stands; it is opened only when nobody has it."""
    name, port = instrument.name, instrument.settings.port
    if (owner := owned.get(opened_as(port))) is not None:
        return PortFact(name, port, opened_as(port), "ours", owner)
    if is_visa(port):
        return PortFact(name, port, "", "not tried", "what VISA reaches is seen when the daemon starts")
    try:
        device = device_of(port)
    except DriverError as error:
        return PortFact(name, port, "", "missing", str(error))
    local = "://" not in device
    if local and computer.system != "Windows":
        if not computer.exists(device):
            said = f"{port} is not there: plug the device in, or correct the port"
            return PortFact(name, port, device, "missing", said)
        if not computer.may_open(device):
            return PortFact(name, port, device, "barred", group=computer.owning_group(device))
        if holders := computer.holders(device):
            return PortFact(name, port, device, "busy", holders=tuple(holders))
    try:
        computer.try_port(instrument.settings)
    except DriverError as error:
        busy = "in use by another program" in str(error)
        return PortFact(name, port, device if local else "", "busy" if busy else "wrong", str(error))
    return PortFact(name, port, device if local else "", "free" if local else "network")


def archive_fact(computer: Computer, path: Path) -> ArchiveFact:
    """The archive, opened to read; large ones are not checked whole."""
    kind = computer.file_system(str(_nearest(path.absolute().parent)))
    remote = None if not kind and computer.system != "Windows" else kind.startswith(_REMOTE)
    if not path.exists():
        return ArchiveFact(str(path), there=False, file_system=kind, remote=remote)
    size = path.stat().st_size
    whole = size <= WHOLE_CHECK_BYTES
    version, pulls, newest, said = 0, 0, "", ""
    try:
        with saying(path):
            connection = sqlite3.connect(path.absolute().as_uri() + "?mode=ro", uri=True, timeout=5.0)
            try:
                version = archive_version(connection, path)
                check(connection, path, whole)
                if version:
                    pulls, newest = connection.execute("SELECT count(*), max(started_utc) FROM pulls").fetchone()
            finally:
                connection.close()
    except ArchiveError as error:
        said = str(error)
    return ArchiveFact(str(path), True, said, version, size, pulls, whole, kind, remote, newest or "")
