"""A signal that has been exactly the same for longer than its own noise allows."""

_REVERSALS = 20
"""So many changes of direction have been seen before anything is known of the noise: a smooth approach has none."""
_LEAST_US = 2_000_000
_HABITS = 5.0


class Unchanging:
    """Block by block. A coarse digit may rightly stand for long: the longest run that ended is the habit."""

    def __init__(self) -> None:
        self._last: float | None = None
        self._rising = False
        self._reversals = 0
        self._since_us = 0
        self._habit_us = 0

    def block(self, t_us: int, values: list[float], *, learns: bool) -> None:
        """The values of one block that begins at ``t_us``; ``learns``: what is seen now is the noise at rest."""
        last, self._last = self._last, values[-1]
        if last is not None and min(values) == max(values) == last:
            return
        if learns and last is not None:
            self._habit_us = max(self._habit_us, t_us - self._since_us)
        self._since_us = t_us
        if last is None or values[-1] == last:
            return
        rising = values[-1] > last
        self._reversals += learns and rising != self._rising
        self._rising = rising

    def too_long(self, now_us: int) -> bool:
        """Whether it has been the same for longer than its noise allows."""
        if self._reversals < _REVERSALS or self._last is None:
            return False
        return now_us - self._since_us > max(_LEAST_US, _HABITS * self._habit_us)
