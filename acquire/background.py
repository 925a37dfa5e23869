"""A daemon started beside the terminal it was asked for in, which goes on when that closes."""

import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from acquire.client import Client, ClientError
from acquire.records import Refused
from acquire.where import state_folder

_START_S = 300.0
_SAID_AFTER_S = 4.0
GETTING_READY = "Getting ready: the first start after an update takes about half a minute."


@dataclass(frozen=True, slots=True)
class Started:
    """A daemon that was started here: its bench's name, and where its lines go."""

    process: "subprocess.Popen[bytes]"
    bench: str
    log: Path

    def stop(self) -> None:
        """End it cleanly; a pull stays resumable."""
        self.process.terminate()
        self.process.wait()


def start_daemon(
    config: Path, bench: str, pause: Callable[[float], None] = time.sleep, say: Callable[[str], None] = lambda _: None
) -> Started:
    """Start it and wait until it answers; a long wait is said. Raises ``Refused`` with the last thing that it said."""
    log = state_folder() / "daemon.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "acquire", "serve", "--config", str(config)]
    # of its own: Ctrl+C in this terminal, or its closing, must not end a pull
    apart = 0
    if sys.platform == "win32":
        apart = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS
    with log.open("wb") as stream:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=stream,
            start_new_session=True,
            creationflags=apart,
        )
    try:
        until_it_answers(process, log, bench, pause, say)
    except Refused as refused:
        process.kill()
        process.wait()
        raise Refused(f"{refused} (its log is {log})") from refused
    return Started(process, bench, log)


def until_it_answers(
    process: "subprocess.Popen[bytes]",
    log: Path,
    bench: str | None = None,
    pause: Callable[[float], None] = time.sleep,
    say: Callable[[str], None] = lambda _: None,
) -> Client:
    """The daemon that ``process`` becomes, once it answers. Raises ``Refused`` with the last thing that it said."""
    begun = time.monotonic()
    said_so = False
    while time.monotonic() < begun + _START_S and process.poll() is None:
        if not said_so and time.monotonic() > begun + _SAID_AFTER_S:
            said_so = True
            say(GETTING_READY)
        try:
            client = Client.find(bench)
            client.health()
        except ClientError:
            pause(0.1)
        else:
            return client
    said = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    raise Refused(f"the daemon did not start: {said[-1] if said else 'it said nothing'}")
