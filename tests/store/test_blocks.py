"""A block gives back every bit and the order."""

import math
import struct
import sys
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.store.blocks import Block, BlockError, decode, encode

INT64 = st.integers(-(2**63), 2**63 - 1)
# any 64 bits are a double: all signs, zeros, infinities, NaN payloads and subnormals among them
DOUBLES = st.integers(0, 2**64 - 1).map(lambda bits: struct.unpack("<d", struct.pack("<Q", bits))[0])
DECIMALS = st.tuples(st.integers(-(10**9), 10**9), st.integers(0, 6)).map(lambda its: its[0] / 10 ** its[1])


def block_of(samples: list[tuple[int, int, float]]) -> Block:
    channel, t_us, value = zip(*samples, strict=True)
    return Block(np.array(channel, np.uint8), np.array(t_us, np.int64), np.array(value, np.float64))


def assert_same(one: Block, other: Block) -> None:
    assert one.channel.tolist() == other.channel.tolist()
    assert one.t_us.tolist() == other.t_us.tolist()
    assert one.value.view(np.uint64).tolist() == other.value.view(np.uint64).tolist()


@given(st.lists(st.tuples(st.integers(0, 255), INT64, DOUBLES), min_size=1, max_size=60))
def test_any_samples_come_back_to_the_bit_and_in_order(samples: list[tuple[int, int, float]]) -> None:
    block = block_of(samples)
    assert_same(decode(encode(block)), block)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 10**9), DECIMALS), min_size=1, max_size=200))
def test_decimals_as_instruments_send_them_come_back_to_the_bit(samples: list[tuple[int, int, float]]) -> None:
    block = block_of(samples)
    assert_same(decode(encode(block)), block)


@pytest.mark.parametrize(
    "values",
    [
        [-0.0, 0.0],
        [math.nan, math.inf, -math.inf],
        [5e-324, sys.float_info.max],
        [2.0**53, 2.0**53 + 2],
        [0.1 + 0.2, 0.3],
        [1e300, 1.5],
        [9007199254740.991, 1e-9],
    ],
)
def test_values_that_no_decimal_can_carry_come_back_to_the_bit(values: list[float]) -> None:
    block = block_of([(7, i, value) for i, value in enumerate(values)])
    assert_same(decode(encode(block)), block)


def test_a_second_of_decimals_takes_less_than_a_third_of_its_plain_size() -> None:
    rng = np.random.default_rng(3)
    samples = [
        (i % 3, 20_000 * (i // 3) + int(rng.integers(300)), round(28 + rng.normal() / 50, 3)) for i in range(300)
    ]
    assert len(encode(block_of(samples))) < 17 * len(samples) / 3


def damage(data: bytes, how: str) -> bytes:
    if how == "cut":
        return data[:-3]
    if how == "bit":
        return data[:-8] + bytes([data[-8] ^ 0x10]) + data[-7:]
    if how == "format":
        return b"\x63" + data[1:]
    if how == "count":
        return data[:1] + struct.pack("<I", 2) + data[5:]
    return b""


@pytest.mark.parametrize("how", ["cut", "bit", "format", "count", "empty"])
def test_damaged_bytes_are_refused_and_never_read_as_samples(how: str) -> None:
    data = encode(block_of([(0, i, i / 10) for i in range(50)]))
    with pytest.raises(BlockError):
        decode(damage(data, how))


def test_the_described_format_can_be_read_without_this_package() -> None:
    """Follows the description kept in every archive, word by word, in plain Python."""
    samples = [(2, 1_000_000, 28.013), (0, 1_000_000, -0.5), (2, 1_020_003, 28.009), (9, 999_000, 1 / 3)]
    data = encode(block_of(samples))
    form, n, t0_us, c = struct.unpack("<BIqH", data[:15])
    assert (form, n, c) == (1, 4, 3)
    body = zlib.decompress(data[15:])
    decimals, order = body[:c], body[c : c + n]
    planes = [body[c + n + k * n : c + n + (k + 1) * n] for k in range(16)]

    def words(first: int) -> list[int]:
        return [sum(planes[first + k][i] << 8 * k for k in range(8)) for i in range(n)]

    def unzigzag(z: int) -> int:
        return (z >> 1) ^ -(z & 1)

    grouped = sorted(range(n), key=lambda i: order[i])
    times, t = {}, t0_us
    for i, z in zip(grouped, words(0), strict=True):
        t += unzigzag(z)
        times[i] = t
    digits = dict(zip(sorted(set(order)), decimals, strict=True))
    values: dict[int, float] = {}
    before: dict[int, int] = {}
    for i, word in zip(grouped, words(8), strict=True):
        if digits[order[i]] == 255:
            values[i] = struct.unpack("<d", struct.pack("<Q", word))[0]
        else:
            before[order[i]] = before.get(order[i], 0) + unzigzag(word)
            values[i] = before[order[i]] / 10 ** digits[order[i]]
    assert [(order[i], times[i], values[i]) for i in range(n)] == samples
