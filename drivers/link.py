"""Links to ports: with ``visa.py`` the only file that opens anything.

Whatever goes wrong at a port leaves this file as a ``DriverError``.
"""

import contextlib
import errno
import os
import re
import select
import socket
from typing import TYPE_CHECKING, Protocol
from urllib.parse import urlsplit

from drivers.base import InstrumentSettings
from drivers.errors import LinkLostError, SettingsError
from drivers.ports import device_of, usb_name
from drivers.visa import VisaLink, check_resource, is_visa

if TYPE_CHECKING:
    import serial

_BULK = 65536
_CONNECT_S = 2.0
_WRITE_S = 1.0
# where pyserial does the waiting: it renegotiates the whole port when this is changed later
_PORT_WAIT_S = 0.05
_NETWORK = ("socket", "rfc2217")
_SCHEMES = (*_NETWORK, "loop", "spy", "alt", "hwgrep", "cp2110")


class ByteLink(Protocol):
    """An open port. Every method raises :class:`LinkLostError` when it went away.

    ``fd``: what the system can wait for beside others; None where only ``read`` waits.
    """

    fd: int | None

    def read(self, wait_s: float) -> bytes:
        """All bytes that are there; waits about ``wait_s`` at most for the first one, with an ``fd`` none for 0."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of ``data``."""
        ...

    def close(self) -> None:
        """Give the port back. Never raises; twice is harmless."""
        ...


def check_port(port: str) -> None:
    """Raise :class:`SettingsError` for a name that can never be opened."""
    scheme, separator, _ = port.partition("://")
    if usb_name(port) or not separator:
        return
    if is_visa(port):
        check_resource(port)
        return
    if scheme.lower() not in _SCHEMES:
        raise SettingsError(
            f"port: no such kind of port {scheme}://; use a device name such as /dev/ttyUSB0 or COM3, "
            f"usb:vendor:product, or one of {', '.join(f'{s}://' for s in (*_SCHEMES, 'visa'))}"
        )
    if scheme.lower() in _NETWORK:
        _host_and_number(port)


def _host_and_number(port: str) -> tuple[str, int]:
    parts = urlsplit(port)
    try:
        number = parts.port
    except ValueError:
        number = None
    if not parts.hostname or not number:
        raise SettingsError(f"port: {port} must be written as {parts.scheme}://host:number, number from 1 to 65535")
    return parts.hostname, number


def open_link(settings: InstrumentSettings) -> ByteLink:
    """Open the instrument's port. Raises :class:`LinkLostError` in one sentence."""
    if settings.port.lower().startswith("socket://"):
        return TcpLink(settings.port)
    if is_visa(settings.port):
        return VisaLink(settings)
    return SerialLink(settings)


class TcpLink:
    """``socket://host:number``: pyserial's own reports 0 or 1 bytes waiting, which costs a call a byte."""

    def __init__(self, port: str) -> None:
        self._port = port
        address = _host_and_number(port)
        try:
            self._socket = socket.create_connection(address, timeout=_CONNECT_S)
        except OSError as error:
            raise LinkLostError(
                f"{port} cannot be reached ({_said(error)}): check that the device is on and the address is right"
            ) from error
        self.fd: int | None = self._socket.fileno()
        self._wait_s = _CONNECT_S
        # some systems refuse options once the far end has hung up: the first read says that
        with contextlib.suppress(OSError):
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def read(self, wait_s: float) -> bytes:
        try:
            self._let_wait(wait_s)
            data = self._socket.recv(_BULK)
        except (TimeoutError, BlockingIOError):
            return b""
        except OSError as error:
            raise _lost(self._port, error) from error
        if not data:
            raise LinkLostError(f"{self._port} was closed by the device: check that it is on")
        return data

    def write(self, data: bytes) -> None:
        try:
            self._let_wait(_WRITE_S)
            self._socket.sendall(data)
        except OSError as error:
            raise _lost(self._port, error) from error

    def _let_wait(self, seconds: float) -> None:
        # a call of the system each time it is set
        if seconds != self._wait_s:
            self._socket.settimeout(seconds)
            self._wait_s = seconds

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()


class SerialLink:
    """Any other port, through pyserial.

    What pyserial raises depends on the platform and on the handler of the
    URL (``SerialException``, ``OSError``, ``termios.error``, ``TypeError``,
    ``ValueError``, ``NotImplementedError``), so each call catches all of it.
    """

    def __init__(self, settings: InstrumentSettings) -> None:
        import serial

        device = device_of(settings.port)
        self._name = settings.port if device == settings.port else f"{settings.port} ({device})"
        try:
            self._port = serial.serial_for_url(
                device,
                baudrate=settings.baud,
                bytesize=settings.data_bits,
                parity={"none": "N", "even": "E", "odd": "O"}[settings.parity],
                stopbits=settings.stop_bits,
                timeout=_PORT_WAIT_S,
                do_not_open=True,
            )
            # pyserial's network handlers refuse a write timeout
            native = isinstance(self._port, serial.Serial)
            posix = os.name == "posix"
            if native:
                self._port.write_timeout = _WRITE_S
                if posix:
                    self._port.exclusive = True
            self._port.dtr = settings.dtr
            self._port.open()
            # spy:// and its like are native ports that want to see every read
            self.fd: int | None = self._port.fileno() if type(self._port) is serial.Serial and posix else None
        except Exception as error:
            raise _not_opened(self._name, error) from error

    def read(self, wait_s: float) -> bytes:
        try:
            if self.fd is None:
                return self._read_waiting(self._port)
            # the same two calls that pyserial makes, without its third one and its bookkeeping for every read
            ready, _, _ = select.select([self.fd], [], [], wait_s)
            if not ready:
                return b""
            data = os.read(self.fd, _BULK)
        except BlockingIOError:
            return b""  # another program took the bytes
        except Exception as error:
            raise _lost(self._name, error) from error
        if not data:
            raise LinkLostError(f"{self._name} was lost: check the plug and the device's power")
        return data

    @staticmethod
    def _read_waiting(port: "serial.Serial") -> bytes:
        first = bytes(port.read(port.in_waiting or 1))
        return first + bytes(port.read(port.in_waiting)) if len(first) == 1 else first

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except Exception as error:
            raise _lost(self._name, error) from error

    def close(self) -> None:
        # a port that went away may refuse to be closed properly: nothing is left to do about it
        with contextlib.suppress(Exception):
            self._port.close()


def _said(error: BaseException) -> str:
    """The reason in the error's text, without pyserial's wrapping and its guesses in brackets."""
    text = str(getattr(error, "strerror", None) or error)
    reason = re.search(r"\[Errno -?\d+\] ([^:'(]+)", text) or re.match(r"([^(\[]+)", text)
    return (reason[1] if reason else text).strip(" .:") or type(error).__name__


def _lost(port: str, error: BaseException) -> LinkLostError:
    return LinkLostError(f"{port} was lost ({_said(error)}): check the plug and the device's power")


def _not_opened(port: str, error: BaseException) -> LinkLostError:
    number = getattr(error, "errno", None)
    text = str(error)  # on Windows the cause is only in the text
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return LinkLostError(f"{port} is not there: plug the device in, or correct the port")
    if number in (errno.EAGAIN, errno.EBUSY) or "PermissionError" in text:
        return LinkLostError(f"{port} is in use by another program: close that program")
    if number in (errno.EACCES, errno.EPERM):
        return LinkLostError(
            f"{port} may not be opened by this user: give the user access (on Linux, the group that owns the port)"
        )
    return LinkLostError(f"{port} cannot be opened ({_said(error)}): check the plug and the port's settings")
