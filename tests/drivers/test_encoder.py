"""Encoder counts: from lines and registers to a lift that does not jump where the counter rolls over."""

import struct
from typing import Any

import hypothesis
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.calibration.record import Calibration
from acquire.scaling import calibrated, line_of, number_of, scale_for, settings_from_json
from drivers.base import ChannelSettings, Parser
from drivers.errors import SettingsError
from drivers.registry import make_instrument
from drivers.sample import Sample
from tests.drivers.test_modbus import reply

INCH_M = 0.0254
quick = hypothesis.settings(max_examples=25)
LIFT: dict[str, Any] = {"unit": "in", "signal": "count", "counts_per_unit": 5000, "low": -0.1, "high": 1.2}
SIXTEEN = {**LIFT, "rolls_over_at": 65536}


def settings(**keys: Any) -> ChannelSettings:
    return ChannelSettings(**{**SIXTEEN, **keys})


def modbus(kind: str, **keys: Any) -> Parser:
    channel = {**LIFT, "register": 4, "type": kind, **keys}
    return make_instrument("bus", {"driver": "modbus_rtu", "port": "/dev/none", "channels": {"lift": channel}}).parser()


def lines(**keys: Any) -> Parser:
    table = {"driver": "lines_streamed", "port": "/dev/none", "pattern": r"(?P<lift>[-+]?\d+(\.\d+)?)"}
    return make_instrument("dro", {**table, "channels": {"lift": {**SIXTEEN, **keys}}}).parser()


# of the register's width and of the sign it is read with: the same turns of the same shaft
@pytest.mark.parametrize(("kind", "code"), [("int16", ">H"), ("uint16", ">H"), ("int32", ">I"), ("uint32", ">I")])
@quick
@given(counts=st.lists(st.integers(-500, 6000), max_size=20), preset=st.sampled_from([0, 1000, 32767, 65535]))
def test_a_register_that_rolls_over_makes_no_jump(kind: str, code: str, counts: list[int], preset: int) -> None:
    """The lift is that of a counter without end, whichever way the register shows it."""
    its, turn = modbus(kind, preset=preset), 1 << 8 * struct.calcsize(code)
    scale = scale_for(settings(preset=preset, rolls_over_at=turn), "60F")
    for count in counts:
        its.ask()
        words = struct.pack(code, (preset + count) % turn)
        (sample,) = its.feed(reply(1, 4, *struct.unpack(f">{len(words) // 2}H", words)), 7)
        assert isinstance(sample, Sample)
        assert scale.si(sample.value) == pytest.approx(count / 5000 * INCH_M, abs=1e-12)


def test_a_register_of_16_bits_is_kept_as_received() -> None:
    its = modbus("uint16")
    its.ask()
    assert its.feed(reply(1, 4, 65530), 7) == [Sample("lift", 7, 65530.0, "serial:///dev/none")]


@given(count=st.integers(-(2**15), 2**15 - 1), preset=st.integers(-(2**15), 2**16 - 1))
def test_one_place_is_one_lift_however_the_counter_shows_it(count: int, preset: int) -> None:
    its = settings(preset=preset)
    shown = [preset + count, (preset + count) % 65536, (preset + count + 32768) % 65536 - 32768]
    assert [its.quantity(float(n)) for n in shown] == [pytest.approx(count / 5000)] * 3
    many = scale_for(its, "60F").si(np.array(shown, dtype=float))
    assert many == pytest.approx(np.full(3, count / 5000 * INCH_M))
    assert [scale_for(its, "60F").si(float(n)) for n in shown] == many.tolist()


def test_a_decimal_counter_rolls_over_at_its_last_digit() -> None:
    its = settings(rolls_over_at=1_000_000)
    assert [its.quantity(n) for n in (999_999.0, 0.0, 1.0)] == pytest.approx([-0.0002, 0.0, 0.0002])


@pytest.mark.parametrize(("falls", "lift"), [(False, 0.3), (True, -0.3)])
def test_the_direction_turns_the_lift_round(falls: bool, lift: float) -> None:
    its = settings(count_falls=falls, low=-1.0)
    assert its.quantity(1500.0) == pytest.approx(lift)
    assert number_of(its, lift) == pytest.approx(1500.0)
    assert its.in_range(1500.0)


def test_one_count_is_the_digit_unless_another_is_given() -> None:
    assert settings().resolution == pytest.approx(1 / 5000)
    assert settings(resolution=0.001).resolution == 0.001


def test_what_is_kept_of_the_channel_gives_the_same_lift() -> None:
    its = settings(preset=32767, count_falls=True)
    kept = settings_from_json(its.model_dump_json())
    assert kept == its
    assert kept.quantity(32000.0) == its.quantity(32000.0) == pytest.approx(767 / 5000)


def test_a_calibration_is_of_the_count_in_its_turn() -> None:
    own = settings()
    made = Calibration(
        made_utc="2026-01-02T00:00:00+00:00",
        channel="lift",
        instrument="dro",
        unit="in",
        coefficients=(0.0005, 1 / 4990),
    )
    its = calibrated(own, made, "60F")
    assert its.quantity(65526.0) == its.quantity(-10.0) == pytest.approx(0.0005 - 10 / 4990)
    assert scale_for(its, "60F").si(65526.0) == pytest.approx(its.quantity(-10.0) * INCH_M)
    assert line_of(own).scale == pytest.approx(1 / 5000)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"12.5", "12.5 is no count: it is not a whole number"),
        (b"70000", "70000 is no count of a counter that rolls over at 65536: correct rolls_over_at"),
        (b"-40000", "-40000 is no count of a counter that rolls over at 65536: correct rolls_over_at"),
        (b"20000", "20000"),  # four inches: out of range
    ],
)
def test_what_cannot_be_a_count_is_not_used(line: bytes, said: str) -> None:
    its = lines()
    assert its.feed(b"\r\n" + line + b"\r\n", 7) == []
    assert (its.counts.out_of_range, its.counts.last_discarded) == (1, said)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"counts_per_unit": None}, "a count needs counts_per_unit: how many counts are one in"),
        ({"counts_per_unit": 0}, "counts_per_unit: must be greater than 0"),
        ({"scale": 2.0}, "a count has counts_per_unit and preset in place of scale and offset"),
        ({"high": None}, "a counter that rolls over needs low and high, the ends of the travel"),
        ({"counts_per_unit": 25400}, "begins again after 2.58 in: low and high may be 0.645 in from zero at most"),
        ({"signal": ""}, 'need signal = "count"'),
        ({"at_low": 1.0}, "at_low and at_high belong to a signal"),
        ({"counts_per": 5}, "did you mean counts_per_unit?"),
    ],
)
def test_what_cannot_work_is_said_in_one_sentence(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(SettingsError) as error:
        lines(**keys)
    assert said in str(error.value)
    assert str(error.value).startswith("channels.lift")


@quick
@given(data=st.lists(st.binary(max_size=80)), kind=st.sampled_from(["int16", "uint32"]))
def test_random_bytes_never_raise(data: list[bytes], kind: str) -> None:
    for its in (lines(), modbus(kind)):
        for chunk in data:
            its.ask()
            for sample in its.feed(chunk, 7):
                assert isinstance(sample, Sample)
                assert -0.1 <= settings().quantity(sample.value) <= 1.2
