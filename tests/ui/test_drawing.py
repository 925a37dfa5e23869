"""What is painted into a given room, without a screen: strips, curve, schedule, verdict, windows of a list."""

import re
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.ui.look import ReadOut
from acquire.ui.show import curve_view, steps_view
from acquire.ui.verdict import next_words, verdict_lines
from acquire.ui.watch import SPAN_S, History
from acquire.ui.widgets.canvas import Line, window
from acquire.ui.widgets.curve import CurvePlot
from acquire.ui.widgets.hold import HoldPlot, Strip
from acquire.ui.widgets.readout import CALM_S, SIGN_S, ReadOutPanel
from acquire.ui.widgets.steps import StepTable, fitting
from acquire.values import Mark, PullView, Step, StepView
from tests.ui.fake import IN, SUMMARY, TARGET_PA, ended_view, frame, point, pull_view

BLANK = " \u2800┄"


def text_of(rows: Sequence[Line]) -> list[str]:
    return ["".join(text for text, _ in row) for row in rows]


# ---------------------------------------------------------------- strips


def strip_of(values: Sequence[float | None], every_s: float, width: int = 80) -> list[str]:
    """The drawn rows of a strip whose samples come ``every_s``; its band is 10 ± 1."""
    history = History()
    for i, value in enumerate(values):
        history.add(i * every_s, value)
    plot = HoldPlot(history, id="strip")
    plot.strip = Strip("Lift in", "Lift", 10.0, 1.0, 2, 1.0)
    return [row[9:] for row in text_of(plot.paint(width, 6))[1:]]


def covered(rows: list[str]) -> list[bool]:
    """Which columns of a strip show something."""
    return [any(row[x] not in BLANK for row in rows) for x in range(min(map(len, rows)))]


@pytest.mark.parametrize("value", [10.0, 14.0, 6.0], ids=["in the band", "above the drawing", "below it"])
def test_samples_that_come_slower_than_the_columns_make_one_line(value: float) -> None:
    seen = covered(strip_of([value] * 120, every_s=0.3, width=110))
    assert all(seen[1:])


@pytest.mark.parametrize("value", [10.0, 14.0])
def test_a_gap_in_the_samples_stays_a_gap(value: float) -> None:
    seen = covered(strip_of([value] * 100 + [None] * 100 + [value] * 100, every_s=SPAN_S / 300))
    first, last = seen.index(False), len(seen) - seen[::-1].index(False)
    assert last - first == pytest.approx(len(seen) / 3, abs=2)
    # a reading that is missing now lies neither in its band nor outside
    history = History()
    for t_s, its in ((0.0, value), (0.1, None)):
        history.add(t_s, its)
    plot = HoldPlot(history, id="strip")
    plot.strip = Strip("Lift in", "Lift", 10.0, 1.0, 2, 1.0)
    assert text_of(plot.paint(60, 6))[0].endswith("▒ no reading")
    assert not any(seen[first:last])
    # and a silence without any word is no line either
    history = History()
    for t_s in (*range(10), *range(20, 30)):
        history.add(float(t_s), value)
    plot = HoldPlot(history, id="strip")
    plot.strip = Strip("Lift in", "Lift", 10.0, 1.0, 2, 1.0)
    seen = covered([row[9:] for row in text_of(plot.paint(50, 6))[1:]])
    assert seen.count(False) >= len(seen) // 4


# ---------------------------------------------------------------- the curve


@pytest.mark.parametrize("width", [28, 31, 39, 63, 80])
def test_every_point_has_its_mark_to_the_end_of_the_schedule(width: int) -> None:
    plot = CurvePlot(id="curve")
    plot.view = curve_view(ended_view(), SUMMARY)
    rows = text_of(plot.paint(width, 30))
    assert sum(row.count("●") for row in rows) == 8
    assert all(len(row) <= width for row in rows)


def test_an_interval_is_as_high_as_it_is() -> None:
    wide = tuple(
        StepView(Step(0.4 * IN, TARGET_PA), "taken", (point(3, 200.0, half_cfm=half),)) for half in (60.0, 0.5)
    )
    heights = []
    for step in wide:
        plot = CurvePlot(id="curve")
        plot.view = curve_view(pull_view(1, steps=(step,)), SUMMARY)
        rows = text_of(plot.paint(40, 32))[1:-1]
        x = next(row.index("●") for row in rows if "●" in row)
        heights.append(sum(row[x] not in BLANK for row in rows))
    # 120 cfm drawn up to 300 in 30 rows are 12; half a cfm hides behind its mark, the line to it may be seen below
    assert heights[0] == pytest.approx(12, abs=2)
    assert heights[1] <= 2


def test_a_figure_about_zero_keeps_its_size_while_its_sign_comes_and_goes() -> None:
    panel, now_s = ReadOutPanel(id="out"), 0.0

    def painted(text: str) -> list[str]:
        nonlocal now_s
        now_s += CALM_S
        panel.show(ReadOut("TEST PRESSURE", "inH2O", text, "live", "live"), now_s)
        return text_of(panel.paint(26, 7))[1:-1]

    alone = painted("0.01")
    assert painted("-0.01") != alone
    # all but the sign stands where it stood
    beside = painted("0.01")
    assert beside != alone
    assert [row[9:] for row in beside] == [row[9:] for row in painted("-0.01")]
    now_s += SIGN_S
    assert painted("0.01") == alone


