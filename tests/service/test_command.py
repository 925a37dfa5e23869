"""Several screens watch, one commands: who it is, how it changes hands, and whom that does not concern."""

import asyncio
from collections.abc import AsyncGenerator, Iterator
from contextlib import aclosing

import pytest

from acquire.client import NOT_IN_COMMAND, Client, ClientError, Screen, this_screen
from acquire.clock import ManualClock
from acquire.records import Action, Frame, LiveEvent
from acquire.room.entry import RoomEntry
from acquire.service import Service
from acquire.service.command import HELD_US
from acquire.wire import Lost
from tests.service.bench import REQUEST, TEMPLATE, FakeArchive, FakeEngine
from tests.service.service_thread import ServiceThread
from tests.service.until import until

TAKE = Action(kind="take")
AIR = RoomEntry(made_utc="2026-03-04T05:06:07+00:00", pressure_pa=98_600.0)
REFUSED = r"^The screen 'tablet' is in command: press the hand-over key to take over\.$"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def service(engine: FakeEngine, archive: FakeArchive, clock: ManualClock) -> Iterator[Service]:
    made = Service(engine, engine.name, engine.archive_path, clock=clock, open_archive=archive.open)
    with ServiceThread(made):
        yield made


def screen(service: Service, name: str) -> Client:
    return Client(service.url, service.token, screen=Screen.named(name))


@pytest.fixture
def tablet(service: Service) -> Client:
    return screen(service, "tablet")


@pytest.fixture
def bench(service: Service) -> Client:
    return screen(service, "bench")


def in_command(client: Client) -> tuple[str, str]:
    frame = client.frame()
    return frame.commander, frame.commander_id


def its(client: Client) -> tuple[str, str]:
    assert client.screen is not None
    return client.screen.name, client.screen.id


async def until_event(stream: AsyncGenerator[Frame | LiveEvent | Lost, None]) -> LiveEvent:
    async for item in stream:
        if isinstance(item, LiveEvent):
            return item
    raise AssertionError("the stream ended")


def test_nobody_is_in_command_of_a_bench_that_was_only_watched(bench: Client, tablet: Client) -> None:
    tablet.bench()
    tablet.pulls()
    assert in_command(bench) == ("", "")


def test_the_first_screen_that_commands_is_in_command(tablet: Client, bench: Client, engine: FakeEngine) -> None:
    tablet.act(TAKE)
    assert in_command(tablet) == in_command(bench) == its(tablet)
    assert engine.done == [Action(kind="take", by="tablet")]


def test_another_screen_is_refused_whatever_it_wants_done(tablet: Client, bench: Client, engine: FakeEngine) -> None:
    tablet.take_command()
    for command in (
        lambda: bench.act(TAKE),
        lambda: bench.begin(REQUEST),
        lambda: bench.resume(1),
        lambda: bench.keep_record(AIR),
        lambda: bench.save_template(TEMPLATE),
        lambda: bench.delete_template("any"),
    ):
        with pytest.raises(ClientError, match=REFUSED) as refused:
            command()
        assert refused.value.status == NOT_IN_COMMAND
    assert (engine.done, engine.records, engine.templates) == ([], [], {})
    assert bench.pull(1).id == 1  # looking is free
    assert in_command(bench) == its(tablet)


async def test_taking_over_is_told_to_everybody_and_turns_the_refusal_round(
    tablet: Client, bench: Client, engine: FakeEngine
) -> None:
    tablet.take_command()
    async with aclosing(tablet.live(30)) as at_tablet, aclosing(bench.live(30)) as at_bench:
        assert isinstance(await anext(at_tablet), Frame)
        assert isinstance(await anext(at_bench), Frame)
        bench.take_command()
        told = [await until_event(stream) for stream in (at_tablet, at_bench)]
        assert [(event.kind, event.sentence) for event in told] == [
            ("command", "The screen 'bench' is in command now.")
        ] * 2
        async for item in at_tablet:
            if isinstance(item, Frame):
                assert (item.commander, item.commander_id) == its(bench)
                break
    bench.act(TAKE)
    with pytest.raises(ClientError, match="The screen 'bench' is in command"):
        tablet.act(TAKE)
    assert engine.done == [Action(kind="take", by="bench")]


