"""The ports of this computer, and a port named by what its USB device says of itself.

``usb:1a86:7523`` is vendor and product in hexadecimal, as the computer lists
them; ``:serial=A12345`` and then ``:at=1-1.4`` (where it is plugged in) may
follow. It is looked up anew whenever the port is opened, so that a device that
comes back under another name is found again. Two devices that match are never
chosen between.
"""

import contextlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass

from drivers.errors import LinkLostError, SettingsError

_USB = re.compile(r"usb:([0-9a-f]{4}):([0-9a-f]{4})(?::serial=(.+?))?(?::at=(.+))?", re.IGNORECASE)
_FTDI = 0x0403
_LIST_TRIES = 3


@dataclass(frozen=True, slots=True)
class PresentPort:
    """A port that the computer has now.

    ``name`` is the one to configure (on Linux the stable one, where there is
    one), ``device`` the one to open. What is not told is empty or None.
    """

    device: str
    name: str
    description: str = ""
    vendor: int | None = None
    product: int | None = None
    serial_number: str = ""
    location: str = ""


@dataclass(frozen=True, slots=True)
class UsbName:
    """What ``usb:...`` asks for."""

    vendor: int
    product: int
    serial_number: str = ""
    location: str = ""

    def __str__(self) -> str:
        serial = f":serial={self.serial_number}" if self.serial_number else ""
        at = f":at={self.location}" if self.location else ""
        return f"usb:{self.vendor:04x}:{self.product:04x}{serial}{at}"


def present_ports() -> list[PresentPort]:
    """The serial ports of this computer. Raises :class:`LinkLostError` where they cannot be listed."""
    from serial.tools import list_ports

    stable = {}
    with contextlib.suppress(OSError):
        for entry in os.scandir("/dev/serial/by-id"):
            stable[os.path.realpath(entry.path)] = entry.path
    failed: Exception | None = None
    for _ in range(_LIST_TRIES):
        try:
            found = list_ports.comports()
        except Exception as error:  # a device that leaves while it is looked at raises what it likes
            failed = error
            continue
        return [
            PresentPort(
                device=port.device,
                name=stable.get(os.path.realpath(port.device), port.device),
                description=_text(port.description),
                vendor=port.vid,
                product=port.pid,
                serial_number=_text(port.serial_number),
                location=_text(port.location),
            )
            for port in sorted(found, key=lambda port: port.device)
        ]
    raise LinkLostError(f"the computer's ports cannot be listed ({failed}): unplug and plug in the device")


def _text(told: str | None) -> str:
    return "" if told in (None, "n/a") else str(told)


def usb_name(port: str) -> UsbName | None:
    """What a configured port asks for; None when it is no ``usb:`` name. Raises :class:`SettingsError`."""
    if not port.lower().startswith("usb:"):
        return None
    match = _USB.fullmatch(port)
    if match is None:
        raise SettingsError(
            f"port: {port} must be written as usb:1a86:7523 (vendor, product), with :serial=... and then :at=... if "
            "several are alike; the list of ports shows them"
        )
    return UsbName(int(match[1], 16), int(match[2], 16), match[3] or "", match[4] or "")


def device_of(port: str) -> str:
    """The name to open for a configured port. Raises :class:`LinkLostError` for none and for several."""
    wanted = usb_name(port)
    return port if wanted is None else find(wanted, present_ports()).device


def find(wanted: UsbName, present: Sequence[PresentPort]) -> PresentPort:
    """The one port that ``wanted`` names. Raises :class:`LinkLostError` with what to do for none and for several."""
    alike = [port for port in present if (port.vendor, port.product) == (wanted.vendor, wanted.product)]
    there = [port for port in alike if _at(wanted.location, port.location)]
    found = [port for port in there if port.serial_number.casefold() == wanted.serial_number.casefold()]
    if not wanted.serial_number:
        found = there
    elif not found:
        found = [port for port in there if _same_serial(wanted, port.serial_number)]
    if len(found) == 1:
        return found[0]
    raise LinkLostError(_several(wanted, found) if found else _none(wanted, alike))


def name_of(port: PresentPort, present: Sequence[PresentPort]) -> str:
    """How to write ``port`` in a configuration: by serial number, else by kind, else by place, else by its name."""
    if port.vendor is None or port.product is None:
        return port.name
    kind = (port.vendor, port.product)
    for wanted in (
        *((UsbName(*kind, port.serial_number),) if port.serial_number else ()),
        *(() if port.serial_number else (UsbName(*kind),)),
        *((UsbName(*kind, port.serial_number, port.location),) if port.location else ()),
    ):
        with contextlib.suppress(LinkLostError, SettingsError):
            # as it will be read: a serial number may hold what looks like a place
            read = usb_name(str(wanted))
            if read is not None and find(read, present) == port:
                return str(wanted)
    return port.name


def _at(wanted: str, location: str) -> bool:
    """Whether a place is the wanted one; a device with several interfaces adds ``:1.0`` to its place."""
    wanted, location = wanted.casefold(), location.casefold()
    return not wanted or location == wanted or location.startswith(f"{wanted}:")


def _same_serial(wanted: UsbName, serial: str) -> bool:
    """The same, if Windows' driver for FTDI added the letter of the interface to either of them."""
    one, other = sorted((wanted.serial_number.casefold(), serial.casefold()), key=len)
    return wanted.vendor == _FTDI and bool(one) and other[:-1] == one and other[-1] in "abcd"


def _said(port: PresentPort) -> str:
    told = [f"serial {port.serial_number}"] if port.serial_number else []
    told += [f"at {port.location}"] if port.location else []
    return f"{port.name} ({', '.join(told)})" if told else port.name


def _several(wanted: UsbName, found: Sequence[PresentPort]) -> str:
    which = f"{wanted} is {'both' if len(found) == 2 else 'each of'} {' and '.join(_said(port) for port in found)}"
    by_serial = {port.serial_number.casefold() for port in found} - {""}
    by_place = {port.location for port in found} - {""}
    if len(by_serial) == len(found):
        return f"{which}: add the serial number, such as {_with(wanted, found[0], place=False)}, or unplug one"
    if len(by_place) == len(found):
        return f"{which}: add the place, such as {_with(wanted, found[0], place=True)}, or unplug one"
    return f"{which}: unplug one, or write the port's own name, such as {found[0].name}"


def _with(wanted: UsbName, port: PresentPort, *, place: bool) -> UsbName:
    if place:
        return UsbName(wanted.vendor, wanted.product, wanted.serial_number, port.location)
    return UsbName(wanted.vendor, wanted.product, port.serial_number, wanted.location)


def _none(wanted: UsbName, alike: Sequence[PresentPort]) -> str:
    if not alike:
        return f"{wanted} is not there: plug the device in, or correct the port"
    others = " and ".join(_said(port) for port in alike)
    if wanted.serial_number and any(not port.serial_number for port in alike):
        return (
            f"{wanted} is not there; {others} is of this kind but its serial number is not told "
            "(Windows keeps some back): leave serial out, or use at"
        )
    return f"{wanted} is not there, only {others}: plug the device in, or correct the port"
