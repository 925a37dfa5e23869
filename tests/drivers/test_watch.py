"""What is said of a port, and how often: pure, told the time."""

from drivers.base import Counts
from drivers.framing import discard
from drivers.sample import Notice
from drivers.watch import DISCARDED_EVERY_US, Watch
from tests.drivers.families import FAMILIES

STREAMED, _, BUTTON = FAMILIES


def kinds(notices: list[Notice]) -> list[str]:
    return [notice.kind for notice in notices]


def watch(counts: Counts | None = None) -> Watch:
    return Watch(STREAMED.make(silent_after_s=2), counts or Counts())


def test_a_port_is_live_only_when_a_good_line_came() -> None:
    its = watch()
    assert its.state == "opening"
    assert kinds(its.opened(0)) == ["opened"]
    assert its.state == "opening"
    assert "waiting for the first line" in its.sentence
    assert its.heard(1) == []
    assert (its.state, its.sentence) == ("live", "")


def test_a_loss_is_said_once_however_often_the_port_is_tried() -> None:
    its = watch()
    its.opened(0)
    its.heard(1)
    assert kinds(its.lost(2, "/dev/none was lost: plug it in")) == ["lost"]
    assert its.lost(3, "/dev/none is not there: plug it in") == []
    assert its.sentence == "gauge: /dev/none is not there: plug it in"
    assert its.tick(99_000_000) == [], "a lost port is not silent as well"
    assert its.opened(4) == []
    assert kinds(its.heard(5)) == ["back"]
    assert kinds(its.lost(6, "again")) == ["lost"]


def test_silence_is_said_after_the_configured_time_and_not_before() -> None:
    its = watch()
    its.opened(0)
    assert its.tick(2_000_000) == []
    assert kinds(its.tick(2_000_001)) == ["silent"]
    assert its.tick(9_000_000) == []
    assert kinds(its.heard(9_000_000)) == ["back"]
    assert its.tick(11_000_000) == []
    assert kinds(its.tick(11_000_001)) == ["silent"]


def test_a_device_that_is_silent_after_it_was_plugged_in_again_is_said_to_be_so() -> None:
    its = watch()
    its.lost(0, "gone")
    assert kinds(its.opened(1)) == ["opened"]
    assert kinds(its.tick(3_000_000)) == ["silent"]
    assert kinds(its.heard(3_000_001)) == ["back"]


def test_a_button_needs_no_line_to_be_live_or_back() -> None:
    its = Watch(BUTTON.make(), Counts())
    assert kinds(its.opened(0)) == ["opened"]
    assert its.state == "live"
    its.lost(1, "gone")
    assert kinds(its.opened(2)) == ["back"]
    assert its.tick(10**12) == []


def test_discarded_lines_are_said_at_most_every_few_seconds_and_none_is_forgotten() -> None:
    counts = Counts()
    its = watch(counts)
    its.opened(0)
    said = []
    for t_us in range(0, 2 * DISCARDED_EVERY_US, 100_000):
        counts.garbage_lines += 1
        discard(counts, b"GARBAGE")
        its.heard(t_us)
        said += its.tick(t_us)
    its.heard(2 * DISCARDED_EVERY_US)
    said += its.tick(2 * DISCARDED_EVERY_US)
    assert kinds(said) == ["discarded"] * 3
    its.heard(4 * DISCARDED_EVERY_US)
    assert its.tick(4 * DISCARDED_EVERY_US) == []
    assert [int(notice.sentence.split(": ")[1].split()[0]) for notice in said] == [1, 50, 49]
    assert "last: 'GARBAGE'" in said[0].sentence
    assert "100 not readable" in said[-1].sentence
