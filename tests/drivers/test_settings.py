"""A wrong entry is refused with one sentence that starts with its key and says what to do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import ChannelSettings
from drivers.errors import SettingsError
from drivers.registry import make_instrument
from drivers.sample import Sample
from tests.drivers.families import FAMILIES, Family

STREAMED, ASKED, BUTTON = FAMILIES
every_family = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.driver)


def refusal(table: dict[str, object]) -> str:
    with pytest.raises(SettingsError) as said:
        make_instrument("gauge", table)
    sentence = str(said.value)
    assert "\n" not in sentence
    return sentence


@every_family
def test_an_unknown_key_is_refused_with_the_nearest_known_one(family: Family) -> None:
    assert refusal(family.table(patern="x")).startswith("patern: no such key (did you mean pattern?)")
    channels = {"lift": {"field": "l", "unit": "mm", "scael": 2}}
    sentence = refusal(family.table(channels=channels))
    assert sentence.startswith("channels.lift.scael: no such key (did you mean scale?)")


@every_family
@pytest.mark.parametrize("key", ["driver", "port", "pattern", "channels"])
def test_a_missing_key_is_named(family: Family, key: str) -> None:
    table = family.table()
    del table[key]
    assert refusal(table).startswith(f"{key}: this key is needed")


def test_a_misspelt_key_is_said_rather_than_the_one_it_should_have_been() -> None:
    table = STREAMED.table(patern="x")
    del table["pattern"]
    assert refusal(table).startswith("patern: ")


def test_an_unknown_driver_is_refused_with_the_nearest_known_one() -> None:
    sentence = refusal(STREAMED.table() | {"driver": "lines_stream"})
    assert sentence.startswith("driver: no such driver 'lines_stream' (did you mean lines_streamed?)")
    assert "lines_asked" in sentence
    assert refusal(STREAMED.table() | {"driver": 7}).startswith("driver: no such driver 7")


@every_family
def test_a_pattern_that_is_no_regular_expression_is_refused(family: Family) -> None:
    assert refusal(family.table(pattern="(?P<l>")).startswith("pattern: '(?P<l>' is not a valid regular expression (")


@every_family
def test_a_pattern_without_the_channels_group_is_refused(family: Family) -> None:
    sentence = refusal(family.table(pattern=r"(?P<a>\d+) (?P<b>\d+)"))
    assert sentence == "channels.lift.field: the pattern has no group (?P<l>...), its groups are a, b"
    assert refusal(family.table(pattern=r"\d+")).endswith("it has no named group")


def test_a_channel_without_field_takes_the_group_of_its_own_name() -> None:
    table = STREAMED.table(pattern=r"(?P<lift>\d+)", channels={"lift": {"unit": "mm"}})
    assert make_instrument("gauge", table).parser().feed(b"5\n", 0) == [Sample("lift", 0, 5.0, "serial:///dev/none")]


@pytest.mark.parametrize(
    ("more", "begins"),
    [
        ({"baud": "quick"}, "baud: must be a valid integer"),
        ({"baud": 0}, "baud: must be greater than 0"),
        ({"parity": "evn"}, "parity: must be 'none', 'even' or 'odd', but it is 'evn'"),
        ({"port": ""}, "port: "),
        ({"port": "socket://host"}, "port: socket://host must be written as socket://host:number"),
        ({"silent_after_s": math.inf}, "silent_after_s: must be a finite number"),
        ({"channels": {}}, "channels: at least one is needed"),
        ({"channels": {"lift": 5}}, "channels.lift: must be a table, but it is 5"),
        ({"channels": {"lift": {"field": "l"}}}, "channels.lift.unit: this key is needed"),
        ({"channels": {"lift": {"field": "l", "unit": "mm", "low": math.nan}}}, "channels.lift.low: must be a finite"),
        ({"button_pattern": "("}, "button_pattern: '(' is not a valid regular expression"),
        ({"longest_line": 1}, "longest_line: must be greater than or equal to 8"),
    ],
)
def test_a_wrong_value_is_named_with_what_it_must_be(more: dict[str, object], begins: str) -> None:
    assert refusal(STREAMED.table() | more).startswith(begins)


@pytest.mark.parametrize(
    ("request_", "begins"),
    [
        ("", "request: is empty"),
        (r"?\q", r"request: \q is no escape"),
        ("?\\", "request: \\ is no escape"),
        ("€", "request: '€'"),
    ],
)
def test_a_request_that_cannot_be_sent_is_refused(request_: str, begins: str) -> None:
    assert refusal(ASKED.table(request=request_)).startswith(begins)


def test_a_button_pattern_is_for_streams_only() -> None:
    assert refusal(BUTTON.table(button_pattern="x")).startswith("button_pattern: no such key")


@pytest.mark.parametrize(
    ("text", "sent"),
    [
        (r"?\r", b"?\r"),
        ("?\r", b"?\r"),
        (r"\x02P1\x03\n", b"\x02P1\x03\n"),
        (r"a\\r\t\0", b"a\\r\t\0"),
        ("\xb0", b"\xb0"),
    ],
)
def test_a_request_is_sent_with_its_escapes_resolved(text: str, sent: bytes) -> None:
    assert ASKED.make(request=text).parser().ask() == sent


def test_scale_and_offset_apply_to_the_limits_but_not_to_the_sample() -> None:
    its = ChannelSettings(unit="Pa", scale=100.0, offset=-50.0, low=0.0, high=1000.0)
    assert its.quantity(2.0) == 150.0
    assert [its.in_range(number) for number in (0.4, 0.5, 10.5, 10.6, math.nan, 1e308)] == [
        False,
        True,
        True,
        False,
        False,
        False,
    ]
    table = STREAMED.table(channels={"lift": {"field": "l", "unit": "mm", "scale": 2.0, "high": 10.0}})
    items = make_instrument("gauge", table).parser().feed(b"L=+05.000 mm\nL=+05.001 mm\n", 0)
    assert items == [Sample("lift", 0, 5.0, "serial:///dev/none")]


_FEW = st.sampled_from([0.0, 1.0, -1.0, 0.1, -2.5, 3.6, 1e-9, 1e9, 16.0])


@given(
    scale=_FEW,
    offset=_FEW,
    low=st.none() | _FEW,
    high=st.none() | _FEW,
    signal=st.sampled_from(["", "4-20 mA", "0.5-4.5 V"]),
    number=st.floats() | _FEW,
)
def test_the_short_way_to_what_is_in_range_says_the_same_as_the_long_one(
    scale: float, offset: float, low: float | None, high: float | None, signal: str, number: float
) -> None:
    table = {"unit": "Pa", "scale": scale, "offset": offset, "low": low, "high": high, "signal": signal}
    if signal:
        table |= {"at_low": 0.0, "at_high": -500.0}
    its = ChannelSettings.model_validate(table)
    edges = [edge for end in its._sound_span for edge in (end, math.nextafter(end, math.inf), math.nextafter(end, 0))]
    for each in (number, *edges):
        assert its.in_range(each) == its._in_range(each)


def test_what_is_plainly_in_range_takes_the_short_way() -> None:
    for table in ({"low": -10.0, "high": 6000.0}, {}, {"signal": "4-20 mA", "at_low": 0.0, "at_high": 6000.0}):
        low, high = ChannelSettings.model_validate({"unit": "Pa", **table})._sound_span
        assert low < 5.0 < high
