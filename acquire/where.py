"""Where things are kept, and where a running daemon can be reached.

``STEADYDRAW_HOME`` replaces all folders of the user: for tests, a demo, or a
stick that carries everything.
"""

import contextlib
import getpass
import hashlib
import logging
import os
import re
import secrets
import subprocess
import sys
from pathlib import Path

import platformdirs
from pydantic import ValidationError

from acquire.config import Table

_APP = "steadydraw"
log = logging.getLogger(__name__)


class Address(Table):
    """How to reach one daemon. Holds its token, so the file is for its user only."""

    url: str
    token: str
    pid: int
    bench: str
    archive: str
    since_utc: str


def state_folder() -> Path:
    """For what matters only while things run: addresses, locks, logs."""
    return _home("state") or platformdirs.user_state_path(_APP, appauthor=False)


def data_folder() -> Path:
    """For what must be kept: the archive."""
    return _home("data") or platformdirs.user_data_path(_APP, appauthor=False)


def log_path(bench: str) -> Path:
    """The file that a bench's daemon logs to where there is no journal."""
    return (_home("log") or platformdirs.user_log_path(_APP, appauthor=False)) / f"daemon-{slug(bench)}.log"


def config_folder() -> Path:
    """For what the user writes: the bench's configuration."""
    return _home("config") or platformdirs.user_config_path(_APP, appauthor=False)


def _home(name: str) -> Path | None:
    home = os.environ.get("STEADYDRAW_HOME", "")
    return Path(home).absolute() / name if home else None


def slug(bench: str) -> str:
    """A bench's name as part of a file name, different for different names."""
    plain = re.sub(r"[^a-z0-9]+", "-", bench.lower()).strip("-")[:60]
    if plain == bench:
        return plain
    return f"{plain or 'bench'}-{hashlib.sha256(bench.encode()).hexdigest()[:6]}"


def address_path(bench: str) -> Path:
    """The address file of a bench's daemon."""
    return state_folder() / f"daemon-{slug(bench)}.json"


def write_address(address: Address) -> Path:
    """Write the address file, whole or not at all, readable by its user only."""
    path = address_path(address.bench)
    write_private(path, address.model_dump_json(indent=1))
    return path


def remove_address(address: Address) -> None:
    """Remove the address file, unless another daemon has written its own."""
    path = address_path(address.bench)
    present = _read(path)
    if present is not None and present.token == address.token:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()


def read_address(bench: str) -> Address | None:
    """The address of a bench's daemon, if one was written; it may be gone by now."""
    return _read(address_path(bench))


def read_addresses() -> list[Address]:
    """All addresses that were written, by bench; some may be of daemons that are gone."""
    found = (_read(path) for path in sorted(state_folder().glob("daemon-*.json")))
    return [address for address in found if address is not None]


def _read(path: Path) -> Address | None:
    try:
        return Address.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValidationError) as error:
        log.warning("%s is not a daemon's address and is left out (%s)", path, error)
        return None


def write_private(path: Path, text: str) -> None:
    """Replace a file at once by one that only its user can read. Raises ``OSError``."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "w", encoding="utf-8") as file:  # noqa: PTH123 - a descriptor, not a path
            if sys.platform == "win32":
                _only_for_its_user(temporary)
            file.write(text)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _only_for_its_user(path: Path) -> None:
    """Windows: the mode says nothing there; take inherited rights away and give them to this user alone."""
    command = ["icacls", str(path), "/inheritance:r", "/grant:r", f"{getpass.getuser()}:F"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise OSError(f"its rights cannot be set: {(done.stderr or done.stdout).strip()}")
