"""SCPI instruments: the parser's promises, and whole answers over a real socket."""

import math
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.clock import SystemClock
from drivers.base import Instrument
from drivers.errors import SettingsError
from drivers.registry import make_instrument
from drivers.sample import Sample
from drivers.scpi import ScpiParser
from tests.drivers.far_end import FarEnd, PtyEnd, TcpEnd, reading, wait_for

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
CHANNELS: dict[str, dict[str, Any]] = {
    "test_pressure": {"query": "MEAS:PRES? (@1)", "unit": "Pa", "low": -100.0, "high": 9000.0},
    "room_temperature": {"query": "FETC?", "place": 2, "unit": "C"},
    "room_pressure": {"query": "FETC?", "place": 3, "unit": "Pa"},
}


def make(**more: Any) -> Instrument:
    return make_instrument("logger", {"driver": "scpi", "port": "/dev/none", "channels": CHANNELS, **more})


def ready(**more: Any) -> ScpiParser:
    """A parser that knows its instrument, with an empty error queue."""
    its = make(**more).parser()
    assert isinstance(its, ScpiParser)
    assert its.ask() == b"*IDN?\n"
    assert its.feed(b"Example Works,L-8,0042,1.0\n", 1) == []
    assert its.ask() == b"SYST:ERR?\n"
    its.feed(b'+0,"No error"\n', 1)
    return its


def values(found: list[Any]) -> dict[str, float]:
    return {s.channel: s.value for s in found if isinstance(s, Sample)}


def test_who_it_is_is_asked_first_then_each_query_once_in_turn() -> None:
    its = ready()
    assert its.ask() == b"MEAS:PRES? (@1)\n"
    assert values(its.feed(b"+6.97449E+03\r\n", 2)) == {"test_pressure": 6974.49}
    assert its.ask() == b"FETC?\n"
    assert values(its.feed(b"1.5,21.4,9.931E4\n", 3)) == {"room_temperature": 21.4, "room_pressure": 99310.0}
    assert its.ask() == b"MEAS:PRES? (@1)\n"
    assert make(every_s=0.4).ask_every_s == pytest.approx(0.2)


# SCPI-1999, 7.2.1.4 and 7.2.1.5
@pytest.mark.parametrize(
    ("answer", "count", "said"),
    [
        (b"9.9E37\n", "out_of_range", "beyond the instrument's range"),
        (b"-9.9E+37\n", "out_of_range", "beyond the instrument's range"),
        (b"9.91E37\n", "not_finite", "no number"),
        (b"9001\n", "out_of_range", "9001"),
    ],
)
def test_an_overflow_and_what_is_no_number_are_told_from_readings(answer: bytes, count: str, said: str) -> None:
    its = ready()
    its.ask()
    assert its.feed(answer, 2) == []
    assert getattr(its.counts, count) == 1
    assert said in its.counts.last_discarded


def test_another_instrument_is_never_read_as_this_one() -> None:
    its = make(identity="L-9").parser()
    its.ask()
    its.feed(b"Example Works,L-8,0042,1.0\n", 1)
    assert its.ask() == b"*IDN?\n"
    assert its.counts.last_discarded == "this is Example Works,L-8,0042,1.0, not L-9"


def test_a_query_that_stays_unanswered_has_the_error_queue_read_until_it_is_empty() -> None:
    its = ready()
    its.ask()
    its.abandon()
    assert its.ask() == b"*IDN?\n"
    its.feed(b"Example Works,L-9,0042,1.0\n", 1)
    assert its.ask() == b"SYST:ERR?\n"
    its.feed(b'-113,"Undefined header"\n', 2)
    assert its.counts.last_discarded == "error -113: Undefined header"
    assert its.ask() == b"SYST:ERR?\n"
    its.feed(b'0,"No error"\n', 2)
    assert its.ask() == b"FETC?\n"


def test_a_queue_that_is_full_and_never_empties_does_not_stop_the_readings() -> None:
    its = ready()
    its.ask()
    its.abandon()
    asked = []
    for _ in range(30):
        asked.append(its.ask())
        answers = {b"SYST:ERR?\n": b'-350,"Queue overflow"\n', b"*IDN?\n": b"Example Works,L-9,0042,1.0\n"}
        its.feed(answers.get(asked[-1], b"1,2,3\n"), 2)
    assert b"FETC?\n" in asked


