"""A port named by its USB device: found under whatever name it comes back, and never guessed.

What the three systems list is modelled on pyserial 3.5's list_ports_linux.py,
list_ports_osx.py and list_ports_windows.py.
"""

import os
import tty
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from acquire.clock import SystemClock
from drivers.errors import LinkLostError, SettingsError
from drivers.link import check_port, open_link
from drivers.ports import PresentPort, UsbName, device_of, find, name_of, present_ports, usb_name
from tests.drivers.families import FAMILIES, line
from tests.drivers.far_end import reading, wait_for

CH340 = UsbName(0x1A86, 0x7523)


def usb(device: str, vendor: int, product: int, serial: str | None = None, location: str | None = None) -> ListPortInfo:
    port = ListPortInfo(device, skip_link_detection=True)
    port.vid, port.pid, port.serial_number, port.location = vendor, product, serial, location
    port.product = "USB Serial"
    port.apply_usb_info()
    return port


def plugged(monkeypatch: pytest.MonkeyPatch, *ports: ListPortInfo) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: list(ports))


LINUX = (
    ListPortInfo("/dev/ttyS0"),
    usb("/dev/ttyUSB0", 0x1A86, 0x7523, None, "1-1.4"),
    usb("/dev/ttyUSB1", 0x0403, 0x6001, "A12345", "1-1.2"),
    usb("/dev/ttyACM0", 0x2341, 0x0043, "7573130313935111C0F1", "1-1.3:1.0"),
)
MACOS = (
    ListPortInfo("/dev/cu.Bluetooth-Incoming-Port"),
    usb("/dev/cu.usbserial-1410", 0x1A86, 0x7523, None, "20-1.4"),
    usb("/dev/cu.usbserial-A12345", 0x0403, 0x6001, "A12345", "20-1.2"),
    usb("/dev/cu.usbmodem14301", 0x2341, 0x0043, "7573130313935111C0F1", "20-1.3"),
)
WINDOWS = (
    ListPortInfo("COM1", skip_link_detection=True),
    usb("COM7", 0x1A86, 0x7523, "", "1-1.4"),
    usb("COM12", 0x0403, 0x6001, "A12345A", None),
    usb("COM9", 0x2341, 0x0043, "7573130313935111C0F1", "1-1.3:x.0"),
)


@pytest.mark.parametrize(
    ("ports", "expected"),
    [
        (LINUX, ["/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/ttyACM0"]),
        (MACOS, ["/dev/cu.usbserial-1410", "/dev/cu.usbserial-A12345", "/dev/cu.usbmodem14301"]),
        (WINDOWS, ["COM7", "COM12", "COM9"]),
    ],
    ids=["Linux", "macOS", "Windows"],
)
def test_one_spelling_finds_the_same_device_on_every_system(
    monkeypatch: pytest.MonkeyPatch, ports: tuple[ListPortInfo, ...], expected: list[str]
) -> None:
    plugged(monkeypatch, *ports)
    names = ["usb:1a86:7523", "USB:0403:6001:serial=A12345", "usb:2341:0043:serial=7573130313935111c0f1"]
    assert [device_of(name) for name in names] == expected


@pytest.mark.parametrize("ports", [LINUX, MACOS, WINDOWS], ids=["Linux", "macOS", "Windows"])
def test_the_name_proposed_for_a_port_finds_that_port(
    monkeypatch: pytest.MonkeyPatch, ports: tuple[ListPortInfo, ...]
) -> None:
    plugged(monkeypatch, *ports)
    present = present_ports()
    for port in present:
        name = name_of(port, present)
        assert device_of(name) == port.device
        assert name.startswith("usb:") == (port.vendor is not None)


def test_a_port_that_is_no_usb_name_is_opened_as_it_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: pytest.fail("nothing to look up"))
    assert [device_of(port) for port in ("COM3", "/dev/ttyUSB0", "socket://host:1")] == [
        "COM3",
        "/dev/ttyUSB0",
        "socket://host:1",
    ]


def two(serials: tuple[str, str], places: tuple[str, str]) -> list[PresentPort]:
    return [
        PresentPort(f"/dev/ttyUSB{i}", f"/dev/ttyUSB{i}", "", 0x1A86, 0x7523, serials[i], places[i]) for i in (0, 1)
    ]


