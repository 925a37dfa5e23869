"""Which ports a running daemon of ours owns, so that nobody listens in between."""

import os
from pathlib import Path

from pydantic import ValidationError

from acquire.client import Client, ClientError
from acquire.daemon.single import Holder
from acquire.where import read_address, state_folder
from drivers.errors import DriverError
from drivers.ports import device_of

_PORT = "port "


def owners() -> dict[str, str]:
    """The bench whose daemon owns it, by the port's device as it is opened (links followed)."""
    found: dict[str, str] = {}
    alive: dict[tuple[str, int], bool] = {}
    for path in sorted((state_folder() / "locks").glob("port-*.lock.json")):
        try:
            holder = Holder.model_validate_json(path.read_bytes())
        except (OSError, ValidationError):
            continue
        who = (holder.bench, holder.pid)
        if who not in alive:
            alive[who] = _answers(*who)
        if alive[who] and holder.what.startswith(_PORT):
            found[opened_as(holder.what.removeprefix(_PORT))] = holder.bench
    return found


def _answers(bench: str, pid: int) -> bool:
    address = read_address(bench)
    if address is None or address.pid != pid:
        return False
    try:
        return Client(address.url, address.token, bench).health().bench == bench
    except ClientError:
        return False


def opened_as(port: str) -> str:
    """One name for a port that can be named in several ways; the name itself while it is not there."""
    try:
        device = device_of(port)
    except DriverError:
        return port
    return device if "://" in device or not Path(device).exists() else os.path.realpath(device)
