"""The sentence at the top for every situation: the daemon's own, or what only this screen can know. Pure."""

from dataclasses import dataclass
from typing import Literal

from acquire.records import Frame
from acquire.ui.look import TONES, Tone, why_not
from acquire.ui.words import brief

READY = "Scan the next head's label, or press Enter to set up a pull."
WAITING = "Waiting for the bench's daemon."
START_IT = "It is started with: steadydraw serve --config FILE"
OLD, OLD_IN_PULL = "Numbers are old.", "Numbers are old, the pull is kept."
GONE = "If it has ended: steadydraw serve"
OFFER = "r takes it again"
NOTHING_RUNS = "No pull is running."
HELD = "Paused: p goes on"
FITTED = "m says which range is fitted"
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
    offer: bool = True,
    between: Between = "",
) -> Saying:
    """What to say now.

    ``lost``: that the daemon is not heard, and why; ``flash``: the point that
    was just taken; ``doubt``: the point that is out of line; ``keys``: whether
    keys of a running bench may be named; ``offer``: whether that point is the
    one that would be taken again; ``between``: what between pulls is
    more to the point than the next head.
    """
    if lost[0]:
        # that none answers is said; whatever else is the reason stands there, without where it was looked for
        reason = brief(lost[1]).removeprefix("the connection broke").partition(": waiting")[0]
        gone = not reason or reason.startswith("no daemon answers")
        if frame is None:
            return Saying(lost[0], "trouble", "!", START_IT if gone else reason)
        kept = OLD_IN_PULL if frame.pull is not None and frame.pull.outcome is None else OLD
        return Saying(lost[0], "trouble", "!", f"{kept} {GONE if gone else f'({reason})'}")
    if frame is None:
        return Saying(WAITING, "rest", "·", START_IT)
    guide = frame.guide
    tone, glyph = TONES[guide.situation]
    sentence = guide.sentence
    if guide.situation == "no_pull":
        sentence = _BETWEEN[between] if keys else NOTHING_RUNS
    running = frame.pull is not None and frame.pull.outcome is None
    beneath = why_not(frame)
    if doubt:
        beneath = f"{doubt}: {OFFER}" if running and keys and offer else doubt
    elif keys:
        beneath = _key_for(frame) or beneath
    if flash and tone != "trouble":
        # the twin of the bell: the whole panel, for as long as the eye needs to come up from the valve
        tone, glyph = "taken", "✔"
    return Saying(sentence, tone, glyph, flash if flash and not doubt else beneath)


def _key_for(frame: Frame) -> str:
    """The key that the moment asks for; empty where the sentence asks for hands alone."""
    situation, pull = frame.guide.situation, frame.pull
    if situation == "paused":
        return "p goes on"
    if situation in ("ended", "aborted"):
        return "Enter: next head, same set-up"
    if pull is not None and pull.paused and situation in ("signal_lost", "close_valve"):
        # held by what is said above as well
        return HELD
    # (whichever range is to be used, or none that is known: the one that is fitted is said by hand)
    return FITTED if situation == "wrong_range" and " range '" in frame.guide.sentence else ""
