"""What a person types, or a device that types as a keyboard does: read, or refused in one sentence."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import acquire
from acquire.config import ConfigError, load_config, parse_config
from acquire.daemon.entries import number_typed
from acquire.records import Refused
from drivers.base import ChannelSettings
from drivers.errors import SettingsError
from drivers.registry import make_instrument
from drivers.typed import LAYOUTS, Typed, read_text

LIFT = {"unit": "in", "low": -0.05, "high": 1.0, "accuracy": 0.001, "reading": "0.001 in"}


def dial(**changes: Any) -> dict[str, object]:
    return {"driver": "typed", "channels": {"lift": {**LIFT, **changes}}}


@pytest.mark.parametrize(
    ("text", "number", "unit"),
    [
        ("0.300", 0.3, ""),
        ("0,300", 0.3, ""),
        (".3", 0.3, ""),
        (",3", 0.3, ""),
        ("28.", 28.0, ""),
        ("+0.300", 0.3, ""),
        ("-0.05", -0.05, ""),
        ("\u22120.05", -0.05, ""),
        ("  + 0.300 ", 0.3, ""),
        ("7.62 mm", 7.62, "mm"),
        ("0.3in", 0.3, "in"),
        ("28.1 inH2O", 28.1, "inH2O"),
        ("\uff12\uff18\uff0e\uff11", 28.1, ""),
        ("\uff0b\uff10\uff0c\uff13", 0.3, ""),
        ("\u3000\uff12\uff18", 28.0, ""),
    ],
)
def test_a_number_is_read_with_its_sign_decimal_sign_and_unit(text: str, number: float, unit: str) -> None:
    assert read_text(text) == (number, unit)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        # unshifted digit rows, as the layouts' charts show them (from memory)
        ("&é\"'(", 12345.0),
        ("è_çà", 7890.0),
        ("éè_;&", 278.1),
        ("éè_:&", 278.1),
        ('à,"àà', 0.3),
        ("&§", 16.0),
        ("é!.&", 28.1),
        ("šč,ř", 34.5),
        ("ľšč", 234.0),
        ("í", 9.0),
        ("à", 0.0),
        ("+é_;&", 28.1),
    ],
)
def test_the_unshifted_digits_of_other_layouts_are_read_where_one_number_can_be_meant(text: str, number: float) -> None:
    assert read_text(text) == (number, "")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("é", "may mean 0 or 2"),  # French 2, Czech 0
        ("-é", "may mean"),  # French 62, or minus something
        ("+š", "may mean 3 or 13"),  # Czech 13, or plus 3
        ("-", "is not a number"),
        ("'", "is not a number"),
        ("+", "is not a number"),
        ("1é", "is not a number"),
        ("1,234.5", "is not a number"),
        ("1.234,5", "is not a number"),
        ("1 234", "is not a number"),
        ("0.3.1", "is not a number"),
        ("nan", "is not a number"),
        ("inf", "is not a number"),
        ("5²", "is not a number"),
        ("½", "is not a number"),
        ("\u0661\u0662", "is not a number"),
        ("1_000", "is not a number"),
        ("HL-0427", "is not a number"),
        ("", "is not a number"),
        (".", "is not a number"),
    ],
)
def test_what_may_be_two_numbers_or_none_is_refused(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_text(text)


def read_or_refused(text: str) -> tuple[float, str] | str:
    try:
        return read_text(text)
    except ValueError as error:
        return str(error)


@given(st.decimals(0, 999, places=3), st.sampled_from(sorted(LAYOUTS)), st.sampled_from(".,;:"))
def test_digits_of_another_layout_never_become_another_number(its: Any, layout: str, point: str) -> None:
    plain = f"{its:.3f}"
    text = "".join(point if sign == "." else LAYOUTS[layout][int(sign)] for sign in plain)
    read = read_or_refused(text)
    assert read == (float(plain), "") or (isinstance(read, str) and "may mean" in read)


@given(st.text(max_size=12))
def test_any_text_is_a_finite_number_or_one_sentence(text: str) -> None:
    read = read_or_refused(text)
    assert "\n" not in read if isinstance(read, str) else abs(read[0]) < 1e13


# ---------------------------------------------------------------- against a channel


def lift_of(text: str) -> float:
    return number_typed("lift", text, ChannelSettings(unit="in", low=-0.05, high=1.0), "conventional")


def test_another_unit_of_the_same_kind_is_converted_whatever_its_capitals() -> None:
    # one inch is 25.4 mm exactly
    assert lift_of("7.62 mm") == pytest.approx(0.3, abs=1e-12)
    assert lift_of("7.62 MM") == pytest.approx(0.3, abs=1e-12)
    assert lift_of("0.3 IN") == 0.3
    assert lift_of("300 thou") == pytest.approx(0.3, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("28 inH2O", "no unit of length; the lift is typed in in"),
        ("0.3 x", "no unit of length"),
        ("1e3", "no unit of length"),
        ("3", "outside -0.05 to 1 in"),
        ("28 mm", "outside -0.05 to 1 in"),
        ("  ", "Nothing was typed: type the lift in in"),
    ],
)
def test_another_quantity_and_what_lies_off_the_scale_are_refused(text: str, why: str) -> None:
    with pytest.raises(Refused, match=why):
        lift_of(text)


# ---------------------------------------------------------------- settings


def test_a_typed_instrument_has_no_port_and_its_readability_is_its_digit() -> None:
    made = make_instrument("dial", dial())
    assert isinstance(made, Typed)
    settings = made.settings.channels["lift"]
    assert (settings.resolution, settings.zero_resolution) == (0.001, 0.001)
    assert made.sample("lift", 5, 0.3) == ("lift", 5, 0.3, "typed://dial")
    with pytest.raises(SettingsError, match="no port"):
        made.parser()


@pytest.mark.parametrize(
    ("table", "why"),
    [
        (dial(reading="0.02 mm"), "in the channel's own unit"),
        (dial(reading="0 in"), "above zero"),
        (dial(reading=0.001), "in the channel's own unit"),
        (dial(high=None), "needs low and high"),
        (dial(scale=2.0), "scale does not belong to a typed channel"),
        (dial(resolution=0.001), "resolution does not belong"),
        (dial() | {"port": "COM3"}, "port does not belong"),
        ({"driver": "typed", "channels": {}}, "at least one is needed"),
        ({"driver": "typed", "channels": {"lift": {"unit": "in", "low": 0.0, "high": 1.0}}}, "reading: this key"),
        (
            {"driver": "typed", "channels": {"room_pressure": {**LIFT, "unit": "kPa", "reading": "0.1 kPa"}}},
            "only lift",
        ),
    ],
)
def test_settings_that_cannot_work_are_said_in_one_sentence(table: dict[str, object], why: str) -> None:
    with pytest.raises(SettingsError, match=why):
        make_instrument("dial", table)


CONFIG = Path(acquire.__file__).parent.parent / "config" / "typed_bench.toml"


def test_the_example_of_a_typed_bench_is_whole() -> None:
    its = load_config(CONFIG)
    instruments = its.make_instruments()
    assert [made.typed for made in instruments] == [True, True]
    assert {name for made in instruments for name in made.settings.channels} == {
        "lift", "test_pressure", "meter_pressure",
    }  # fmt: skip
    assert its.room.pressure_pa is not None


def test_a_channel_that_is_typed_twice_is_refused() -> None:
    text = CONFIG.read_text(encoding="utf-8").replace("channels.meter_pressure", "channels.lift", 1)
    with pytest.raises(ConfigError, match="lift"):
        parse_config(text, "typed.toml")
