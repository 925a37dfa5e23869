"""``steadydraw`` without a command, in a terminal."""

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.commands.terminal import Terminal

if TYPE_CHECKING:
    from acquire.background import Started


class _Commands:
    """Each step is a command of its own, in this terminal."""

    def __init__(self) -> None:
        self._started: Started | None = None

    def _run(self, *words: str) -> int:
        return subprocess.run([sys.executable, "-m", "acquire", *words], check=False).returncode

    def demo(self) -> int:
        return self._run("demo")

    def wire(self, output: Path) -> int:
        return self._run("wire", "-o", str(output))

    def dashboard(self, bench: str) -> int:
        return self._run("dashboard", "--bench", bench)

    def running(self) -> str | None:
        from acquire.client import Client, ClientError

        try:
            return Client.find().bench_name
        except ClientError:
            return None

    def start(self, config: Path, bench: str) -> None:
        from acquire.background import start_daemon

        self._started = start_daemon(config, bench, say=click.echo)
        click.echo(f"The daemon runs; what it says goes to {self._started.log}")

    def stop(self) -> None:
        if self._started is not None:
            self._started.stop()


def begin() -> int:
    """Lead from nothing to a first pull; where all is set up, open the dashboard."""
    from acquire.first_run import lead
    from acquire.where import config_folder

    return lead(Terminal(), _Commands(), config_folder() / "bench.toml")