@pytest.mark.parametrize(
    ("ports", "cure"),
    [
        (two(("", ""), ("1-1.4", "1-2")), "usb:1a86:7523:at=1-1.4"),
        (two(("0001", "0001"), ("1-1.4", "1-2")), "usb:1a86:7523:at=1-1.4"),
        (two(("A1", "B2"), ("", "")), "usb:1a86:7523:serial=A1"),
        (two(("", ""), ("", "")), "such as /dev/ttyUSB0"),
        (two(("X", ""), ("1-1", "1-1")), "such as /dev/ttyUSB0"),
    ],
)
def test_of_two_that_match_none_is_taken_and_both_are_named_with_how_to_tell_them_apart(
    ports: list[PresentPort], cure: str
) -> None:
    with pytest.raises(LinkLostError) as said:
        find(CH340, ports)
    assert cure in str(said.value)
    assert "unplug one" in str(said.value)
    assert all(port.device in str(said.value) for port in ports)


def test_equal_serial_numbers_are_told_apart_by_place_in_the_name_that_is_proposed() -> None:
    ports = two(("0001", "0001"), ("1-1.4", "1-2"))
    assert [name_of(port, ports) for port in ports] == [
        "usb:1a86:7523:serial=0001:at=1-1.4",
        "usb:1a86:7523:serial=0001:at=1-2",
    ]


def test_two_ports_of_one_device_are_told_apart_by_their_interface() -> None:
    ports = [
        PresentPort("/dev/ttyUSB0", "/dev/ttyUSB0", "", 0x0403, 0x6010, "FT1", "1-1:1.0"),
        PresentPort("/dev/ttyUSB1", "/dev/ttyUSB1", "", 0x0403, 0x6010, "FT1", "1-1:1.1"),
    ]
    assert [find(UsbName(0x0403, 0x6010, "", f"1-1:1.{i}"), ports).device for i in (0, 1)] == [
        "/dev/ttyUSB0",
        "/dev/ttyUSB1",
    ]
    with pytest.raises(LinkLostError, match="both"):
        find(UsbName(0x0403, 0x6010, "FT1", "1-1"), ports)


def test_the_two_interfaces_that_windows_letters_are_not_chosen_between() -> None:
    ports = [PresentPort(f"COM{i}", f"COM{i}", "", 0x0403, 0x6010, f"FT1{'AB'[i]}") for i in (0, 1)]
    with pytest.raises(LinkLostError, match=r"COM0.*COM1"):
        find(UsbName(0x0403, 0x6010, "FT1"), ports)
    assert find(UsbName(0x0403, 0x6010, "FT1B"), ports).device == "COM1"


def test_the_letter_is_only_forgiven_to_ftdi() -> None:
    with pytest.raises(LinkLostError, match="only COM4"):
        find(UsbName(0x1A86, 0x7523, "A1"), [PresentPort("COM4", "COM4", "", 0x1A86, 0x7523, "A1A")])


def test_a_serial_number_that_windows_keeps_back_is_not_taken_for_granted() -> None:
    blank = PresentPort("COM5", "COM5", "", 0x1A86, 0x7523, "", "1-2")
    with pytest.raises(LinkLostError, match=r"COM5 \(at 1-2\).*not told.*leave serial out"):
        find(UsbName(0x1A86, 0x7523, "AB-12"), [blank])
    assert find(UsbName(0x1A86, 0x7523), [blank]) == blank


def test_a_device_that_is_not_there_is_said_with_what_is_there_instead() -> None:
    with pytest.raises(LinkLostError, match="usb:1a86:7523 is not there: plug"):
        find(CH340, [])
    with pytest.raises(LinkLostError, match=r"only /dev/ttyUSB0 \(serial A1, at 1-1\)"):
        find(UsbName(0x1A86, 0x7523, "Z9"), two(("A1", "B2"), ("1-1", "1-2"))[:1])


