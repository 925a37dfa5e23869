"""The sentence at the top of this screen, and the line beneath it, in every situation that only a screen can know."""

from typing import get_args

import pytest

from acquire.records import Frame, LiveEvent, Situation
from acquire.ui.look import TONES
from acquire.ui.saying import (
    FITTED,
    HELD,
    NO_PULL_YET,
    NOTHING_RUNS,
    READY,
    START_IT,
    UNFINISHED,
    WAITING,
    saying,
)
from acquire.ui.watch import SILENCE_S, Watch
from acquire.ui.widgets.guide import GuidePanel
from acquire.ui.widgets.numeral import letter_lines
from acquire.values import Standing
from tests.ui.fake import ended_view, frame, pull_view

PULL = frame(pull=pull_view(2), standing=Standing("moving", ("lift",)))
IDLE = frame(standing=Standing("waiting"))
PAUSED = frame(pull=pull_view(2), situation="paused", sentence="Paused: nothing is taken until you go on.",
               standing=Standing("waiting"))  # fmt: skip
ENDED = frame(pull=ended_view(), situation="ended", sentence="Pull complete.", standing=Standing("waiting"))
TWICE = frame(pull=pull_view(2), standing=Standing("settling", ("drift", "noise")))
SILENT = frame(pull=pull_view(2), situation="signal_lost", sentence="Lift indicator silent for 2 s: check its cable.",
               standing=Standing("waiting", ("signal",)))  # fmt: skip
SILENT_PAUSED = SILENT.model_copy(update={"pull": pull_view(2, paused=True)})
ZERO_LOST = frame(pull=pull_view(2, paused=True), situation="close_valve", standing=Standing("waiting"),
                  sentence="The lift indicator lost its zero: close the valve, zero it there, then go on.")  # fmt: skip
RANGE = frame(pull=pull_view(2), situation="wrong_range", standing=Standing("settling", ("drift",)),
              sentence="Use range 'large': 17.2 inH2O across the meter is above what range 'middle' is calibrated for "
              "(0.2 to 16 inH2O).")  # fmt: skip
NO_RANGE = RANGE.model_copy(update={"guide": RANGE.guide.model_copy(update={"sentence":
    "No configured range fits this flow: 0.01 inH2O across the meter is below what range 'middle' is calibrated for "
    "(0.2 to 16 inH2O)."})})  # fmt: skip
TYPE_AGAIN = frame(pull=pull_view(2), situation="wrong_range", standing=Standing("waiting"),
                   sentence="Look at the valve, then type the lift again: the flow moved after the lift was typed."
                   )  # fmt: skip
IDLE_SILENT = frame().model_copy(update={"guide": SILENT.guide, "pull": None})
LOST = ("No word from the bench's daemon for 3 s: trying again by itself.", "")
NOT_THERE = "no daemon answers at http://127.0.0.1:33781: wait"
OLD = "Numbers are old, the pull is kept."
GONE = f"{OLD} If it has ended: steadydraw serve"
DOUBT = "0.200 in is 5.0 % low beside pull 7"
FLASH = "Taken at 0.200 in: 121.7 cfm ± 0.5."


@pytest.mark.parametrize(
    ("its", "sentence", "beneath", "tone"),
    [
        (saying(None), WAITING, START_IT, "rest"),
        (saying(None, LOST), LOST[0], START_IT, "trouble"),
        (saying(PULL, LOST), LOST[0], GONE, "trouble"),
        (saying(PULL, (LOST[0], NOT_THERE)), LOST[0], GONE, "trouble"),
        (saying(PULL, (LOST[0], "the cable fell out")), LOST[0], f"{OLD} (the cable fell out)", "trouble"),
        (saying(None, (LOST[0], "another version")), LOST[0], "another version", "trouble"),
        (saying(PULL, LOST, FLASH, DOUBT), LOST[0], GONE, "trouble"),
        (saying(IDLE), READY, "", "rest"),
        (saying(IDLE, between="unfinished"), UNFINISHED, "", "rest"),
        (saying(IDLE, between="no pull yet"), NO_PULL_YET, "", "rest"),
        (saying(IDLE, keys=False), "No pull is running.", "", "rest"),
        (saying(IDLE, LOST), LOST[0], "Numbers are old. If it has ended: steadydraw serve", "trouble"),
        (saying(ENDED, LOST), LOST[0], "Numbers are old. If it has ended: steadydraw serve", "trouble"),
        (saying(IDLE_SILENT), IDLE_SILENT.guide.sentence, "", "trouble"),
        (saying(PULL), PULL.guide.sentence, "", "hold"),
        (saying(TWICE), TWICE.guide.sentence, "averaging unsteady flow", "hold"),
        (saying(PULL, flash=FLASH), PULL.guide.sentence, FLASH, "taken"),
        (saying(PULL, doubt=DOUBT), PULL.guide.sentence, f"{DOUBT}: r takes it again", "hold"),
        (saying(PULL, flash=FLASH, doubt=DOUBT), PULL.guide.sentence, f"{DOUBT}: r takes it again", "taken"),
        (saying(PULL, doubt=DOUBT, keys=False), PULL.guide.sentence, DOUBT, "hold"),
        (saying(ENDED, doubt=DOUBT), "Pull complete.", DOUBT, "rest"),
        (saying(ENDED), "Pull complete.", "Enter: next head, same set-up", "rest"),
        (saying(PAUSED), PAUSED.guide.sentence, "p goes on", "rest"),
        (saying(PAUSED, keys=False), PAUSED.guide.sentence, "", "rest"),
        (saying(SILENT), SILENT.guide.sentence, "", "trouble"),
        (saying(SILENT, flash=FLASH), SILENT.guide.sentence, FLASH, "trouble"),
        (saying(SILENT_PAUSED), SILENT.guide.sentence, "Paused: p goes on", "trouble"),
        (saying(SILENT_PAUSED, keys=False), SILENT.guide.sentence, "", "trouble"),
        (saying(ZERO_LOST), ZERO_LOST.guide.sentence, "Paused: p goes on", "move"),
        (saying(RANGE), RANGE.guide.sentence, "m says which range is fitted", "trouble"),
        (saying(NO_RANGE), NO_RANGE.guide.sentence, "m says which range is fitted", "trouble"),
        (saying(RANGE, keys=False), RANGE.guide.sentence, "", "trouble"),
        (saying(TYPE_AGAIN), TYPE_AGAIN.guide.sentence, "", "trouble"),
    ],
)  # fmt: skip
def test_what_stands_at_the_top(its: object, sentence: str, beneath: str, tone: str) -> None:
    assert (its.sentence, its.beneath, its.tone) == (sentence, beneath, tone)  # type: ignore[attr-defined]


