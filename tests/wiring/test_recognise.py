"""Bytes to proposals: whatever shape lines have, the shipped parser reads from them the numbers that were sent."""

import math
import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acquire.wiring.listen import SPEEDS
from acquire.wiring.recognise import Reading, press_pattern, read, recognise
from tests.wiring.uart import Parity, levels, received


def fields(reading: Reading) -> list[str]:
    return [field.name for field in reading.fields]


def numbers(reading: Reading, data: bytes) -> dict[str, list[float]]:
    names = fields(reading)
    samples = read(reading, names, data)
    return {name: [sample.value for sample in samples if sample.channel == name] for name in names}


# what is sent while nothing moves, the pattern wanted, and a line from the same device when much does
LINES = [
    ("P1 {:.4f} P2 {:.4f}\r\n", {"p1": 28.0131, "p2": -0.25}),
    ("dp={:.3f} q={:.3f}\n", {"dp": -12.5, "q": 101.25}),
    ("{:+.4f} in\r", {"n1": -0.125}),
    ("01A{:+011.4f}\r", {"n1": -0.2995}),
    ("{:.2f},{:.2f},{:.1f}\r\n", {"n1": 28.5, "n2": -6.25, "n3": 71.5}),
    ("{:.2f}, {:.2f}\r\n", {"n1": 28.5, "n2": -6.25}),
    ("{:.2f}\t{:.2f}\r\n", {"n1": 28.5, "n2": -6.25}),
    ("{:.3f};{:.3f}\n", {"n1": 28.5, "n2": -6.25}),
    ("{:8.3f}{:8.3f}\r\n", {"n1": 128.5, "n2": -26.25}),
    ("{:10.3f} inH2O {:10.3f} inH2O\r\n", {"n1": 128.5, "n2": -26.25}),
    ("{:08.3f} kPa\n", {"n1": -99.5}),
    ("T:{: .2f} RH:{: .1f}\n", {"t": -3.25, "rh": 45.5}),
    ("ST,GS,{:+8.3f} kPa\r\n", {"gs": -12.5}),
    ('{{"p": {:.3f}, "q": {:.3f}}}\n', {"p": 28.125, "q": -0.5}),
    ("\x02{:.1f}\x03\r\n", {"n1": -28.5}),
    ("{:.3e} {:.3e}\n", {"n1": 28.5, "n2": -0.00625}),
    ("2026-01-02 12:30:05 {:.2f} mbar\n", {"n1": 280.25}),
    ("12:30 {:.2f}\n", {"n1": 280.25}),
    ("$PXFLO,{:.2f},{:.2f}*5A\r\n", {"pxflo": 28.25, "n2": -6.5}),
    ("CH1:{:.2f}mm CH2:{:.2f}mm\r\n", {"ch1": 12.75, "ch2": -0.25}),
    ("T{:.0f}\n", {"t": -213.0}),
    ("{:.3f} \N{DEGREE SIGN}C\n", {"n1": -10.125}),
]


@pytest.mark.parametrize(("form", "later"), LINES)
def test_a_line_learned_at_rest_is_read_when_everything_moves(form: str, later: dict[str, float]) -> None:
    rng = random.Random(1)
    rest = "".join(form.format(*(rng.uniform(0.0, 2.4) for _ in later)) for _ in range(12))
    heard = recognise(rest.encode())
    assert heard.kind == "lines"
    reading = heard.readings[0]
    assert fields(reading) == list(later)
    moved = form.format(*later.values()).encode()
    assert numbers(reading, moved) == {name: [value] for name, value in later.items()}


@pytest.mark.parametrize(
    ("form", "names", "units"),
    [
        ("{:.2f} kPa {:.1f} \N{DEGREE SIGN}C {:.0f} %RH\n", 3, ["kPa", "C", "%RH"]),
        ("{:.2f}inHg {:.1f}F\n", 2, ["inHg", "F"]),
        ("{:.3f} inWC,{:.3f} in H2O\n", 2, ["inH2O", "inH2O"]),
        ("BARO {:.2f} hPa TM {:.2f} C\n", 2, ["hPa", "C"]),
        ("P={:.3f} Q={:.3f}\n", 2, ["", ""]),
    ],
)
def test_a_unit_beside_its_number_is_known(form: str, names: int, units: list[str]) -> None:
    rng = random.Random(2)
    data = "".join(form.format(*(rng.uniform(10, 99) for _ in range(names))) for _ in range(9)).encode()
    assert [field.unit for field in recognise(data).readings[0].fields] == units


