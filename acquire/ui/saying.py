"""The sentence at the top for every situation: the daemon's own, or what only this screen can know. Pure."""

import re
from dataclasses import dataclass
from typing import Literal

from acquire.records import Frame
from acquire.ui.look import TONES, Tone, why_not

READY = "Scan the next head's label, or press Enter to set up a pull."
WAITING = "Waiting for the bench's daemon."
START_IT = "It is started with: steadydraw serve --config FILE"
OFFER = "r takes it again"
UNFINISHED = "A pull is unfinished: press u to go on with it, or Enter for a new one."
NO_PULL_YET = "Press t to start from a template, or Enter to fill in all of it."
Between = Literal["", "unfinished", "no pull yet"]
_BETWEEN: dict[Between, str] = {"": READY, "unfinished": UNFINISHED, "no pull yet": NO_PULL_YET}


@dataclass(frozen=True, slots=True)
class Saying:
    """The sentence, its tone and shape, and the line beneath it."""

    sentence: str
    tone: Tone
    glyph: str
    beneath: str = ""


def saying(
    frame: Frame | None,
    lost: tuple[str, str] = ("", ""),
    flash: str = "",
    doubt: str = "",
    *,
    keys: bool = True,
    between: Between = "",
) -> Saying:
    """What to say now.

    ``lost``: that the daemon is not heard, and why; ``flash``: the point that
    was just taken; ``doubt``: the point that is out of line; ``keys``: whether
    keys of a running bench may be named; ``between``: what between pulls is
    more to the point than the next head.
    """
    if lost[0]:
        old = "Numbers below are old; the daemon keeps the pull." if frame is not None else START_IT
        # where the daemon is looked for tells the operator nothing, and would push the reason off the screen
        reason = re.sub(r" at https?://[^ ]+:\d+", "", lost[1])
        return Saying(lost[0], "trouble", "!", f"{old} ({reason})" if reason else old)
    if frame is None:
        return Saying(WAITING, "rest", "·", START_IT)
    guide = frame.guide
    tone, glyph = TONES[guide.situation]
    sentence = _BETWEEN[between] if guide.situation == "no_pull" and keys else guide.sentence
    running = frame.pull is not None and frame.pull.outcome is None
    beneath = why_not(frame)
    if doubt:
        beneath = f"{doubt}: {OFFER}" if running and keys else doubt
    elif keys and guide.situation == "paused":
        beneath = "p goes on"
    elif keys and guide.situation in ("ended", "aborted"):
        beneath = "Enter: next head, same set-up"
    if flash:
        # the twin of the bell: the whole panel, for as long as the eye needs to come up from the valve
        return Saying(sentence, "taken", "✔", flash if not doubt else beneath)
    return Saying(sentence, tone, glyph, beneath)
