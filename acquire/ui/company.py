"""What a pull is seen beside: asked of the daemon again whenever a point was taken or another shadow was chosen."""

from acquire.beside.shadow import Doubt, PullBeside, Shadow
from acquire.records import Frame

# the choice of no shadow at all
NONE = 0


class Company:
    """What was asked and what was answered. Pure: who asks is told when it is due."""

    def __init__(self) -> None:
        self.beside: PullBeside | None = None
        self.chosen: int | None = None
        self._pull_id: int | None = None
        self._asked: tuple[int, int, int | None] | None = None
        self._said: tuple[int, float] | None = None

    def due(self, frame: Frame) -> tuple[int, int | None] | None:
        """The pull and the chosen shadow to ask about now, None when nothing has changed since."""
        pull = frame.pull
        if pull is None or frame.pull_id is None:
            self.beside = None
            self._asked = None
            return None
        if frame.pull_id != self._pull_id:
            self._pull_id, self.beside, self.chosen, self._said = frame.pull_id, None, None, None
        wanted = (frame.pull_id, sum(len(step.points) for step in pull.steps), self.chosen)
        if pull.kind != "lift" or wanted == self._asked:
            return None
        self._asked = wanted
        return frame.pull_id, None if self.chosen == NONE else self.chosen

    def hear(self, beside: PullBeside) -> Doubt | None:
        """Take the answer; the doubt in it, if it is a new one."""
        if beside.pull_id != self._pull_id:
            return None
        self.beside = beside
        its = beside.doubt
        said = (its.step, its.off_rel) if its is not None else None
        new = its is not None and (self._said is None or said is None or self._said[0] != said[0])
        self._said = said
        return its if new else None

    def choose(self, pull_id: int) -> None:
        """Lay this pull beneath the curve; ``NONE`` for none."""
        self.chosen = pull_id

    @property
    def shadow(self) -> Shadow | None:
        """The earlier pull to draw."""
        return self.beside.shadow if self.beside is not None and self.chosen != NONE else None

    @property
    def doubt(self) -> Doubt | None:
        """The point that is out of line."""
        return self.beside.doubt if self.beside is not None else None
