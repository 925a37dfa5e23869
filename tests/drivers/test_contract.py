"""What every family of instruments promises, bytes in, samples out: no port, no clock."""

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import Parser
from drivers.registry import FAMILIES as REGISTERED
from drivers.sample import Press, Sample
from tests.drivers.families import FAMILIES, Family, line

every_family = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.driver)
lifts = st.integers(-1000, 25000).map(lambda thousandths: thousandths / 1000)
line_ends = st.sampled_from([b"\r\n", b"\n", b"\r"])
# anything that is no line end and no good line
noise = st.binary(max_size=300).map(lambda data: data.replace(b"\r", b"").replace(b"\n", b"").replace(b"mm", b""))


def values(items: list[Sample | Press]) -> list[float]:
    return [item.value for item in items if isinstance(item, Sample)]


def feed_split(parser: Parser, data: bytes, cuts: list[int]) -> list[Sample | Press]:
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    items: list[Sample | Press] = []
    for start, end in pairwise(edges):
        items += parser.feed(data[start:end], 7)
    return items


# what is no line of text has the same promises in a file of its own
NO_LINES = {"modbus_rtu": "test_modbus.py", "scpi": "test_scpi.py"}


def test_the_contract_has_a_row_for_every_registered_driver() -> None:
    with_a_wire = {name for name, its in REGISTERED.items() if not its.typed}
    assert {family.driver for family in FAMILIES} | set(NO_LINES) == with_a_wire
    assert all((Path(__file__).parent / name).exists() for name in NO_LINES.values())


@every_family
def test_a_good_line_is_a_sample_with_channel_stamp_and_source(family: Family) -> None:
    items = family.make().parser().feed(line(12.345) + b"\r\n", 4711)
    assert items[0] == Sample("lift", 4711, 12.345, "serial:///dev/none")
    assert items[1:] == ([Press("gauge", 4711)] if family.presses else [])


@every_family
def test_the_source_is_the_configured_one_or_the_url_of_the_port(family: Family) -> None:
    said = family.make(source="sim://front_end").parser().feed(line(1.0) + b"\n", 0)[0]
    assert isinstance(said, Sample)
    assert said.source == "sim://front_end"
    url = family.make("socket://host:4000").parser().feed(line(1.0) + b"\n", 0)[0]
    assert isinstance(url, Sample)
    assert url.source == "socket://host:4000"


@every_family
@given(
    numbers=st.lists(lifts, max_size=8),
    ends=st.lists(line_ends, min_size=8, max_size=8),
    cuts=st.lists(st.integers(0, 200)),
)
def test_any_split_and_any_line_end_give_the_same_samples(
    family: Family, numbers: list[float], ends: list[bytes], cuts: list[int]
) -> None:
    data = b"".join(line(number) + end for number, end in zip(numbers, ends, strict=False))
    assert values(feed_split(family.make().parser(), data, cuts)) == numbers


@every_family
@given(pieces=st.lists(st.one_of(lifts, noise), max_size=10), cuts=st.lists(st.integers(0, 3000), max_size=20))
def test_noise_between_good_lines_never_costs_one(family: Family, pieces: list[float | bytes], cuts: list[int]) -> None:
    data = b"".join((line(p) if isinstance(p, float) else p) + b"\r\n" for p in pieces)
    whole, split = family.make().parser(), family.make().parser()
    good = [p for p in pieces if isinstance(p, float)]
    assert values(whole.feed(data, 7)) == good
    assert values(feed_split(split, data, cuts)) == good
    split.counts.last_discarded = whole.counts.last_discarded
    assert split.counts == whole.counts
    assert whole.counts.bytes == len(data)


@every_family
@given(
    numbers=st.lists(lifts, min_size=1, max_size=6),
    position=st.floats(0, 1, exclude_max=True),
    kind=st.sampled_from(["flip", "drop", "double"]),
    byte=st.binary(min_size=1, max_size=1),
)
def test_one_damaged_byte_never_costs_the_lines_beside_it(
    family: Family, numbers: list[float], position: float, kind: str, byte: bytes
) -> None:
    lines = [line(number) + b"\r\n" for number in numbers]
    data = b"".join(lines)
    at = int(position * len(data))
    put = {"flip": byte, "drop": b"", "double": data[at : at + 1] * 2}[kind]
    got = values(family.make().parser().feed(data[:at] + put + data[at + 1 :], 7))
    # the line feed after a carriage return is, for the framing, where the next line begins
    hit = next(i for i in range(len(lines) + 1) if at < sum(map(len, lines[: i + 1])) - 1 or i == len(lines))
    before, after = numbers[:hit], numbers[hit + 1 :]
    assert got[: len(before)] == before
    assert not after or got[-len(after) :] == after
    assert len(got) <= len(numbers)