def on_plates(kind: str, *flows: float) -> PullView:
    """An ended run at 14 and 28 inH2O without a valve."""
    steps = tuple(
        StepView(Step(None, TARGET_PA * (i + 1) / len(flows)), "taken", (point(i, flow, 0.04),))
        for i, flow in enumerate(flows)
    )
    return ended_view(kind=kind, steps=steps)


def test_a_plate_s_flow_is_not_drawn_from_nothing() -> None:
    plot = CurvePlot(id="curve")
    plot.view = curve_view(on_plates("plate", 134.0, 134.2), SUMMARY)
    rows = text_of(plot.paint(40, 20))[1:-1]
    first = min(row.index("●") for row in rows if "●" in row)
    assert all(set(row[7:first]) <= set(BLANK) for row in rows)


# ---------------------------------------------------------------- the schedule


@pytest.mark.parametrize("now", range(8))
def test_the_present_step_is_in_view_at_every_size_and_what_is_hidden_is_counted(now: int) -> None:
    for height in range(2, 12):
        for width in (24, 30, 47, 60, 99, 140):
            table = StepTable(id="steps")
            table.view = steps_view(pull_view(now), SUMMARY, None, None)
            rows = text_of(table.paint(width, height))[1:]
            assert any("▶" in row for row in rows), (height, width)
            assert len(rows) == min(8, height - 1)
            hidden = [int(count) for row in rows for count in re.findall(r"[▴▾] ?(\d)", row)]
            assert sum(hidden) == 8 - len(rows), (height, width, rows)
            assert all(len(row) <= width for row in rows)


def test_what_the_sign_says_too_gives_way_first() -> None:
    assert fitting(("settled", "pressure moved", "take 2"), 40) == "settled, pressure moved, take 2"
    assert fitting(("settled", "pressure moved", "take 2"), 24) == "pressure moved, take 2"
    assert fitting(("settled", "take 2"), 9) == "take 2"
    assert fitting((), 9) == ""
    taken = pull_view(2).steps[1]
    again = StepView(taken.step, "taken", (point(1, 121.7), point(1, 122.9, take=2)))
    view = pull_view(2, steps=(pull_view(2).steps[0], again))
    table = StepTable(id="steps")
    table.view = steps_view(view, SUMMARY, None, None)
    assert "take 2" in text_of(table.paint(41, 6))[2]


@given(st.integers(0, 60), st.integers(1, 60), st.integers(1, 30))
def test_a_window_shows_what_is_marked_and_as_much_as_there_is_room_for(focus: int, count: int, room: int) -> None:
    focus = min(focus, count - 1)
    shown = window(focus, count, room)
    assert focus in shown
    assert len(shown) == min(room, count)
    assert shown.start >= 0
    assert shown.stop <= count


# ---------------------------------------------------------------- the verdict


def verdict_of(pull: PullView, width: int = 77, most: int = 8) -> list[str]:
    return text_of(verdict_lines(frame(pull=pull), SUMMARY, width, most))


def test_a_mark_is_told_whole_and_those_without_room_are_counted() -> None:
    long = Mark("zero", "The test pressure was typed once a point: nothing says that it held in between, at any step.")
    told = verdict_of(ended_view((long,)))
    assert " ".join(row.strip() for row in told[1:3]) == f"! {long.sentence}"
    many = tuple(Mark("zero", f"Mark number {i}.") for i in range(1, 13))
    told = verdict_of(ended_view(many))
    assert len(told) == 8
    assert "! Mark number 5." in told
    assert "! and 7 more: they stand on the sheet and in steadydraw show 12" in told


def test_a_run_on_a_plate_says_what_came_of_it_and_offers_no_flow_sheet() -> None:
    assert verdict_of(on_plates("leakage", 2.2, 2.9))[-2].startswith("Leakage 2.2 to 2.9 cfm, for intake")
    told = verdict_of(on_plates("leakage", 2.2, 2.24))
    assert told[-2:] == [
        "Leakage 2.2 cfm, for intake on this bore fixture and gasket.",
        "It counts from the next pull on. Take the blank plate off before that.",
    ]
    aborted = on_plates("leakage", 2.2)
    assert (
        "for intake" not in verdict_of(pull_view(None, 1, kind="leakage", outcome="aborted", steps=aborted.steps))[-2]
    )
    assert verdict_of(on_plates("plate", 134.0))[-1].startswith("Flow 134.00 ±0.04 cfm. Take the reference plate off")
    assert "sheet" in next_words(ended_view())
    assert next_words(on_plates("leakage", 2.2)) == {
        "next_head": "next head",
        "same_again": "this run again",
        "other_way": "this run, exhaust",
    }