def test_asking_twice_is_told_to_nobody(tablet: Client, engine: FakeEngine) -> None:
    events: list[LiveEvent] = []
    engine.subscribe(events.append)
    tablet.take_command()
    tablet.take_command()
    tablet.act(TAKE)
    assert events == []


def test_scripts_are_not_refused_and_take_command_from_nobody(
    service: Service, tablet: Client, engine: FakeEngine
) -> None:
    script = Client(service.url, service.token)
    script.act(TAKE)
    assert in_command(script) == ("", "")
    tablet.take_command()
    script.act(TAKE)
    assert script.begin(REQUEST) == 7
    assert script.keep_record(AIR) == 1
    assert in_command(script) == its(tablet)
    assert engine.done == [TAKE, TAKE, REQUEST]
    with pytest.raises(ClientError, match="x-screen"):
        script.take_command()


def test_who_did_it_is_not_overwritten(tablet: Client, engine: FakeEngine) -> None:
    tablet.act(Action(kind="take", by="pedal"))
    assert engine.done == [Action(kind="take", by="pedal")]


async def test_a_screen_in_command_keeps_it_as_long_as_it_watches(
    tablet: Client, bench: Client, clock: ManualClock
) -> None:
    async with aclosing(tablet.live(30)) as stream:
        assert isinstance(await anext(stream), Frame)
        tablet.take_command()
        clock.advance(3600)
        with pytest.raises(ClientError, match=REFUSED):
            bench.act(TAKE)
        assert in_command(bench) == its(tablet)


async def test_a_screen_that_is_gone_for_some_seconds_no_longer_holds_command(
    service: Service, tablet: Client, bench: Client, clock: ManualClock, engine: FakeEngine
) -> None:
    tablet.take_command()
    async with aclosing(tablet.live(30)) as stream:
        assert isinstance(await anext(stream), Frame)
        clock.advance(3600)
    streams = service._command._streams
    await asyncio.to_thread(until, lambda: not streams, "the stream has ended")
    with pytest.raises(ClientError, match=REFUSED):
        bench.act(TAKE)
    clock.advance(HELD_US / 1e6 + 0.001)
    assert in_command(bench) == ("", "")
    events: list[LiveEvent] = []
    engine.subscribe(events.append)
    bench.act(TAKE)
    assert in_command(bench) == its(bench)
    assert [event.sentence for event in events] == ["The screen 'bench' is in command now."]


def test_a_screen_that_comes_back_in_time_still_commands(tablet: Client, bench: Client, clock: ManualClock) -> None:
    tablet.take_command()
    clock.advance(HELD_US / 1e6)
    assert in_command(bench) == its(tablet)
    tablet.act(TAKE)
    clock.advance(HELD_US / 1e6)
    assert in_command(bench) == its(tablet)


@pytest.mark.parametrize("name", ["Werkstatt Süd", "台 1", "a/b 100% \"'", "x" * 200])
def test_any_name_comes_over(service: Service, name: str) -> None:
    client = screen(service, name)
    client.take_command()
    assert in_command(client) == its(client) == (name[:40], its(client)[1])


def test_a_name_cannot_bring_control_characters_to_the_others() -> None:
    assert Screen.said("12345678", "%1B%5B2J%0Atab%C2%9Blet").name == "[2Jtablet"
    assert Screen.said("123456789", "%00").name == "12345678"


def test_a_screen_is_named_after_its_machine_and_terminal_unless_told() -> None:
    assert this_screen("tablet").name == "tablet"
    first, second = this_screen(), this_screen()
    assert first.name == second.name != ""
    assert first.id != second.id
