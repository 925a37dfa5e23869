"""What a receiver makes of a serial line that is sent at another speed, or with other bits.

The line is idle high; a byte is a start bit (low), its bits from the lowest on,
perhaps a parity bit, and stop bits (high): RS-232 practice, after any UART's data sheet.
"""

from typing import Literal

Parity = Literal["none", "even", "odd"]


def levels(data: bytes, data_bits: int = 8, parity: Parity = "none", stop_bits: int = 1, idle: int = 3) -> list[int]:
    """The line's level in each bit's time; ``idle`` bits of rest after every byte."""
    out = [1] * 10
    for byte in data:
        bits = [byte >> i & 1 for i in range(data_bits)]
        check = {"none": [], "even": [sum(bits) % 2], "odd": [1 - sum(bits) % 2]}[parity]
        out += [0, *bits, *check, *([1] * stop_bits), *([1] * idle)]
    return out


def received(line: list[int], sent_baud: int, read_baud: int) -> bytes:
    """The bytes that an 8N1 receiver at ``read_baud`` gets, framing errors as they come."""
    ratio = sent_baud / read_baud
    out = bytearray()
    at, end = 0.0, float(len(line))

    def level(time: float) -> int:
        return line[int(time)] if time < end else 1

    while at < end:
        if level(at) == 1:
            at = int(at) + 1.0 if level(at) == 1 else at
            continue
        out.append(sum(level(at + (1.5 + i) * ratio) << i for i in range(8)))
        at += 9.5 * ratio
        while at < end and level(at) == 0:  # a stop bit that is low: wait for the line to come back
            at += 1.0
    return bytes(out)
