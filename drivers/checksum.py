"""Checksums that instruments put in their lines: what they cover and what they are goes by the pattern's groups.

Names and parameters of the CRCs as in G. Cook's Catalogue of parametrised CRC
algorithms (its check values from memory: tests/faults/test_checksums.py).
"""

import re
from collections.abc import Callable
from typing import Literal

Checksum = Literal["", "sum", "xor", "crc8", "crc16_modbus", "crc16_ccitt"]
COVERED, CHECK = "checked", "check"
"""The pattern's groups: the text that is covered, and its checksum in hexadecimal digits."""


def _xor(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
    return value


def _crc8(data: bytes) -> int:
    """CRC-8/SMBUS: polynomial 0x07, from 0."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ 0x07 if value & 0x80 else value << 1) & 0xFF
    return value


def crc16_modbus(data: bytes) -> int:
    """CRC-16/MODBUS: polynomial 0x8005 reflected, from 0xFFFF."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


def _crc16_ccitt(data: bytes) -> int:
    """CRC-16/IBM-3740, often called CCITT: polynomial 0x1021, from 0xFFFF."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


KINDS: dict[str, Callable[[bytes], int]] = {
    "sum": lambda data: sum(data) & 0xFF,
    "xor": _xor,
    "crc8": _crc8,
    "crc16_modbus": crc16_modbus,
    "crc16_ccitt": _crc16_ccitt,
}


def holds(kind: Checksum, match: re.Match[str], codec: str) -> bool:
    """Whether the line's checksum is that of what it covers; true where it has none."""
    if not kind:
        return True
    covered, check = match[COVERED], match[CHECK]
    try:
        return covered is not None and int(check, 16) == KINDS[kind](covered.encode(codec))
    except (TypeError, ValueError):
        return False
