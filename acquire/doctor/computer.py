"""The thin layer to the operating system: each method asks one thing. Tests put another computer in its place."""

import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from acquire.doctor.facts import TerminalFact
from drivers.base import InstrumentSettings
from drivers.link import open_link
from drivers.ports import PresentPort, present_ports

System = Literal["Linux", "macOS", "Windows"]
_ASK_S = 3.0
_DRIVE_REMOTE = 4  # GetDriveTypeW, Windows' own constant


@dataclass(frozen=True, slots=True)
class Mount:
    """Where a file system is mounted, and its kind."""

    at: str
    kind: str


def linux_mounts(text: str) -> list[Mount]:
    """``/proc/mounts`` (fstab(5): blanks are written as octal)."""
    rows = [line.split() for line in text.splitlines()]
    return [Mount(row[1].replace("\\040", " "), row[2]) for row in rows if len(row) >= 3]


def macos_mounts(text: str) -> list[Mount]:
    """What ``mount`` prints on macOS: ``//me@nas/share on /Volumes/share (smbfs, nodev)``."""
    found = []
    for line in text.splitlines():
        head, _, kinds = line.rpartition(" (")
        _, on, at = head.partition(" on ")
        if on:
            found.append(Mount(at, kinds.rstrip(")").split(",")[0]))
    return found


def kind_at(path: str, mounts: Sequence[Mount]) -> str:
    """The kind of the file system that ``path`` (links followed) lies on; empty where it cannot be told."""
    holding = [m for m in mounts if m.at == "/" or path == m.at or path.startswith(m.at.rstrip("/") + "/")]
    # of several mounted at one place the last one counts
    return max(reversed(holding), key=lambda m: len(m.at)).kind if holding else ""


class Computer:
    """This computer."""

    @property
    def system(self) -> System:
        """Linux also stands for what is like it."""
        return "Windows" if sys.platform == "win32" else "macOS" if sys.platform == "darwin" else "Linux"

    @property
    def python(self) -> tuple[int, int, int]:
        """The version that runs."""
        return sys.version_info[:3]

    @property
    def bits(self) -> int:
        """32 or 64."""
        return int(platform.architecture()[0].removesuffix("bit"))

    def ports(self) -> list[PresentPort]:
        """The serial ports. Raises ``LinkLostError``."""
        return present_ports()

    def try_port(self, settings: InstrumentSettings) -> None:
        """Open the port as the daemon would, and close it. Raises ``LinkLostError``."""
        open_link(settings).close()

    def exists(self, path: str) -> bool:
        """Whether there is such a file."""
        return Path(path).exists()

    def may_open(self, device: str) -> bool:
        """Whether this user may read and write a device."""
        return os.access(device, os.R_OK | os.W_OK)

    def owning_group(self, device: str) -> str:
        """The group of a device; empty where there is none such."""
        if sys.platform == "win32":
            return ""
        try:
            return Path(device).group()
        except (OSError, KeyError):
            return ""

    def administrator(self) -> bool:
        """Whether this runs as root."""
        return sys.platform != "win32" and os.geteuid() == 0

    def groups(self) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
        """This user's groups as of now, and as of the next login. None on Windows."""
        if sys.platform == "win32":
            return None
        import grp
        import pwd

        named = {entry.gr_gid: entry.gr_name for entry in grp.getgrall()}
        try:
            user = pwd.getpwuid(os.geteuid())
        except KeyError:  # a user of a container, without a name
            return tuple(named.get(gid, str(gid)) for gid in os.getgroups()), ()
        later = [
            entry.gr_name for entry in grp.getgrall() if user.pw_name in entry.gr_mem or entry.gr_gid == user.pw_gid
        ]
        return tuple(named.get(gid, str(gid)) for gid in {*os.getgroups(), os.getegid()}), tuple(later)

    def processes(self) -> dict[int, str] | None:
        """Name by number, on Linux."""
        if self.system != "Linux":
            return None
        found = {}
        for path in Path("/proc").glob("[0-9]*/comm"):
            try:
                found[int(path.parent.name)] = path.read_text().strip()
            except OSError:
                continue  # it has ended
        return found

    def holders(self, device: str) -> list[str]:
        """Who has a device open, as far as this user may see, on Linux."""
        if self.system != "Linux":
            return []
        wanted, found = os.path.realpath(device), []
        for process, name in sorted((self.processes() or {}).items()):
            try:
                with os.scandir(f"/proc/{process}/fd") as entries:
                    opened = [os.path.realpath(entry.path) for entry in entries]
            except OSError:
                continue
            if wanted in opened and process != os.getpid():
                found.append(f"{name} (process {process})")
        return found

    def file_system(self, path: str) -> str:
        """The kind of file system under a folder; ``remote`` on Windows for a share, else empty there."""
        real = os.path.realpath(path)
        if sys.platform == "win32":
            import ctypes

            drive = os.path.splitdrive(real)[0]
            remote = drive.startswith("\\\\") or ctypes.windll.kernel32.GetDriveTypeW(f"{drive}\\") == _DRIVE_REMOTE
            return "remote" if remote else ""
        if self.system == "macOS":
            return kind_at(real, macos_mounts(self._answer("/sbin/mount")))
        try:
            return kind_at(real, linux_mounts(Path("/proc/mounts").read_text(encoding="utf-8", errors="replace")))
        except OSError:
            return ""

    def synchronised(self) -> bool | None:
        """Whether the clock is set from the network; None where the system does not say."""
        if self.system != "Linux":
            return None
        said = self._answer("timedatectl", "show", "--property=NTPSynchronized", "--value").strip()
        return {"yes": True, "no": False}.get(said)

    def zone(self) -> tuple[str, float]:
        """The time zone's name, and its hours before UTC now."""
        local = time.localtime()
        return local.tm_zone, local.tm_gmtoff / 3600

    def clock_info(self) -> tuple[bool, float]:
        """Of the clock that measures time: whether it only goes forward, and its step in seconds."""
        info = time.get_clock_info("perf_counter")
        return info.monotonic, info.resolution

    def free_bytes(self, folder: str) -> int | None:
        """Free for this user on the disk of a folder."""
        try:
            return shutil.disk_usage(folder).free
        except OSError:
            return None

    def writable(self, folder: str) -> bool:
        """Whether files can be made in a folder: one is made and removed."""
        import tempfile

        try:
            with tempfile.TemporaryFile(dir=folder):
                return True
        except OSError:
            return False

    def terminal(self) -> TerminalFact:
        """That of stdout."""
        size = shutil.get_terminal_size()
        plain = "NO_COLOR" in os.environ or os.environ.get("TERM", "") == "dumb"
        return TerminalFact(sys.stdout.isatty(), size.columns, size.lines, sys.stdout.encoding or "", not plain)

    @staticmethod
    def _answer(*command: str) -> str:
        try:
            return subprocess.run(
                command, capture_output=True, encoding="utf-8", errors="replace", timeout=_ASK_S, check=False
            ).stdout
        except (OSError, subprocess.TimeoutExpired):
            return ""