def test_damaged_lines_are_refused_by_the_pattern_that_is_proposed() -> None:
    data = "".join(f"P1 {i / 7:.4f} P2 {i / 9:.4f}\r\n" for i in range(20)).encode()
    reading = recognise(data).readings[0]
    for damaged in (b"P1 28.01 P2 6.2210\r\n", b"P1 28.0131 P2 6.2\r\n", b"1 28.0131 P2 6.2210\r\n", b"P1 28.0131\r\n"):
        assert not any(numbers(reading, damaged).values()), damaged


labels = st.sampled_from(["", "", "P=", "dp:", "X ", "Lift = ", "$A,", "p_2=", "#"])
units = st.sampled_from(["", "", " in", "mm", " kPa", " C", " %"])
separators = st.sampled_from([",", ", ", ";", "\t", " ", "  ", " | "])
ends = st.sampled_from(["\r\n", "\n", "\r"])
number_forms = st.builds(
    lambda sign, pad, width, decimals: f"{{:{sign}{pad}{width}.{decimals}f}}",
    st.sampled_from(["", "+", " "]),
    st.sampled_from(["", "0"]),
    st.sampled_from(["", "9"]),
    st.integers(1, 4),
)
columns = st.lists(st.tuples(labels, number_forms, units), min_size=1, max_size=4)


@given(columns, separators, ends, st.integers(0, 2**32), st.sampled_from([0.9, 9.9, 300.0]))
@settings(max_examples=50, deadline=None)
@example([("", "{: 9.1f}", ""), ("", "{: 9.1f}", "")], " ", "\n", 0, 300.0)
def test_whatever_the_form_of_the_lines_every_number_comes_back_as_it_was_sent(
    told: list[tuple[str, str, str]], separator: str, end: str, seed: int, size: float
) -> None:
    rng = random.Random(seed)
    form = separator.join(label + number + unit for label, number, unit in told) + end
    rows = [[rng.uniform(-size, size) for _ in told] for _ in range(15)]
    data = "".join(form.format(*row) for row in rows).encode()
    heard = recognise(data)
    assert heard.kind == "lines", form
    reading = heard.readings[0]
    assert len(reading.fields) == len(told)
    # the first line is not used: whoever begins to listen hears the end of one
    got = numbers(reading, data)
    for column, (name, (_, number, _)) in enumerate(zip(fields(reading), told, strict=True)):
        sent = [float(number.format(row[column]).replace(" ", "")) for row in rows]
        assert got[name] == sent, form


@given(st.binary(max_size=4000), st.booleans())
@settings(max_examples=150, deadline=None)
def test_no_bytes_whatever_end_the_looking(data: bytes, streams: bool) -> None:
    heard = recognise(data, streams=streams)
    assert (heard.kind == "lines") == bool(heard.readings)
    for reading in heard.readings:
        assert all(math.isfinite(value) for values in numbers(reading, data).values() for value in values)


@given(st.text(alphabet="0123456789.,+-eE PQ\t\r\n=;\x02", max_size=400), st.booleans())
@settings(max_examples=120, deadline=None)
def test_what_looks_like_numbers_is_only_proposed_when_the_shipped_parser_reads_it(text: str, streams: bool) -> None:
    for reading in recognise(text.encode(), streams=streams).readings:
        shape = reading.shapes[0]
        again = numbers(reading, "".join(f"{line}\n" for line in shape.lines).encode())
        assert len(again[reading.fields[0].name]) == len(shape.lines) > 0


def test_silence_is_silence_and_a_line_held_low_is_no_text() -> None:
    assert recognise(b"").kind == "silence"
    assert recognise(b"\x00" * 50).kind == "not text"


TEXT = "".join(f"P1 {i / 7:.4f} P2 {i / 90:.4f}\r\n" for i in range(30)).encode()