@pytest.mark.parametrize("port", ["usb:", "usb:1a86", "usb:1a86:752", "usb:1a86:7523:A1", "usb:xyz0:7523", "usb:1:2"])
def test_a_name_that_is_not_written_rightly_is_refused_when_the_file_is_read(port: str) -> None:
    with pytest.raises(SettingsError, match=r"^port: .*usb:1a86:7523"):
        check_port(port)


@settings(max_examples=50)
@given(
    st.integers(0, 0xFFFF),
    st.integers(0, 0xFFFF),
    st.from_regex(r"[A-Za-z0-9:_.&-]{0,20}", fullmatch=True),
    st.from_regex(r"([0-9]+-[0-9.]+(:[0-9x]\.[0-9])?)?", fullmatch=True),
)
def test_what_is_written_is_read_again(vendor: int, product: int, serial: str, location: str) -> None:
    name = UsbName(vendor, product, serial, location)
    assert usb_name(str(name)) == name


serials = st.sampled_from(["", "0001", "A1", "A1A", "B2", "A-1", "x:at=1-1"])
places = st.sampled_from(["", "1-1", "1-1:1.0", "1-2", "1-1.4"])
kinds = st.sampled_from([(None, None), (0x0403, 0x6001), (0x1A86, 0x7523)])


@settings(max_examples=60)
@given(st.lists(st.tuples(kinds, serials, places), min_size=1, max_size=5))
def test_whatever_is_plugged_in_a_proposed_name_never_finds_another_port(
    told: list[tuple[tuple[int | None, int | None], str, str]],
) -> None:
    present = [
        PresentPort(f"COM{i}", f"COM{i}", "", *kind, serial, place) for i, (kind, serial, place) in enumerate(told)
    ]
    for port in present:
        wanted = usb_name(name_of(port, present))
        assert wanted is None or find(wanted, present) == port


def test_a_device_that_leaves_while_it_is_listed_does_not_end_the_listing(monkeypatch: pytest.MonkeyPatch) -> None:
    tries = iter([TypeError("int() argument must be a string, not 'NoneType'"), None])

    def comports() -> list[ListPortInfo]:
        if error := next(tries):
            raise error
        return list(LINUX)

    monkeypatch.setattr(list_ports, "comports", comports)
    assert len(present_ports()) == len(LINUX)


def test_ports_that_can_never_be_listed_are_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def comports() -> list[ListPortInfo]:
        raise OSError("no such class")

    monkeypatch.setattr(list_ports, "comports", comports)
    with pytest.raises(LinkLostError, match=r"cannot be listed \(no such class\): "):
        device_of("usb:1a86:7523")


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_an_instrument_that_comes_back_under_another_name_is_read_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def pty() -> tuple[int, int]:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        return master, slave

    instrument = FAMILIES[0].make("usb:1a86:7523")
    first, second = pty(), pty()
    plugged(monkeypatch, usb(os.ttyname(first[1]), 0x1A86, 0x7523))
    with reading(instrument, SystemClock()) as (reader, got):
        wait_for(lambda: got.values, "a value", lambda: os.write(first[0], b"\n" + line(1.0) + b"\n"))
        plugged(monkeypatch)
        os.close(first[0])
        os.close(first[1])
        wait_for(lambda: "is not there" in reader.sentence or reader.state == "lost", "it is lost")
        plugged(monkeypatch, usb(os.ttyname(second[1]), 0x1A86, 0x7523))
        wait_for(lambda: 2.0 in got.values, "its new value", lambda: _send(second[0], b"\n" + line(2.0) + b"\n"))
    assert "back" in got.kinds
    assert "usb:1a86:7523" in got.sentence("lost")
    os.close(second[0])
    os.close(second[1])


def _send(master: int, data: bytes) -> None:
    try:
        os.write(master, data)
    except BlockingIOError:
        return


def test_a_port_that_cannot_be_opened_is_said_by_both_its_names(monkeypatch: pytest.MonkeyPatch) -> None:
    plugged(monkeypatch, usb("/dev/none-of-that-name", 0x1A86, 0x7523))
    with pytest.raises(LinkLostError, match=r"^usb:1a86:7523 \(/dev/none-of-that-name\) is not there"):
        open_link(FAMILIES[0].make("usb:1a86:7523").settings)
