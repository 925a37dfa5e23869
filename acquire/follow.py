"""Begin a pull from a plan file and follow it line by line, without a screen."""

import asyncio
import tomllib
from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError

from acquire.client import Client, Lost
from acquire.config import ConfigError, say_first, text_of
from acquire.records import Frame, LiveEvent, PullRequest


def read_plan(path: Path) -> PullRequest:
    """A plan file (TOML, quantities with units). Raises ``ConfigError``."""
    try:
        data = tomllib.loads(text_of(path))
        return PullRequest.model_validate(data, context={"text": True})
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path} is not valid TOML: {error}") from error
    except ValidationError as error:
        raise ConfigError(f"{path}: {say_first(error, PullRequest)}") from error


def follow(client: Client, pull_id: int, say: Callable[[str], None]) -> bool:
    """Say what the guide and the events say until the pull ends; True when complete."""
    return asyncio.run(_follow(client, pull_id, say))


async def _follow(client: Client, pull_id: int, say: Callable[[str], None]) -> bool:
    told = ""
    async for item in client.live():
        if isinstance(item, Lost):
            say(item.sentence)
        elif isinstance(item, LiveEvent):
            if item.pull_id == pull_id and item.kind in ("taken", "mark", "zeros", "notice"):
                say(item.sentence)
        else:
            told = _tell(item, told, say)
            if item.pull_id == pull_id and item.pull is not None and item.pull.outcome is not None:
                say(item.guide.sentence)
                return item.pull.outcome == "complete"
    return False


def _tell(frame: Frame, told: str, say: Callable[[str], None]) -> str:
    """Say the guide's sentence when the situation or the step is another one."""
    now = f"{frame.guide.situation} {frame.pull.now if frame.pull else None}"
    if now != told and frame.guide.situation not in ("hold_settling", "hold_moving", "taken"):
        say(f"  {frame.guide.sentence}")
    return now
