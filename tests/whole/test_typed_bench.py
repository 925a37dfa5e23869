"""A typed bench, whole: the real daemon, its client, the dashboard by its keys, and what is left afterwards."""

import asyncio
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from textual import events

from acquire.bundled import read_bundled
from acquire.cli import cli
from acquire.client import Client, ClientError
from acquire.clock import SystemClock
from acquire.config import parse_config
from acquire.daemon.engine import Engine
from acquire.records import Entered, PullRequest
from acquire.service import Service
from acquire.sessions.replay import replay
from acquire.store.reader import ArchiveReader
from acquire.ui.app import Dashboard
from tests.service.service_thread import ServiceThread

REQUEST = PullRequest.model_validate(
    {
        "direction": "intake",
        "subject": {"identifier": "HL-0427"},
        "setup": {"test_pressure": "28 inH2O@68F"},
        "meter_range": "range 2",
        "lifts": ["0.100 in", "0.300 in"],
    }
)
KEYS = {".": "full_stop", ",": "comma", "+": "plus", "-": "minus", " ": "space"}
# zeros, the first step, the second one with a slip and as a device sends it, zeros
TYPED = ("0", "0", "0", "0.100", "28.1", "1.20", "+0,300 in", "280", "28.0", "4.45", "0", "0", "0")


def command(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments), standalone_mode=False)


class Counting(Client):
    """Counts what was entered, refused or not."""

    answered = 0

    def enter(self, channel: str, text: str) -> Entered:
        try:
            return super().enter(channel, text)
        finally:
            self.answered += 1


async def at_the_bench(client: Counting, number: int) -> list[str]:
    """Type everything by the dashboard's keys; the reasons that were shown."""
    app, shown = Dashboard(client), []
    async with app.run_test(size=(80, 24)) as pilot:

        async def until(condition: Callable[[], bool]) -> None:
            deadline = asyncio.get_running_loop().time() + 20
            while not condition():
                assert asyncio.get_running_loop().time() < deadline, app.seen.frame and app.seen.frame.guide
                await pilot.pause()

        entry = app.bench_screen.entry

        def asked() -> object:
            frame = app.seen.frame
            if frame is None or frame.pull is None or frame.pull_id != number:
                return None
            return frame.guide.typed, frame.pull.phase, frame.pull.now

        await until(lambda: asked() is not None and app.last_request is not None)
        for count, text in enumerate(TYPED, 1):
            before = asked()
            for sign in text:
                app.post_message(events.Key(KEYS.get(sign, sign), sign))
            app.post_message(events.Key("enter", "\r"))
            await until(lambda count=count: client.answered == count and not entry.sending)  # type: ignore[misc]
            shown += [entry.fault] if entry.fault else []
            await until(lambda before=before: bool(entry.fault) or asked() != before)  # type: ignore[misc]
        await until(lambda: app.seen.frame is not None and app.seen.frame.guide.situation == "ended")
        app.tick()
        await pilot.pause()
        rows = [strip.text for strip in app.screen._compositor.render_strips()]
        assert any("2 typed" in row for row in rows), "\n".join(rows)
    return shown


def test_a_bench_with_nothing_wired_goes_from_its_first_key_to_the_printed_sheet(tmp_path: Path) -> None:
    text, archive = read_bundled("typed_bench.toml"), tmp_path / "archive.db"
    config = parse_config(text, "typed_bench.toml")
    engine = Engine(config, text, archive, SystemClock())
    service = Service(engine, config.name, archive)
    with ServiceThread(service):
        engine.start()
        try:
            client = Counting.find()
            assert isinstance(client, Counting)
            number = client.begin(REQUEST)
            faults = asyncio.run(at_the_bench(client, number))
            with pytest.raises(ClientError, match="'room_pressure' is not typed; typed are test_pressure"):
                client.enter("room_pressure", "29.9")
            assert client.enter("lift", "7.62 mm").number == 0.3
        finally:
            engine.stop()
    assert faults == ["Not used: 280 inH2O lies outside -1 to 40 inH2O (test pressure)."]

    with ArchiveReader(archive) as reader:
        pull = reader.pull(number)
        assert pull.outcome == "complete"
        assert [point.typed for point in pull.points] == [("lift", "test_pressure", "meter_pressure")] * 2
        assert pull.sources == {
            "lift": "typed://dial", "test_pressure": "typed://columns", "meter_pressure": "typed://columns",
        }  # fmt: skip
        again = replay(reader, pull.sessions[0].id)
        assert again.differences == ()
        assert len(again.points) == 2
    # the texts as they came stand beside the numbers, also those that were refused nowhere
    with sqlite3.connect(archive) as sql:
        said = [
            sentence for (sentence,) in sql.execute("SELECT sentence FROM notices WHERE kind = 'typed' ORDER BY id")
        ]
    assert len(said) == len(TYPED) - 1
    assert said[6].endswith("'+0,300 in', read as 0.3 in")

    shown = command("show", str(number), "--db", str(archive)).output
    assert "Typed, not measured: lift, test pressure, meter." in shown
    assert "MARK: The test pressure was typed once a point: nothing says that it held in between." in shown
    assert "NOT SETTLED" not in shown

    steady = command("steady", str(number), "--db", str(archive), "-o", str(tmp_path / "steady.pdf"))
    assert steady.return_value == 1
    assert "The test pressure WAS NOT MEASURED: typed once a point" in steady.output
    assert " held\n" not in steady.output
    verdict = json.loads(command("steady", str(number), "--db", str(archive), "--json").output)
    assert (verdict["held"], verdict["unwitnessed"]) == (False, True)
    over_all = command("steady", "--all", "--db", str(archive))
    assert "no lift pull whose test pressure was measured" in str(over_all.exception)

    assert command("sheet", str(number), "--db", str(archive), "-o", str(tmp_path / "sheet.pdf")).exit_code == 0
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")
    exported = command("export", str(number), "--db", str(archive)).output
    assert "lift test_pressure meter_pressure" in exported
    budget = command("budget", str(number), "--db", str(archive), "--lift", "0.1", "--confirm")
    assert budget.exit_code == 0, budget.output
    assert "digit of its zero" in budget.output