@every_family
@pytest.mark.parametrize(
    ("text", "count"),
    [
        (b"L=nan mm", "not_finite"),
        (b"L=-inf mm", "not_finite"),
        (b"L=+25.001 mm", "out_of_range"),
        (b"L=-01.001 mm", "out_of_range"),
        (b"L=+12.34 mm", "garbage_lines"),
        (b"P=+12.345 inH2O", "garbage_lines"),
        (b"x" * 257, "overlong"),
    ],
)
def test_what_is_not_used_is_counted_and_kept_to_be_shown(family: Family, text: bytes, count: str) -> None:
    parser = family.make().parser()
    items = parser.feed(line(1.0) + b"\r\n" + text + b"\r\n" + line(2.0) + b"\r\n", 7)
    assert values(items) == [1.0, 2.0]
    assert sum(isinstance(item, Press) for item in items) == (2 if family.presses else 0)
    assert getattr(parser.counts, count) == 1
    assert parser.counts.discarded == 1
    assert parser.counts.discarded_bytes == len(text)
    assert parser.counts.last_discarded.startswith(text[:20].decode())
    assert len(parser.counts.last_discarded) < 50
    assert (parser.counts.good_lines, parser.counts.samples) == (2, 2)


@every_family
def test_the_limits_themselves_are_in_range(family: Family) -> None:
    assert values(family.make().parser().feed(line(-1.0) + b"\n" + line(25.0) + b"\n", 7)) == [-1.0, 25.0]


@every_family
@given(data=st.lists(st.binary(max_size=600)))
def test_random_bytes_never_raise_and_never_become_a_sample_out_of_range(family: Family, data: list[bytes]) -> None:
    parser = family.make().parser()
    for chunk in data:
        assert all(-1.0 <= value <= 25.0 for value in values(parser.feed(chunk, 7)))
    assert parser.counts.discarded_bytes <= parser.counts.bytes == sum(map(len, data))


@every_family
def test_a_half_line_is_forgotten_when_the_link_is_new(family: Family) -> None:
    parser = family.make().parser()
    assert parser.feed(b"L=+0", 7) == []
    parser.reset()
    items = parser.feed(b"1.000 mm\r\n" + line(2.0) + b"\r\n", 8)
    assert values(items) == [2.0]
    # a stream is joined midway: the end of a line is no fault. Elsewhere it is one
    assert parser.counts.garbage_lines == (0 if family.streams else 1)


@given(cuts=st.lists(st.integers(0, 60), max_size=6))
def test_the_first_rest_and_the_longest_line_are_judged_alike_in_any_split(cuts: list[int]) -> None:
    longest = len(line(1.0))
    data = b"9.876 mm\r\n" + line(1.0) + b"\r\n" + line(2.0) + b"!\r\n" + line(3.0) + b"\r\n"
    parser = FAMILIES[0].make(longest_line=longest).parser()
    parser.reset()
    assert values(feed_split(parser, data, cuts)) == [1.0, 3.0]
    assert (parser.counts.overlong, parser.counts.discarded) == (1, 1)


@every_family
def test_a_half_line_is_not_completed_by_what_comes_much_later(family: Family) -> None:
    parser = family.make().parser()
    parser.feed(b"L=+0", 0)
    late = parser.feed(b"1.000 mm\r\n" + line(2.0) + b"\r\n", 1_000_001)
    assert values(late) == [2.0]
    assert parser.counts.garbage_lines >= 1
    prompt = family.make().parser()
    prompt.feed(b"L=+0", 0)
    assert values(prompt.feed(b"1.000 mm\r\n", 1_000_000)) == [1.0]


@every_family
def test_an_abandoned_reply_takes_its_late_rest_with_it(family: Family) -> None:
    parser = family.make().parser()
    parser.feed(b"L=+0", 0)
    parser.abandon()
    assert values(parser.feed(b"1.000 mm\r\n" + line(2.0) + b"\r\n", 1)) == [2.0]
    parser.abandon()
    assert values(parser.feed(line(3.0) + b"\r\n", 2)) == [3.0]
