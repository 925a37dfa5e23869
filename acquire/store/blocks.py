"""One block of samples as bytes and back, exact to the bit and in order.

The format is described for other readers in ``schema.BLOCK_FORMAT``.
Instruments send decimals, so most values are a short integer over a power of
ten; kept as differences of those integers they need a third of the space.
"""

import struct
import zlib
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_HEADER = struct.Struct("<BIqH")
_FORMAT = 1
_MOST_DECIMALS = 9
_NO_DECIMALS = 255
_LARGEST_EXACT = 2.0**53


class BlockError(ValueError):
    """The bytes are not a block, or are damaged."""


class Block(NamedTuple):
    """Samples in the order of arrival: channel number (uint8), time (int64, us), value (float64)."""

    channel: NDArray[np.uint8]
    t_us: NDArray[np.int64]
    value: NDArray[np.float64]


def encode(block: Block) -> bytes:
    """A block as bytes; it needs at least one sample."""
    count = len(block.channel)
    channels, starts = np.unique(np.sort(block.channel), return_index=True)
    grouped = np.argsort(block.channel, kind="stable")
    times = block.t_us[grouped]
    values = block.value[grouped]
    words = np.empty(count, np.uint64)
    decimals = bytearray()
    for start, end in zip(starts, [*starts[1:], count], strict=True):
        digits, words[start:end] = _to_words(values[start:end])
        decimals.append(digits)
    t0_us = int(times[0])
    body = bytes(decimals) + block.channel.tobytes() + _planes(_zigzag_steps(times, t0_us)) + _planes(words)
    return _HEADER.pack(_FORMAT, count, t0_us, len(channels)) + zlib.compress(body, 1)


def decode(data: bytes) -> Block:
    """What :func:`encode` was given. Raises :class:`BlockError`."""
    try:
        form, count, t0_us, channel_count = _HEADER.unpack_from(data)
        body = zlib.decompress(data[_HEADER.size :])
    except (struct.error, zlib.error) as error:
        raise BlockError(str(error)) from error
    if form != _FORMAT or len(body) != channel_count + 17 * count:
        raise BlockError(f"format {form} with {len(body)} bytes for {count} samples")
    channel = np.frombuffer(body, np.uint8, count, channel_count)
    counts = np.bincount(channel)
    ends = np.cumsum(counts[counts > 0]).tolist()
    if len(ends) != channel_count:
        raise BlockError(f"{len(ends)} channels where {channel_count} were announced")
    times, words = _words(body, count, channel_count + count)
    wholes = _steps(words)
    grouped = np.argsort(channel, kind="stable")
    values = np.empty(count, np.float64)
    for digits, start, end in zip(body[:channel_count], [0, *ends[:-1]], ends, strict=True):
        if digits == _NO_DECIMALS:
            values[start:end] = words[start:end].view(np.float64)
        else:
            values[start:end] = np.cumsum(wholes[start:end]) / 10.0**digits
    t_us = np.empty(count, np.int64)
    value = np.empty(count, np.float64)
    t_us[grouped] = np.cumsum(_steps(times)) + t0_us
    value[grouped] = values
    return Block(channel, t_us, value)


def _to_words(values: NDArray[np.float64]) -> tuple[int, NDArray[np.uint64]]:
    bits = values.view(np.int64)
    with np.errstate(over="ignore", invalid="ignore"):
        for digits in range(_MOST_DECIMALS + 1):
            scaled = np.rint(values * 10.0**digits)
            if not bool(np.all(np.abs(scaled) < _LARGEST_EXACT)):
                break
            whole = scaled.astype(np.int64)
            if np.array_equal((whole / 10.0**digits).view(np.int64), bits):
                return digits, _zigzag_steps(whole, 0)
    return _NO_DECIMALS, values.view(np.uint64)


def _zigzag_steps(values: NDArray[np.int64], start: int) -> NDArray[np.uint64]:
    steps = np.diff(values, prepend=np.int64(start))
    return ((steps << 1) ^ (steps >> 63)).view(np.uint64)


def _steps(zigzag: NDArray[np.uint64]) -> NDArray[np.int64]:
    return (zigzag >> np.uint64(1)).view(np.int64) ^ -(zigzag & np.uint64(1)).view(np.int64)


def _planes(words: NDArray[np.uint64]) -> bytes:
    return words.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8).T.tobytes()


def _words(body: bytes, count: int, offset: int) -> NDArray[np.uint64]:
    """Both rows of words, of the times and of the values; shape (2, n)."""
    planes = np.frombuffer(body, np.uint8, 16 * count, offset).reshape(2, 8, count)
    words = np.ascontiguousarray(planes.transpose(0, 2, 1)).view("<u8")
    return words.reshape(2, count).astype(np.uint64, copy=False)
