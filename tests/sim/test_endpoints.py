"""The ports themselves: who hears what, opened without the help of a serial library."""

import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sim.endpoints import PtyEndpoint, TcpEndpoint

posix = pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals here")


@contextmanager
def terminal(path: Path) -> Iterator[Callable[[], bytes]]:
    """Open a terminal; yields a read that does not wait."""
    number = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def read() -> bytes:
        try:
            return os.read(number, 4096)
        except BlockingIOError:
            return b""

    try:
        yield read
    finally:
        os.close(number)


def heard(exchange: Callable[[], bytes], wanted: bytes) -> bytes:
    """Exchange until ``wanted`` came in, five seconds at most."""
    data, end_s = b"", time.monotonic() + 5.0
    while len(data) < len(wanted) and time.monotonic() < end_s:
        data += exchange()
    return data


@posix
def test_a_terminal_keeps_nothing_for_later(tmp_path: Path) -> None:
    endpoint = PtyEndpoint(tmp_path / "port")
    try:
        endpoint.exchange(b"before anybody came")
        with terminal(tmp_path / "port") as read:
            assert read() == b""
            endpoint.exchange(b"hello")
            assert heard(read, b"hello") == b"hello"
        endpoint.exchange(b"while nobody was there")
        with terminal(tmp_path / "port") as read:
            assert read() == b""
            endpoint.exchange(b"again")
            assert heard(read, b"again") == b"again"
    finally:
        endpoint.close()


@posix
def test_a_terminal_passes_bytes_unchanged_both_ways(tmp_path: Path) -> None:
    everything = bytes(range(256))
    endpoint = PtyEndpoint(tmp_path / "port")
    try:
        number = os.open(tmp_path / "port", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            os.write(number, everything)
            assert heard(lambda: endpoint.exchange(b""), everything) == everything
            endpoint.exchange(everything)
            assert heard(lambda: os.read(number, 4096), everything) == everything
        finally:
            os.close(number)
    finally:
        endpoint.close()


@posix
def test_an_unplugged_terminal_has_no_name_until_it_is_back(tmp_path: Path) -> None:
    endpoint = PtyEndpoint(tmp_path / "port")
    try:
        endpoint.unplug()
        endpoint.unplug()
        assert not os.path.lexists(tmp_path / "port")
        assert endpoint.exchange(b"nothing") == b""
        endpoint.plug()
        with terminal(tmp_path / "port") as read:
            endpoint.exchange(b"back")
            assert heard(read, b"back") == b"back"
    finally:
        endpoint.close()


@posix
def test_a_client_that_does_not_read_never_blocks_the_bench(tmp_path: Path) -> None:
    endpoint = PtyEndpoint(tmp_path / "port")
    try:
        with terminal(tmp_path / "port"):
            begin_s = time.monotonic()
            for _ in range(1000):
                endpoint.exchange(b"x" * 500)
            assert time.monotonic() - begin_s < 2.0
    finally:
        endpoint.close()


def address(endpoint: TcpEndpoint) -> tuple[str, int]:
    host, port = endpoint.port.removeprefix("socket://").split(":")
    return host, int(port)


def test_a_tcp_client_hears_only_what_was_sent_since_it_came() -> None:
    endpoint = TcpEndpoint()
    try:
        endpoint.exchange(b"before anybody came")
        with socket.create_connection(address(endpoint), timeout=5.0) as client:
            client.sendall(b"?")
            assert heard(lambda: endpoint.exchange(b""), b"?") == b"?"
            endpoint.exchange(b"hello")
            assert client.recv(100) == b"hello"
    finally:
        endpoint.close()


def test_a_tcp_client_that_does_not_read_never_blocks_the_bench() -> None:
    endpoint = TcpEndpoint()
    try:
        with socket.create_connection(address(endpoint), timeout=5.0) as client:
            client.sendall(b"?")
            heard(lambda: endpoint.exchange(b""), b"?")
            begin_s = time.monotonic()
            for _ in range(10000):
                endpoint.exchange(b"x" * 1000)
            assert time.monotonic() - begin_s < 5.0
    finally:
        endpoint.close()


def test_an_unplugged_tcp_port_refuses_and_comes_back_with_its_number() -> None:
    endpoint = TcpEndpoint()
    try:
        before = address(endpoint)
        endpoint.unplug()
        with pytest.raises((ConnectionRefusedError, TimeoutError)):
            socket.create_connection(before, timeout=1.0)
        endpoint.plug()
        with socket.create_connection(before, timeout=5.0) as client:
            client.sendall(b"?")
            assert heard(lambda: endpoint.exchange(b""), b"?") == b"?"
    finally:
        endpoint.close()
