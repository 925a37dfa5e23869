"""What a sentence goes on saying for a while, so that it can be read: acknowledgements and remedies."""

from acquire.values import Point

# a point stays announced for that long
ANNOUNCE_US = 2_000_000
# a meter that is read at the end of its range flickers over it many times a second
_REMEDY_US = 2_000_000


class Announced:
    """The point just taken, for as long as the step that followed it is the one to be taken."""

    def __init__(self) -> None:
        self._seen: tuple[Point, int | None] | None = None

    def point(self, t_us: int, announced: tuple[int, Point] | None, now: int | None) -> Point | None:
        """The point to acknowledge; None once ``now`` is another step: that was the operator's doing."""
        if announced is None or t_us - announced[0] >= ANNOUNCE_US:
            self._seen = None
            return None
        point = announced[1]
        if self._seen is None or self._seen[0] is not point:
            self._seen = point, now
        return point if self._seen[1] == now else None


class Remedy:
    """A sentence whose first part is what to do: told from one that comes and goes with the noise of a reading."""

    def __init__(self) -> None:
        self._said = ""
        self._since_us: int | None = None

    def said(self, t_us: int, sentence: str) -> str:
        """The sentence to say; another remedy waits, but one that names a range goes before one that names none."""
        same = _remedy(sentence) == _remedy(self._said)
        if same or not self._said or (_names_range(sentence) and not _names_range(self._said)):
            self._said, self._since_us = sentence, None
            return sentence
        if self._since_us is None or t_us < self._since_us:
            self._since_us = t_us
        if t_us - self._since_us >= _REMEDY_US:
            self._said, self._since_us = sentence, None
        return self._said

    def over(self) -> None:
        """Nothing is to be remedied any more."""
        self._said, self._since_us = "", None


def _remedy(sentence: str) -> str:
    return sentence.partition(": ")[0]


def _names_range(sentence: str) -> bool:
    return "se range '" in _remedy(sentence)
