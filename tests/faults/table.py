"""Every fault of an instrument: what the operator reads, what he does, and the test that tries it.

``python -m tests.faults.table`` prints the table of DEVELOPERS.md. ``reads`` is
in one sentence that the code really said: each test calls ``told`` with its rows.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Row(NamedTuple):
    """``reads``: part of a sentence as it was said, empty where nothing needs to be said.

    ``test``: in this folder, or beside other pulls with an encoder in ``tests/whole``.
    """

    fault: str
    reads: str
    does: str
    test: str


ROWS: dict[str, Row] = {
    "unplugged": Row(
        "Port unplugged and plugged in again during a reading",
        "check the plug and the device's power",
        "plugs it in; the stay is read anew",
        "test_unplugging_the_front_end_in_a_reading_is_said_and_the_point_is_taken_when_it_is_back",
    ),
    "lift away": Row(
        "Lift indicator silent for 4 s during a reading",
        "lift_indicator on /dev/lift_indicator has sent nothing for 2 s: check its power, cable and baud rate",
        "plugs it in; the stay is read anew, for the valve may have moved unseen",
        "test_a_reading_begins_anew_after_what_was_away",
    ),
    "boots": Row(
        "Instrument resets and sends boot text",
        "were not used (last: 'P1 and P2 in inH2O, 50 lines a second'",
        "nothing",
        "test_no_fault_of_the_wire_makes_a_wrong_point",
    ),
    "baud": Row(
        "Wrong baud rate",
        "check its baud rate, units and the pattern",
        "sets `baud`",
        "test_what_is_no_line_of_the_instrument_is_never_a_sample",
    ),
    "foreign": Row(
        "Another device's lines on the port",
        "(last: 'ID 04 WEIGHT 812.5 g'",
        "takes the other device off, or corrects `port`",
        "test_what_is_no_line_of_the_instrument_is_never_a_sample",
    ),
    "endless": Row(
        "A line without end",
        "1 too long",
        "looks at the instrument's settings",
        "test_what_is_no_line_of_the_instrument_is_never_a_sample",
    ),
    "digit": Row(
        "A digit flipped, the line still reads",
        "",
        "nothing: left out, and counted in the capture's `rejected`",
        "test_a_flipped_digit_of_flow_or_lift_is_left_out_and_counted",
    ),
    "air digit": Row(
        "A digit flipped in a reading of the room's air",
        "",
        "nothing: a jump counts only when the next reading says the same",
        "test_a_flipped_digit_in_the_rooms_air_moves_nothing",
    ),
    "byte": Row(
        "A byte flipped, dropped or doubled at any place",
        "line was not used",
        "nothing, once in a while; else looks at the cable",
        "test_a_spoilt_line_is_said_and_makes_no_wrong_point",
    ),
    "checksum": Row(
        "The same with a checksum in the line (`checksum`)",
        "(wrong checksum)",
        "nothing, once in a while; else looks at the cable",
        "test_with_a_checksum_no_spoilt_byte_is_a_sample",
    ),
    "frozen": Row(
        "A value frozen for longer than its noise allows",
        "The flow reading has stopped changing: check its instrument.",
        "restarts the instrument; the stay is read anew",
        "test_no_fault_of_the_wire_makes_a_wrong_point",
    ),
    "pressure frozen": Row(
        "The test pressure alone is frozen",
        "The test pressure has stopped changing: check its instrument.",
        "restarts the instrument; the stay is read anew",
        "test_a_frozen_test_pressure_is_said_and_nothing_is_taken_with_it",
    ),
    "drip": Row(
        "Bytes drip, so that readings are old",
        "and may be old: check the cable and the instrument's settings",
        "looks at cable and baud rate; the stay is read anew",
        "test_no_fault_of_the_wire_makes_a_wrong_point",
    ),
    "half": Row(
        "The sample rate halves",
        "",
        "nothing: the noise is judged by the time between readings",
        "test_no_fault_of_the_wire_makes_a_wrong_point",
    ),
    "slept": Row(
        "The machine slept during a reading",
        "",
        "nothing: the stay is read anew",
        "test_a_reading_begins_anew_after_the_machine_slept",
    ),
    "wall clock": Row(
        "The wall clock is set",
        "",
        "nothing: judging knows no wall clock, only dates of records move",
        "test_a_step_of_the_wall_clock_moves_no_time_stamp",
    ),
    "over range": Row(
        "A pressure stands at the end of its instrument's range",
        "Stop the blower, then fit a larger meter range: the meter pressure is at the end of its instrument's range",
        "stops the blower, fits the larger range",
        "test_a_meter_at_the_end_of_its_range_is_refused_and_the_larger_range_goes_on",
    ),
    "beyond range": Row(
        "The meter pressure is beyond its instrument's range",
        "Stop the blower, fit a larger meter range: the pressure is beyond its transducer.",
        "stops the blower, fits the larger range",
        "test_a_pull_through_every_fault_of_its_readings_goes_on_and_takes_no_wrong_point",
    ),
    "swapped": Row(
        "The two pressure instruments are swapped",
        "Raise the test pressure to 28.0 inH2O",
        "sees the pressure stand far below, swaps hoses or channels",
        "test_swapped_pressures_give_no_point",
    ),
    "zeroed": Row(
        "Lift indicator zeroed in the middle of a stay",
        "The lift indicator lost its zero: close the valve, zero it there, then go on.",
        "closes the valve, zeroes the indicator, goes on; two marks stay on the pull",
        "test_an_indicator_zeroed_in_a_stay_holds_the_pull_until_it_is_zeroed_closed",
    ),
    "zeroed between": Row(
        "Lift indicator zeroed between stays",
        "The lift indicator lost its zero at step 2",
        "the same",
        "test_an_indicator_zeroed_between_stays_never_sends_to_a_wrong_lift",
    ),
    "zeroed closing": Row(
        "Lift indicator zeroed while the valve is closed at the end",
        "Lift is outside its instrument's range: bring it back; with the valve closed, zero the indicator.",
        "zeroes the indicator with the valve closed; every point was taken before",
        "test_an_indicator_zeroed_while_closing_at_the_end_is_zeroed_again_closed",
    ),
    "counter reset": Row(
        "An encoder resets while the valve is open",
        "The lift counter fell from",
        "closes the valve, zeroes the counter, goes on; two marks stay on the pull",
        "test_a_counter_that_is_reset_in_the_middle_stops_the_pull_until_it_is_zeroed_at_the_closed_valve",
    ),
    "unit silent": Row(
        "A Modbus unit stays silent, others answer",
        "no lift for",
        "looks at that unit's supply, address and wiring",
        "test_a_silent_modbus_unit_is_named_while_the_others_are_read",
    ),
    "unit for another": Row(
        "A Modbus unit answers for another",
        "device 3 answered when device 2 was asked",
        "gives each unit its own address",
        "test_a_modbus_unit_that_answers_for_another_is_never_read",
    ),
    "loop broken": Row(
        "A wire breaks in a current loop",
        "test_pressure 0 mA: broken wire, or no supply",
        "mends the wire, or the transmitter's supply; 0 mA is never read as a pressure",
        "test_a_wire_that_breaks_in_a_current_loop_is_said_and_never_read_as_a_pressure",
    ),
    "late": Row(
        "Answers come later than `reply_within_s`",
        "",
        "raises `reply_within_s`; a late answer never passes for another's",
        "test_late_scpi_answers_are_never_taken_for_the_next_ones",
    ),
    "error queue": Row(
        "A SCPI instrument's error queue is full",
        "error -350: Queue overflow",
        "nothing: the readings go on",
        "test_a_full_error_queue_is_said_and_the_readings_go_on",
    ),
}


def told(row: str, said: Iterable[str]) -> None:
    """Fails unless one of the sentences holds what the table says that the operator reads."""
    sentences = list(said)
    assert ROWS[row].reads
    assert any(ROWS[row].reads in one for one in sentences), (ROWS[row].reads, sentences[-20:])


def markdown() -> str:
    """The table, as it stands in DEVELOPERS.md."""
    head = ["| fault | the operator reads | the operator does | test |", "|---|---|---|---|"]
    rows = [f"| {row.fault} | {row.reads or '(nothing)'} | {row.does} | `{row.test}` |" for row in ROWS.values()]
    return "\n".join(head + rows)


if __name__ == "__main__":
    print(markdown())
