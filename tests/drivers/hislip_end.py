"""An instrument on the LAN for tests: the server's side of HiSLIP 1.0 (IVI-6.1), which pyvisa-py speaks to."""

import contextlib
import socket
import struct
from collections.abc import Callable

# IVI-6.1, table 4: message types, from memory; pyvisa-py on the other end refuses any other
_INITIALIZE, _INITIALIZED, _DATA, _DATA_END = 0, 1, 6, 7
_CLEAR_COMPLETE, _CLEAR_ACKNOWLEDGED, _SIZE, _SIZE_SAID = 8, 9, 15, 16
_ASYNC_INITIALIZE, _ASYNC_INITIALIZED, _ASYNC_CLEAR, _ASYNC_CLEARED = 17, 18, 19, 23
_HEADER = struct.Struct("!2sBBIQ")


class HislipEnd:
    """Answers each question with ``answer``; "" is no answer. ``piece`` cuts answers into messages of that length."""

    def __init__(self, answer: Callable[[str], str], piece: int = 1 << 16) -> None:
        self.answer = answer
        self.piece = piece
        self.asked: list[str] = []
        self.clears = 0
        self._listener: socket.socket | None = None
        self._peers: dict[socket.socket, bytes] = {}
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.number = int(probe.getsockname()[1])

    @property
    def port(self) -> str:
        return f"visa://TCPIP0::127.0.0.1::hislip0,{self.number}::INSTR"

    def plug(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.number))
        self._listener.setblocking(False)

    def unplug(self) -> None:
        for each in (*self._peers, self._listener):
            if each:
                each.close()
        self._peers, self._listener = {}, None

    def talk(self) -> None:
        """Do what there is to do now; to be called again and again."""
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError):
            peer, _ = self._listener.accept()
            peer.setblocking(False)
            self._peers[peer] = b""
        for peer in list(self._peers):
            with contextlib.suppress(OSError):
                self._peers[peer] += peer.recv(65536)
            self._messages(peer)

    def _messages(self, peer: socket.socket) -> None:
        held = self._peers[peer]
        while len(held) >= _HEADER.size:
            _, kind, _, parameter, length = _HEADER.unpack_from(held)
            end = _HEADER.size + length
            if len(held) < end:
                break
            self._message(peer, kind, parameter, held[_HEADER.size : end])
            held = held[end:]
        self._peers[peer] = held

    def _message(self, peer: socket.socket, kind: int, parameter: int, payload: bytes) -> None:
        if kind == _INITIALIZE:
            self._send(peer, _INITIALIZED, 0x01000001)
        elif kind == _ASYNC_INITIALIZE:
            self._send(peer, _ASYNC_INITIALIZED, 0)
        elif kind == _SIZE:
            self._send(peer, _SIZE_SAID, 0, struct.pack("!Q", 1 << 20))
        elif kind == _ASYNC_CLEAR:
            self.clears += 1
            self._send(peer, _ASYNC_CLEARED, 0)
        elif kind == _CLEAR_COMPLETE:
            self._send(peer, _CLEAR_ACKNOWLEDGED, 0)
        elif kind in (_DATA, _DATA_END):
            question = payload.decode().strip()
            self.asked.append(question)
            said = self.answer(question).encode()
            parts = [said[i : i + self.piece] for i in range(0, len(said), self.piece)]
            for part in parts:
                self._send(peer, _DATA_END if part is parts[-1] else _DATA, parameter, part)

    @staticmethod
    def _send(peer: socket.socket, kind: int, parameter: int, payload: bytes = b"") -> None:
        with contextlib.suppress(OSError):
            peer.sendall(_HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)
