"""Whatever a port does, it leaves the link as a DriverError; the options each kind of port gets."""

import errno
import os
import sys
from collections.abc import Callable
from typing import Any

import pytest
import serial

from drivers.base import InstrumentSettings
from drivers.errors import DriverError, LinkLostError, SettingsError
from drivers.link import SerialLink, TcpLink, check_port, open_link
from drivers.ports import present_ports
from tests.drivers.families import FAMILIES
from tests.drivers.far_end import TcpEnd

FAULTS: list[Exception] = [
    serial.SerialException("device reports readiness to read but returned no data (device disconnected?)"),
    serial.SerialTimeoutException("Write timeout"),
    OSError(errno.EIO, "Input/output error"),
    TypeError("'NoneType' object cannot be interpreted as an integer"),
    ValueError("filedescriptor out of range in select()"),
    NotImplementedError("write_timeout is currently not supported"),
    AttributeError("'NoneType' object has no attribute 'sendall'"),
]
if sys.platform != "win32":
    import termios

    FAULTS.append(termios.error(errno.EIO, "Input/output error"))


def settings(port: str = "COM3", **more: object) -> InstrumentSettings:
    return FAMILIES[0].make(port, **more).settings


class FakePort:
    """A port that is no native one, and fails where it is told to."""

    def __init__(self, fails: dict[str, Exception]) -> None:
        self._fails = fails
        self.in_waiting = 0
        self.closed = 0

    def _call(self, name: str) -> None:
        if name in self._fails:
            raise self._fails[name]

    def open(self) -> None:
        self._call("open")

    def read(self, size: int) -> bytes:
        self._call("read")
        return b""

    def write(self, data: bytes) -> int:
        self._call("write")
        return len(data)

    def close(self) -> None:
        self.closed += 1
        self._call("close")


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Callable[..., FakePort]:
    def make(**fails: Exception) -> FakePort:
        port = FakePort(fails)
        monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: port)
        return port

    return make


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: type(fault).__name__)
def test_every_fault_of_a_port_leaves_as_a_lost_link_that_names_it(
    fake: Callable[..., FakePort], fault: Exception
) -> None:
    fake(open=fault)
    with pytest.raises(LinkLostError, match=r"^COM3 .*: "):
        open_link(settings())
    fake(read=fault, write=fault, close=fault)
    link = open_link(settings())
    with pytest.raises(LinkLostError, match="COM3 was lost"):
        link.read(0.0)
    with pytest.raises(LinkLostError, match="COM3 was lost"):
        link.write(b"?")
    link.close()
    link.close()


@pytest.mark.parametrize(
    ("fault", "advice"),
    [
        (serial.SerialException(errno.ENOENT, "could not open port"), "is not there"),
        (serial.SerialException("could not open port 'COM3': FileNotFoundError(2, 'x')"), "is not there"),
        (serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"), "in use by another program"),
        (serial.SerialException(errno.EBUSY, "Device or resource busy"), "in use by another program"),
        (serial.SerialException("could not open port 'COM3': PermissionError(13, 'x')"), "in use by another program"),
        (serial.SerialException(errno.EACCES, "Permission denied"), "give the user access"),
        (ValueError("Not a valid baudrate: 7"), "cannot be opened (Not a valid baudrate: 7)"),
        (serial.SerialException("Could not open port x: [Errno 111] Connection refused"), "(Connection refused)"),
        (serial.SerialException("Remote does not seem to support it [we-BINARY:True(ACTIVE)]"), "support it)"),
        (TypeError(), "cannot be opened (TypeError)"),
    ],
)
def test_a_port_that_cannot_be_opened_says_why_and_what_to_do(
    fake: Callable[..., FakePort], fault: Exception, advice: str
) -> None:
    fake(open=fault)
    with pytest.raises(LinkLostError) as said:
        open_link(settings())
    assert advice in str(said.value)
    assert ": " in str(said.value)


def test_only_native_ports_get_exclusive_access_and_a_write_timeout(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Any] = []

    class Native(serial.Serial):
        def open(self) -> None:
            made.append(self)

        def fileno(self) -> int:
            return 0

    monkeypatch.setattr(serial, "Serial", Native)
    monkeypatch.setattr(serial, "serial_for_url", lambda _, **keys: Native(None, **_without_opening(keys)))
    SerialLink(settings(dtr=False, data_bits=7, parity="even", stop_bits=2, baud=4800))
    native = made.pop()
    assert native.write_timeout == 1.0
    assert native.exclusive is (True if os.name == "posix" else None)
    assert native.dtr is False
    assert (native.baudrate, native.bytesize, native.parity, native.stopbits) == (4800, 7, "E", 2)

    fake = FakePort({})
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: fake)
    SerialLink(settings())
    assert not hasattr(fake, "write_timeout")
    assert not hasattr(fake, "exclusive")
    assert fake.dtr is True  # type: ignore[attr-defined]


def _without_opening(keys: dict[str, Any]) -> dict[str, Any]:
    assert keys.pop("do_not_open") is True
    return keys


def test_a_port_that_pyserial_serves_itself_hands_over_all_that_waits() -> None:
    link = open_link(settings("loop://"))
    link.write(b"L=+01.000 mm\r\n" * 3)
    assert link.read(0.1) == b"L=+01.000 mm\r\n" * 3
    assert link.read(0.0) == b""
    link.close()
    with pytest.raises(LinkLostError):
        link.read(0.0)


def test_a_tcp_link_reads_in_bulk_writes_and_says_when_the_far_end_hangs_up() -> None:
    end = TcpEnd()
    end.plug()
    link = TcpLink(end.port)
    try:
        assert link.read(0.0) == b""
        end.send(b"x" * 5000)
        assert link.read(1.0) == b"x" * 5000
        link.write(b"?\r")
        assert end.asked() == b"?\r"
        end.unplug()
        with pytest.raises(LinkLostError, match=end.port):
            link.read(1.0)
    finally:
        link.close()
        link.close()
        end.unplug()


@pytest.mark.parametrize(
    "port", ["/dev/ttyUSB0", "COM3", "socket://h:1", "rfc2217://[::1]:65535?ign_set_control", "loop://"]
)
def test_every_kind_of_port_that_can_be_opened_is_accepted(port: str) -> None:
    check_port(port)
    assert FAMILIES[0].make(port).settings.port == port


@pytest.mark.parametrize("port", ["socket://h", "socket://:4000", "socket://h:0", "rfc2217://h:70000", "tcp://h:1"])
def test_a_port_that_can_never_be_opened_is_refused_by_name(port: str) -> None:
    with pytest.raises(SettingsError, match=r"^port: .*://"):
        check_port(port)


def test_the_ports_of_the_computer_are_listed_by_their_stable_names(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    found = [ListPortInfo("/dev/ttyB"), ListPortInfo("/dev/ttyA")]
    found[0].serial_number = "0001"
    monkeypatch.setattr(list_ports, "comports", lambda: found)

    class Entry:
        path = "/dev/serial/by-id/usb-Example"

    monkeypatch.setattr(os, "scandir", lambda _: [Entry])
    monkeypatch.setattr(os.path, "realpath", lambda path: "/dev/ttyB" if path == Entry.path else path)
    ports = present_ports()
    assert [port.name for port in ports] == ["/dev/ttyA", "/dev/serial/by-id/usb-Example"]
    assert ports[1].serial_number == "0001"


def test_the_error_tree_has_one_base() -> None:
    assert issubclass(LinkLostError, DriverError)
    assert issubclass(SettingsError, DriverError)