@pytest.mark.parametrize("sent", [1200, 9600, 19200, 115200])
@pytest.mark.parametrize("read_at", SPEEDS)
def test_lines_are_only_found_at_the_speed_at_which_they_are_sent(sent: int, read_at: int) -> None:
    heard = recognise(received(levels(TEXT), sent, read_at))
    assert heard.kind == ("lines" if sent == read_at else "not text")


@pytest.mark.parametrize(("parity", "stop"), [("even", 1), ("odd", 1), ("none", 2)])
def test_seven_bits_are_told_from_the_parity_of_what_comes(parity: Parity, stop: int) -> None:
    data = received(levels(TEXT, 7, parity, stop), 9600, 9600)
    heard = recognise(data)
    assert (heard.kind, heard.seven_bits) == ("not text", (parity, stop))


def test_boot_text_before_the_lines_does_not_hide_them() -> None:
    boot = b"\x00\xf8\x80front end, firmware 2.3\r\nadc self test 17 ok\r\nP1 and P2 in inH2O, 50 lines a second\r\n"
    heard = recognise(boot + TEXT)
    assert heard.kind == "lines"
    assert fields(heard.readings[0]) == ["p1", "p2"]


def test_boot_text_alone_is_text_and_no_reading() -> None:
    heard = recognise(b"\r\nready.\r\nself test 3 of 7 ok\r\ncalibration 12 loaded\r\nwaiting\r\n")
    assert heard.kind == "text"


def test_numbers_that_never_end_a_line_are_said_to_be_none() -> None:
    assert recognise(b"28.1 28.2 28.3 28.2 ").kind == "no lines"


def test_a_decimal_comma_is_proposed_first_and_two_numbers_second() -> None:
    data = "".join(f"{i / 7:.2f};{i / 9:.2f}\n" for i in range(9)).replace(".", ",").encode()
    first, second = recognise(data).readings
    assert (first.decimal, len(first.fields)) == (",", 2)
    assert (second.decimal, len(second.fields)) == (".", 4)
    assert numbers(first, b"28,01;-6,22\n") == {"n1": [28.01], "n2": [-6.22]}


def test_commas_between_numbers_with_a_point_are_not_decimal() -> None:
    data = "".join(f"{i / 7:.2f},{i / 9:.2f}\n" for i in range(9)).encode()
    assert [reading.decimal for reading in recognise(data).readings] == ["."]


def test_two_kinds_of_lines_in_turn_are_read_as_one_instrument() -> None:
    data = "".join(f"P {i / 7:.2f} inH2O\nT {20 + i / 9:.1f} C\n" for i in range(9)).encode()
    reading = recognise(data).readings[0]
    assert fields(reading) == ["p", "t"]
    assert numbers(reading, b"T 21.5 C\nP 28.01 inH2O\n") == {"p": [28.01], "t": [21.5]}


def test_a_number_that_is_not_used_is_matched_and_not_kept() -> None:
    data = "".join(f"{i} {i / 7:.2f}\n" for i in range(100, 120)).encode()
    reading = recognise(data).readings[0]
    assert reading.pattern(["", "lift"]) == r"-?\d+ +(?P<lift>-?\d+\.\d{2})"


def test_one_press_is_enough_of_a_line_and_one_line_of_a_stream_is_not() -> None:
    assert recognise(b"01A+00000.2995\r", streams=False).kind == "lines"
    assert recognise(b"x\r01A+00000.2995\r").kind == "text"


def test_the_line_of_a_data_button_is_told_from_the_stream() -> None:
    stream = "".join(f"{0.2 + i / 1e4:+.4f} in\r" for i in range(30)).encode()
    reading = recognise(stream).readings[0]
    pressed = stream + b"B +0.2031 in\r" + stream
    assert press_pattern(pressed, reading, ["lift"]) == r"B *(?P<lift>[-+]\d+\.\d{4}) in"
    assert press_pattern(stream, reading, ["lift"]) == ""
    assert press_pattern(stream + b"error\r" + stream, reading, ["lift"]) == ""


def test_what_the_shipped_parser_does_not_read_is_not_proposed() -> None:
    # as numbers they are infinite, which the parser discards
    assert recognise(b"1e999 2\r\n" * 12).kind == "text"
