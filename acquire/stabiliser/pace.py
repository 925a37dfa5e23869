"""How fast readings come, against how fast they came before: a line that drips brings old readings as new ones."""

from collections import deque
from statistics import median

_STRETCH_US = 1_000_000
_STRETCHES = 31
_SILENT_US = 2_000_000
_KNOWN = 5
_LEAST = 4
"""Readings a stretch from which on a rate can be told."""
_SLOW = 0.25


class Pace:
    """Counted in stretches of a second; a slow one teaches nothing."""

    def __init__(self) -> None:
        self._counts: deque[int] = deque(maxlen=_STRETCHES)
        self._begun_us: int | None = None
        self._n = 0
        self._last_us = 0
        self._slow_for = 0
        self.slow = ""

    @property
    def old(self) -> bool:
        """Slow for longer than a pause of the line: what came in that time may be older than it says."""
        return self._slow_for > 1

    def add(self, t_us: int, n: int) -> None:
        """``n`` more readings up to ``t_us``."""
        silent = t_us - self._last_us >= _SILENT_US
        self._last_us = t_us
        if self._begun_us is None or silent:
            # nothing at all came: that is no line that drips
            self._begun_us, self._n = t_us, 0
            return
        self._n += n
        span_us = t_us - self._begun_us
        if span_us < _STRETCH_US:
            return
        per_s = self._n * 1e6 / span_us
        usual = median(self._counts) if len(self._counts) >= _KNOWN else 0.0
        if usual >= _LEAST and per_s < _SLOW * usual:
            self.slow = f"{per_s:.1f} a second instead of {usual:.0f}"
            self._slow_for += 1
        else:
            self.slow = ""
            self._slow_for = 0
            self._counts.append(round(per_s))
        self._begun_us, self._n = t_us, 0
