"""The sentence at the top for every situation: the daemon's own, or what only this screen can know. Pure."""

from dataclasses import dataclass

from acquire.records import Frame
from acquire.ui.look import TONES, Tone, why_not

READY = "Scan the next head's label, or press Enter to set up a pull."
WAITING = "Waiting for the bench's daemon."
START_IT = "It is started with: steadydraw serve --config FILE"
OFFER = "r takes it again"


@dataclass(frozen=True, slots=True)
class Saying:
    """The sentence, its tone and shape, and the line beneath it."""

    sentence: str
    tone: Tone
    glyph: str
    beneath: str = ""


def saying(
    frame: Frame | None, lost: tuple[str, str] = ("", ""), flash: str = "", doubt: str = "", *, keys: bool = True
) -> Saying:
    """What to say now.

    ``lost``: that the daemon is not heard, and why; ``flash``: the point that
    was just taken; ``doubt``: the point that is out of line; ``keys``: whether
    keys of a running bench may be named.
    """
    if lost[0]:
        old = "Numbers below are old; the daemon keeps the pull." if frame is not None else START_IT
        return Saying(lost[0], "trouble", "!", f"{old} ({lost[1]})" if lost[1] else old)
    if frame is None:
        return Saying(WAITING, "rest", "·", START_IT)
    guide = frame.guide
    tone, glyph = TONES[guide.situation]
    sentence = READY if guide.situation == "no_pull" and keys else guide.sentence
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
