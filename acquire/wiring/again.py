"""What is asked and heard again once the lines of an instrument are known."""

from collections.abc import Sequence

from acquire.wiring.listen import Clock, Opener, Wire, ask_line, collect, listen_at, wait_for_press
from acquire.wiring.recognise import Reading, press_pattern
from acquire.wiring.talk import Talk, ask_until
from drivers.lines import unescape

_BUTTON_S = 15.0


def choose(talk: Talk, readings: Sequence[Reading]) -> Reading:
    """Which of several ways to read the lines is right."""
    if len(readings) == 1:
        return readings[0]
    for i, reading in enumerate(readings, 1):
        talk.say(f"  {i}  {'   '.join(field.texts[-1] for field in reading.fields)}")

    def which(answer: str) -> Reading:
        if answer not in [str(i) for i in range(1, len(readings) + 1)]:
            raise ValueError(f"A number from 1 to {len(readings)}.")
        return readings[int(answer) - 1]

    return ask_until(talk, "  The numbers in it are as in", "1", which)


def again(talk: Talk, port: str, wire: Wire, driver: str, request: str, clock: Clock, opener: Opener) -> bytes:
    """What comes now: a second of what streams, an answer, or the next press. Raises ``LinkLostError``."""
    if driver == "lines_asked":
        return ask_line(port, wire, unescape(request), clock, opener).data
    if driver == "line_on_button":
        talk.say("  Press its button.")
        return wait_for_press(port, wire, clock, opener).data
    return listen_at(port, wire, clock, opener)


def button(
    talk: Talk, port: str, wire: Wire, reading: Reading, names: Sequence[str], clock: Clock, opener: Opener
) -> dict[str, object]:
    """The key of a configuration for the line that a press brings; empty when none came. Raises ``LinkLostError``."""
    talk.say("  Press it now, once.")
    link = opener(port, wire)
    try:
        data = collect(link, clock, lambda its, _s: bool(press_pattern(its, reading, names)), _BUTTON_S)
    finally:
        link.close()
    if pattern := press_pattern(data, reading, names):
        talk.say("  Its line was found.")
        return {"button_pattern": pattern}
    talk.say("  No other line came: left out.")
    return {}