@pytest.mark.parametrize("situation", get_args(Situation))
@pytest.mark.parametrize("keys", [True, False])
def test_a_sentence_is_never_absent(situation: Situation, keys: bool) -> None:
    its = saying(frame(pull=pull_view(2), situation=situation, sentence="Do this."), keys=keys)
    assert its.sentence
    assert (its.tone, its.glyph) == TONES[situation]


def test_every_sentence_of_the_screen_itself_fits_the_smallest_screen_and_block_letters() -> None:
    for text in (
        READY, UNFINISHED, NO_PULL_YET, NOTHING_RUNS, WAITING, START_IT, LOST[0], OLD, HELD, FITTED,
        f"{DOUBT}: r takes it again", FLASH,
    ):  # fmt: skip
        assert len(text) <= 80 - 6, text
        assert letter_lines(text, 154, 9) is not None, text


def test_the_daemon_is_missed_within_two_seconds_and_its_reason_is_kept_apart() -> None:
    watch = Watch(100.0)
    assert watch.lost(100.0 + SILENCE_S - 0.01) == ("", "")
    assert SILENCE_S <= 1.6
    assert watch.lost(103.0) == (LOST[0], "")
    watch.hear_lost("COM3 of the world is gone")
    assert watch.lost(100.2) == (
        "No word from the bench's daemon: trying again by itself.",
        "COM3 of the world is gone",
    )
    its: Frame = frame()
    watch.hear_frame(its, 104.0)
    assert watch.lost(104.1) == ("", "")


def test_a_mark_of_an_earlier_pull_is_not_shown_over_the_next() -> None:
    watch = Watch(100.0)
    its = frame(pull=pull_view(2))
    watch.hear_frame(its, 100.0)
    mark = LiveEvent(number=1, kind="mark", t_us=0, sentence="The test pressure did not hold.", pull_id=its.pull_id)
    watch.hear_event(mark, 100.1)
    assert watch.said(100.2) == mark.sentence
    assert its.pull_id is not None
    watch.hear_frame(its.model_copy(update={"pull_id": its.pull_id + 1}), 100.3)
    assert watch.said(100.4) == ""
    # a mark of the next pull itself may come before its first frame
    watch.hear_event(mark.model_copy(update={"pull_id": its.pull_id + 2}), 100.5)
    assert watch.said(100.6) == mark.sentence


def test_of_a_sentence_too_long_for_block_letters_what_is_to_be_done_is_in_them() -> None:
    panel = GuidePanel(id="guide")
    panel.saying = saying(RANGE)
    rows = ["".join(text for text, _ in line) for line in panel.paint(160, 7)]
    large = letter_lines("Use range 'large':", 153, 6)
    assert large is not None
    said = [row.rstrip(" !") for row in rows]
    for row in large:
        assert any(row.rstrip() in its for its in said)
    assert any("17.2 inH2O across the meter is above what range 'middle'" in row for row in rows)
    assert "m says which range is fitted" in rows[-1]
    # where there is no room for both it is all in plain text
    rows = ["".join(text for text, _ in line) for line in panel.paint(100, 4)]
    assert any("Use range 'large': 17.2 inH2O" in row for row in rows)


@pytest.mark.parametrize("size", [(80, 3), (100, 4), (160, 7)])
def test_no_letter_of_a_sentence_is_cut_at_the_edge(size: tuple[int, int]) -> None:
    panel = GuidePanel(id="guide")
    for length in range(20, 150):
        panel.saying = saying(frame(pull=pull_view(2), sentence=f"Hold: {'flow drifting ' * 11}"[:length]))
        rows = ["".join(text for text, _ in line) for line in panel.paint(*size)]
        assert not any("…" in row for row in rows), rows
        assert {len(row) for row in rows} == {size[0]}