@given(data=st.lists(st.binary(max_size=200)))
def test_random_bytes_never_raise_and_are_no_samples_before_the_instrument_is_known(data: list[bytes]) -> None:
    its = make(identity="nobody has this name").parser()
    for chunk in data:
        its.ask()
        assert its.feed(chunk, 7) == []


answers = st.one_of(
    st.binary(max_size=60),
    st.sampled_from(
        [b"1.5,21.4,9.931E4\n", b"28.5\r\n", b"9.9E37\n", b"9.91E37\n", b'-350,"Queue overflow"\n', b",,\n"]
    ),
    st.lists(st.floats(), min_size=1, max_size=4).map(lambda all_of: ",".join(map(repr, all_of)).encode() + b"\n"),
)


@given(given_answers=st.lists(answers, max_size=12), cuts=st.lists(st.integers(0, 60), max_size=4))
def test_any_answer_in_any_split_gives_the_same_samples_and_never_one_out_of_range(
    given_answers: list[bytes], cuts: list[int]
) -> None:
    whole, split = ready(), ready()
    for answer in given_answers:
        assert whole.ask() == split.ask()
        edges = [0, *sorted(min(cut, len(answer)) for cut in cuts), len(answer)]
        pieces = [one for start, end in pairwise(edges) for one in split.feed(answer[start:end], 7)]
        found = whole.feed(answer, 7)
        assert found == pieces
        assert all(
            -100.0 <= its.value <= 9000.0 for its in found if isinstance(its, Sample) and its.channel == "test_pressure"
        )
        assert all(math.isfinite(its.value) for its in found if isinstance(its, Sample))
    assert split.counts == whole.counts


def test_on_a_new_link_half_an_answer_is_forgotten_and_the_instrument_asked_again_who_it_is() -> None:
    its = ready()
    its.ask()
    assert its.feed(b"69", 2) == []
    its.reset()
    assert its.feed(b"74.5\n", 3) == []  # nothing was asked on this link
    assert its.ask() == b"*IDN?\n"
    its.feed(b"Example Works,L-8,0042,1.0\n", 4)
    assert its.ask() == b"SYST:ERR?\n"


def test_a_second_line_to_one_question_is_not_taken_for_the_answer_to_the_next() -> None:
    its = ready()
    its.ask()
    assert values(its.feed(b"1.0\n2.0\n", 2)) == {"test_pressure": 1.0}
    assert its.counts.garbage_lines == 1


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        ({"unit": "Pa"}, "channels.lift.query: this key is needed"),
        ({"unit": "Pa", "query": "*RST"}, "asks nothing"),
        ({"unit": "Pa", "query": "FETC?", "plaec": 1}, "did you mean place?"),
    ],
)
def test_what_cannot_work_is_said_in_one_sentence(channel: dict[str, Any], said: str) -> None:
    with pytest.raises(SettingsError) as error:
        make_instrument("logger", {"driver": "scpi", "port": "/dev/none", "channels": {"lift": channel}})
    assert said in str(error.value)


@pytest.mark.parametrize("line", ["socket", pytest.param("serial", marks=posix)])
def test_an_instrument_is_read_and_comes_back_after_it_was_gone(
    line: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    end: FarEnd = TcpEnd() if line == "socket" else PtyEnd(tmp_path)
    answers = {b"*IDN?": b"Example,L-8,1,1", b"SYST:ERR?": b'0,"No error"', b"FETC?": b"0,21.4,99310"}

    def talk() -> None:
        for asked in end.asked().splitlines():
            end.send(answers.get(asked, b"28.5") + b"\n")

    request.addfinalizer(end.unplug)
    end.plug()
    with reading(make(port=end.port, every_s=0.02, reply_within_s=0.3), SystemClock()) as (reader, got):
        wait_for(
            lambda: {"test_pressure", "room_pressure"} <= {s.channel for b in got.batches for s in b}, "all come", talk
        )
        end.unplug()
        wait_for(lambda: reader.state == "lost", "it is missed")
        end.plug()
        before = len(got.batches)
        wait_for(lambda: len(got.batches) > before + 2, "it comes back", talk)
        assert reader.state == "live"
