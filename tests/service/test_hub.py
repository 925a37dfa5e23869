"""The hub alone: whatever a client has seen, it gets exactly the rest, and is told what is gone."""

import json
from dataclasses import replace
from functools import lru_cache
from unittest.mock import patch

from hypothesis import given
from hypothesis import strategies as st

from acquire.daemon.frames import AlwaysThere, FrameMaker
from acquire.pull.core import PullCore
from acquire.records import Frame, LiveEvent
from acquire.service import hub as hub_module
from acquire.service.hub import Feed, Hub
from acquire.wire import LIVE, Fault, FrameMessage
from tests.whole.test_pulls import LIFTS, request
from tests.whole.virtual import VirtualBench

KEPT = 5


def hub_after(count: int) -> Hub:
    """A hub that has heard ``count`` events and keeps few."""
    hub = Hub(lambda _listener: lambda: None, "run")
    for number in range(1, count + 1):
        tell(hub, number)
    return hub


def tell(hub: Hub, number: int) -> None:
    hub.accept(LiveEvent(number=number, kind="step", t_us=0, sentence=""))


def waiting(feed: Feed) -> list[int]:
    """The numbers of the events that wait in a feed."""
    return [json.loads(feed._events.get_nowait())["event"]["number"] for _ in range(feed._events.qsize())]


@given(st.integers(0, 20), st.data())
def test_a_client_that_comes_back_gets_exactly_what_it_has_not_seen(count: int, data: st.DataObject) -> None:
    with patch.object(hub_module, "EVENTS_KEPT", KEPT):
        hub = hub_after(count)
        after = data.draw(st.integers(0, count))
        feed = hub.join(after, "run")
        tell(hub, count + 1)
        due = list(range(after + 1, count + 2))
        assert waiting(feed) == due[feed.hello.missed :]
        assert feed.hello.missed == max(0, count - KEPT - after)


@given(st.integers(0, 20), st.integers(0, 99))
def test_a_client_of_an_earlier_run_gets_all_of_this_one(count: int, after: int) -> None:
    with patch.object(hub_module, "EVENTS_KEPT", KEPT):
        feed = hub_after(count).join(after, "earlier run")
    assert [*range(1, feed.hello.missed + 1), *waiting(feed)] == list(range(1, count + 1))


@given(st.integers(0, 20))
def test_a_new_client_begins_with_the_present(count: int) -> None:
    hub = hub_after(count)
    feed = hub.join(None, "")
    tell(hub, count + 1)
    assert (feed.hello.last, feed.hello.missed, waiting(feed)) == (count, 0, [count + 1])


def test_a_feed_that_nobody_empties_is_bounded_and_given_up() -> None:
    with patch.object(hub_module, "EVENTS_WAITING", 3):
        hub = hub_after(0)
        feed = hub.join(None, "")
        for number in range(1, 4):
            tell(hub, number)
        assert not feed.overflow.is_set()
        tell(hub, 4)
        assert feed.overflow.is_set()
        assert waiting(feed) == [1, 2, 3]
        hub.leave(feed)
        tell(hub, 5)
        assert waiting(feed) == []


def test_a_frame_is_written_as_its_model_would_be_with_the_pull_written_once() -> None:
    hub, stream = hub_after(0), open_pull()
    messages = [LIVE.validate_json(hub.frame_text(frame)) for frame in stream]
    assert messages == [FrameMessage(frame=frame) for frame in stream]
    assert len({id(frame.pull) for frame in stream}) < len(stream)
    assert len({json.dumps(json.loads(hub.frame_text(frame))["frame"]["pull"]) for frame in stream}) > 2


def test_a_number_in_the_pull_that_is_not_finite_is_said_each_time_and_not_sent() -> None:
    hub, stream = hub_after(0), open_pull()
    its = next(frame for frame in stream if frame.pull is not None and frame.pull.zeros_before is not None)
    assert its.pull is not None
    assert its.pull.zeros_before is not None
    pull = replace(its.pull, zeros_before=replace(its.pull.zeros_before, lift_m=float("nan")))
    for t_us in (1, 2):
        message = LIVE.validate_json(hub.frame_text(its.model_copy(update={"pull": pull, "t_us": t_us})))
        assert isinstance(message, Fault)
        assert "lift_m is not a finite number" in message.sentence


@lru_cache
def open_pull() -> list[Frame]:
    """Frames of a pull that runs, with points, ten samples apart; and one of no pull."""
    bench = VirtualBench(4)
    maker = FrameMaker(bench.config, [*map(AlwaysThere, bench.config.make_instruments())])
    stream = [maker.frame(0, {}, None, None, None, "")]

    def each(core: PullCore, _: object) -> None:
        stream.append(maker.frame(bench.t_us, bench._latest, core, 1, None, ""))

    bench.pull(request(LIFTS[:2]), each=each)
    return stream[::10]
