"""What ``steadydraw`` alone does: from nothing to a first pull, and later straight to the dashboard."""

from pathlib import Path
from typing import Protocol

from acquire.bundled import read_bundled
from acquire.config import ConfigError, load_config
from acquire.wiring.talk import Talk, agreed, ask_until

CHOICES = """\
Nothing is set up here yet. What do you want to do?

  1  Look at it first: a first pull on a simulated bench, about five minutes
  2  Find and wire the instruments of my bench
  3  A bench with water columns and a dial, whose readings are typed
  4  Nothing now
"""
CAUTIONS = """\
A flow bench is loud and strong: hearing and eye protection on, hands and loose
things clear of suction and blower. Mains wiring is for licensed people. Your
local codes come first.
"""


class Steps(Protocol):
    """What can be started. Each runs in this terminal and returns its exit code."""

    def demo(self) -> int:
        """The dashboard on a simulated bench."""
        ...

    def wire(self, output: Path) -> int:
        """Find instruments and write a configuration."""
        ...

    def running(self) -> str | None:
        """The bench whose daemon runs, if there is one."""
        ...

    def start(self, config: Path, bench: str) -> None:
        """The daemon, in the background. Raises ``Refused``."""
        ...

    def stop(self) -> None:
        """That daemon."""
        ...

    def dashboard(self, bench: str) -> int:
        """The dashboard, until it is closed."""
        ...


def lead(talk: Talk, steps: Steps, config: Path) -> int:
    """Lead from where this machine stands to a dashboard; the exit code.

    Raises ``ConfigError`` where the configuration is there but wrong, and
    ``Refused`` where the daemon does not start.
    """
    bench = steps.running()
    if bench is not None:
        return steps.dashboard(bench)
    while not config.exists():
        choice = ask_until(talk, f"{CHOICES}\nWhich", "1", _number)
        if choice == 4:
            talk.say("All commands: steadydraw --help")
            return 0
        if choice == 1:
            talk.say("Starting the simulated bench. It turns valve and blower by itself, as the screen asks.")
            talk.say("Ctrl+Q leaves it again, and its results with it. One moment ...")
            code = steps.demo()
            talk.say("That was the simulated bench; its results are gone.\n" if code == 0 else "")
        elif choice == 2:
            config.parent.mkdir(parents=True, exist_ok=True)
            talk.say("Blower off, instruments on. Each port is listened to; nothing is sent before you agree.")
            steps.wire(config)
        else:
            _typed(talk, config)
            return 0
    return _open(talk, steps, config)


def _number(answer: str) -> int:
    if answer not in ("1", "2", "3", "4"):
        raise ValueError("Answer 1, 2, 3 or 4.")
    return int(answer)


def _typed(talk: Talk, config: Path) -> None:
    config.parent.mkdir(parents=True, exist_ok=True)
    config.write_text(read_bundled("typed_bench.toml"), encoding="utf-8")
    talk.say(
        f"\nWritten: {config}\nOpen it in an editor: put in your meter's certificate and how finely you\n"
        "read your columns. Then run steadydraw again."
    )


def _open(talk: Talk, steps: Steps, config: Path) -> int:
    try:
        name = load_config(config).name
    except ConfigError:
        talk.say(f"The bench is described in {config}, which has a fault:")
        raise
    talk.say(CAUTIONS)
    talk.say(f"Bench: {name}\nDescribed in: {config}\n")
    if not agreed(talk, "Start its daemon and open the dashboard?"):
        return 0
    steps.start(config, name)
    code = steps.dashboard(name)
    talk.say("A pull that is not ended can be gone on with later.")
    if agreed(talk, "Stop the daemon too?", proposed=True):
        steps.stop()
    else:
        talk.say("It goes on. Open the dashboard again with: steadydraw")
    return code
