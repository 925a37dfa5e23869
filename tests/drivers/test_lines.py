"""What lines of text may look like."""

import pytest

from drivers.base import Parser
from drivers.registry import make_instrument
from drivers.sample import Press, Sample

LIFT: dict[str, object] = {"lift": {"unit": "mm"}}


def parser(pattern: str, channels: dict[str, object] = LIFT, **more: object) -> Parser:
    table: dict[str, object] = {"driver": "lines_streamed", "port": "x", "pattern": pattern, "channels": channels}
    return make_instrument("gauge", table | more).parser()


def values(items: list[Sample | Press]) -> dict[str, float]:
    return {item.channel: item.value for item in items if isinstance(item, Sample)}


@pytest.mark.parametrize(
    ("sent", "value"),
    [
        (b"  12.5 \r\n", 12.5),
        (b"\x0212.5\x03\r\n", 12.5),
        (b"\x0012.5\r\n", 12.5),
        (b"-   0.125\r\n", -0.125),
        (b"+1.25E+01\r\n", 12.5),
    ],
)
def test_padding_marks_and_exponents_are_understood(sent: bytes, value: float) -> None:
    assert values(parser(r"(?P<lift>[-+ \d.E]+)").feed(sent, 0)) == {"lift": value}


@pytest.mark.parametrize("sent", [b"1_000", "٣".encode(), b"OL", b"--", b"1,5", b"0x10", b"1.2.3", b""])
def test_what_only_looks_like_a_number_is_refused(sent: bytes) -> None:
    its = parser(r"<(?P<lift>.*)>")
    assert its.feed(b"<" + sent + b">\n", 0) == []
    assert its.counts.garbage_lines == 1


def test_a_decimal_comma_is_understood_where_it_is_configured() -> None:
    its = parser(r"(?P<lift>[\d.,]+)", decimal=",")
    assert values(its.feed(b"12,5\n", 0)) == {"lift": 12.5}
    assert its.feed(b"1.234,5\n", 0) == []
    assert its.feed(b"12.5\n", 0) == []


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_a_unit_outside_ascii_is_understood_in_both_usual_encodings(encoding: str) -> None:
    its = parser(r"(?P<lift>[\d.]+) °C")
    assert values(its.feed("20.5 °C\n".encode(encoding), 0)) == {"lift": 20.5}


def test_a_pattern_matches_the_whole_line_not_a_part_of_it() -> None:
    its = parser(r"(?P<lift>\d+\.\d+)")
    assert its.feed(b"Z12.5\n12.5 kPa\n", 0) == []
    assert its.counts.garbage_lines == 2


def test_one_line_can_carry_several_channels_and_a_bad_one_does_not_cost_the_others() -> None:
    channels: dict[str, object] = {
        "test_pressure": {"field": "a", "unit": "Pa", "high": 100},
        "meter_pressure": {"field": "b", "unit": "Pa"},
    }
    its = parser(r"(?P<a>\S+) (?P<b>\S+)", channels)
    assert values(its.feed(b"1 2\n", 0)) == {"test_pressure": 1.0, "meter_pressure": 2.0}
    assert values(its.feed(b"OL 2\n", 0)) == {"meter_pressure": 2.0}
    assert values(its.feed(b"101 2\n", 0)) == {"meter_pressure": 2.0}
    assert values(its.feed(b"nan 2\n", 0)) == {"meter_pressure": 2.0}
    counts = its.counts
    assert (counts.garbage_lines, counts.out_of_range, counts.not_finite, counts.good_lines) == (1, 1, 1, 4)


def test_lines_of_different_kinds_carry_their_own_channels() -> None:
    channels: dict[str, object] = {
        "room_temperature": {"field": "t", "unit": "C"},
        "lift": {"field": "l", "unit": "mm"},
    }
    its = parser(r"T=(?P<t>[\d.]+)|L=(?P<l>[\d.]+)", channels)
    assert values(its.feed(b"T=20\n", 0)) == {"room_temperature": 20.0}
    assert values(its.feed(b"L=5\n", 0)) == {"lift": 5.0}
    assert its.counts.discarded == 0


@pytest.mark.parametrize("button", [r"B (?P<lift>[\d.]+)", r"B [\d.]+|PRESSED"])
def test_a_marked_line_in_a_stream_is_a_press(button: str) -> None:
    its = parser(r"(?:B )?(?P<lift>[\d.]+)", button_pattern=button)
    assert values(its.feed(b"1.5\n", 1)) == {"lift": 1.5}
    assert its.counts.presses == 0
    assert its.feed(b"B 2.5\n", 2) == [Sample("lift", 2, 2.5, "serial://x"), Press("gauge", 2)]
    assert its.counts.presses == 1


def test_a_line_that_says_no_more_than_pressed_is_a_press() -> None:
    its = parser(r"(?P<lift>[\d.]+)", button_pattern="PRESSED")
    assert its.feed(b"PRESSED\n", 3) == [Press("gauge", 3)]
    assert its.counts.discarded == 0


def test_a_press_whose_number_cannot_be_used_is_no_press() -> None:
    its = parser(r"(?P<lift>[\d.]+)", {"lift": {"unit": "mm", "high": 5}}, button_pattern=r"B (?P<lift>[\d.]+)")
    assert its.feed(b"B 5.1\nB 1.2.3\n", 0) == []
    assert its.counts.discarded == 2


def test_what_is_shown_of_a_discarded_line_is_short_and_printable() -> None:
    its = parser(r"(?P<lift>[\d.]+)")
    its.feed(b"\x1b[31m\xfe" + b"y" * 100 + b"\n", 0)
    shown = its.counts.last_discarded
    assert shown.startswith(r"\x1b[31m\xfeyyy")
    assert shown.endswith("...")
    assert shown.isprintable()
