"""One line of the check. Pure."""

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "note", "wrong"]


@dataclass(frozen=True, slots=True)
class Line:
    """``said`` in one sentence; ``cure`` is what to do, empty where nothing is to be done."""

    name: str
    verdict: Verdict
    said: str
    cure: str = ""


def good(name: str, said: str) -> Line:
    """Nothing is to be done."""
    return Line(name, "good", said)


def note(name: str, said: str, cure: str = "") -> Line:
    """Worth to know; the bench works."""
    return Line(name, "note", said, cure)


def wrong(name: str, said: str, cure: str) -> Line:
    """The bench does not work like this, or not for long."""
    return Line(name, "wrong", said, cure)
