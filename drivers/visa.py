"""Instruments on USB-TMC or LAN (VXI-11, HiSLIP), through pyvisa: the only file that knows it.

A link like any other (``visa://USB0::0x1234::0x5678::SERIAL::INSTR``), with
one difference: it is only read while an answer is owed. An instrument asked
for what it does not have enters a query error of its own (IEEE 488.2, 6.3).
"""

import contextlib
import re
import socket
import threading
import traceback

from drivers.base import InstrumentSettings
from drivers.errors import LinkLostError, SettingsError

_SCHEME = "visa://"
# pyvisa's own chunk; a longer answer comes in pieces
_PIECE = 20 * 1024
_OPEN_MS = 3000
_USUAL_REPLY_S = 1.0
_RESOURCE = re.compile(r"(USB|TCPIP|GPIB|VXI)\d*::\S+", re.IGNORECASE)
# pyvisa keeps one manager for all resources, and does not guard its making
_opening = threading.Lock()


def is_visa(port: str) -> bool:
    """Whether the port's instrument is spoken to in messages, one answer to each question."""
    return port.lower().startswith(_SCHEME)


def check_resource(port: str) -> None:
    """Raise :class:`SettingsError` for a name that no instrument can have."""
    name = port[len(_SCHEME) :]
    kind = name.upper()
    if kind.endswith("::SOCKET"):
        raise SettingsError(f"port: for a raw TCP socket write socket://host:number instead of {port}")
    if kind.startswith("ASRL"):
        raise SettingsError(f"port: for a serial port write its own name (COM3, /dev/...) instead of {port}")
    if not _RESOURCE.fullmatch(name):
        raise SettingsError(
            f"port: {port} must be {_SCHEME} and a resource name, such as "
            f"{_SCHEME}USB0::0x1234::0x5678::SERIAL::INSTR or {_SCHEME}TCPIP0::192.168.0.20::INSTR"
        )


class VisaLink:
    """See ``drivers.link.ByteLink``. A read may take as long as the instrument may take to answer."""

    def __init__(self, settings: InstrumentSettings) -> None:
        self.fd: int | None = None
        self._port = settings.port
        self._owed = False
        self._closed = threading.Event()
        try:
            import pyvisa
            from pyvisa.resources import MessageBasedResource
        except ImportError as error:
            raise LinkLostError(
                f'{self._port} needs pyvisa, which is not installed: run  python -m pip install "steadydraw[visa]"'
            ) from error
        # each attempt that fails is logged with its traceback there, twice a second: what is raised is said here
        pyvisa.logger.disabled = True
        try:
            with _opening:
                manager = pyvisa.ResourceManager()
            its = manager.open_resource(self._port[len(_SCHEME) :], open_timeout=_OPEN_MS)
        except Exception as error:
            _close_sockets(error)
            raise LinkLostError(
                f"{self._port} cannot be opened ({_said(error)}): check that the instrument is on and plugged in, "
                "and that its name is right"
            ) from error
        if not isinstance(its, MessageBasedResource):
            its.close()
            raise LinkLostError(f"{self._port} does not answer messages: use the instrument's ::INSTR resource")
        self._resource: MessageBasedResource = its
        try:
            self._resource.timeout = 1000.0 * float(getattr(settings, "reply_within_s", _USUAL_REPLY_S))
        except Exception as error:
            self.close()
            raise self._lost(error) from error

    def read(self, wait_s: float) -> bytes:
        if not self._owed:
            self._closed.wait(wait_s)
            return b""
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        its = self._resource
        try:
            # a full piece is no cause for a warning: the rest comes with the next read
            with its.ignore_warning(StatusCode.success_max_count_read):
                data, status = its.visalib.read(its.session, _PIECE)
        except VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise self._lost(error) from error
            self._owed = False
            self._clear()
            return b""
        except Exception as error:
            raise self._lost(error) from error
        if status < 0:  # some libraries only return what others raise
            raise self._lost(VisaIOError(status))
        if status == StatusCode.success_max_count_read:
            return bytes(data)
        self._owed = False
        # the end of a message is the end of its line, whether or not the instrument says so with a character
        return bytes(data) if data.endswith(b"\n") else bytes(data) + b"\n"

    def _clear(self) -> None:
        """An overdue answer must not be taken for the next one's: the far end drops it (IEEE 488.2, 5.8)."""
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        try:
            self._resource.clear()
        except NotImplementedError:
            return
        except VisaIOError as error:
            # over USB the aborted read and the next question do the same
            if error.error_code != StatusCode.error_nonsupported_operation:
                raise self._lost(error) from error
        except Exception as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        try:
            self._resource.write_raw(data)
        except Exception as error:
            raise self._lost(error) from error
        self._owed = True

    def close(self) -> None:
        self._closed.set()
        # only the resource: the manager is shared with the other instruments
        with contextlib.suppress(Exception):
            self._resource.close()

    def _lost(self, error: BaseException) -> LinkLostError:
        return LinkLostError(f"{self._port} was lost ({_said(error)}): check its cable and power")


def _close_sockets(error: BaseException | None) -> None:
    """Close what an attempt to open left: pyvisa-py 0.8 leaves it open for as long as anybody holds the error."""
    while error is not None:
        for frame, _ in traceback.walk_tb(error.__traceback__):
            for value in getattr(frame.f_locals.get("self"), "__dict__", {}).values():
                if isinstance(value, socket.socket):
                    value.close()
        error = error.__cause__ or error.__context__


def _said(error: BaseException) -> str:
    """What pyvisa or what lies below it says, on one line and not too long."""
    text = str(getattr(error, "description", None) or error or type(error).__name__)
    return " ".join(text.split()).rstrip(".:")[:120]
