"""Reading the zeros: bench off, valve closed, everything quiet for a while."""

from collections import deque
from collections.abc import Callable, Collection

from acquire.config import Zero
from acquire.values import Mark, Zeros

_SIGNALS = ("test_pressure", "meter_pressure", "lift")
_NEVER_US = 2**62


class ZeroReader:
    """Pure: fed with SI values, gives the zeros once all signals were quiet.

    Every sample of the last ``time_s`` must lie inside its band, and the two
    halves of that time must agree within half the shift limit: a blower that
    runs down or a valve that still turns is not a zero: ``restless`` is the
    signal that does. Of a ``typed`` signal the latest number inside its band
    counts.
    """

    def __init__(self, settings: Zero, with_lift: bool, typed: Collection[str] = ()) -> None:
        self._settings = settings
        self._time_us = round(settings.time_s * 1e6)
        self._signals = _SIGNALS if with_lift else _SIGNALS[:2]
        self._typed = tuple(name for name in self._signals if name in typed)
        self._measured = tuple(name for name in self._signals if name not in typed)
        self._left_out: dict[str, float] = {}
        # which signal was near zero for long enough, but moved in that time; empty for none
        self.restless = ""
        self._windows: dict[str, deque[tuple[int, float]]] = {name: deque() for name in self._signals}

    def _band(self, signal: str) -> float:
        return self._settings.lift_band_m if signal == "lift" else self._settings.pressure_band_pa

    def _limit(self, signal: str) -> float:
        return self._settings.lift_shift_limit_m if signal == "lift" else self._settings.pressure_shift_limit_pa

    def outside(self) -> tuple[str, ...]:
        """The signals whose latest sample lies outside its band."""
        return tuple(name for name in self._signals if not self._windows[name] and name not in self._typed)

    def awaited(self) -> tuple[str, ...]:
        """The signals whose zero is still to be typed."""
        return tuple(name for name in self._typed if not self._windows[name] and name not in self._left_out)

    def leave_out(self, zero: Callable[[str], float]) -> tuple[str, ...]:
        """Go on without the zeros that are still to be typed, if others are measured; which they are.

        ``zero`` gives what counts in their place.
        """
        left_out = self.awaited() if len(self._typed) < len(self._signals) else ()
        self._left_out |= {name: zero(name) for name in left_out}
        return left_out

    def is_no_zero(self, signal: str, value: float) -> bool:
        """Whether a value lies outside its signal's band."""
        return abs(value) > self._band(signal)

    def complete_from_us(self, next_us: Callable[[str], int | None]) -> int:
        """No zeros can be complete with a sample before that time; 0 where some are typed, each of which counts.

        ``next_us``: when a signal's next sample comes; None for one of which none will.
        """
        if self._typed:
            return 0
        begins = [its[0][0] if (its := self._windows[name]) else next_us(name) for name in self._measured]
        known = [begin for begin in begins if begin is not None]
        if len(known) < len(begins):
            return _NEVER_US
        return max(known, default=0) + self._time_us

    def push_many(self, t_us: list[int], signal: str, values: list[float]) -> None:
        """Use a signal's samples, all before any zeros can be complete."""
        window, band = self._windows.get(signal), self._band(signal)
        if window is None or not values:
            return
        outside = next((i for i in reversed(range(len(values))) if abs(values[i]) > band), -1)
        if outside >= 0:
            window.clear()
        window.extend(zip(t_us[outside + 1 :], values[outside + 1 :], strict=True))
        self._forget(window, t_us[-1] - self._time_us)

    def push(self, t_us: int, signal: str, value: float) -> Zeros | None:
        """Use one sample; the zeros when they are complete."""
        window = self._windows.get(signal)
        if window is None:
            return None
        if self.is_no_zero(signal, value):
            window.clear()
            return None
        window.append((t_us, value))
        oldest_us = t_us - self._time_us
        self._forget(window, oldest_us)
        if self.awaited() or any(self._is_short(self._windows[name], t_us, oldest_us) for name in self._measured):
            self.restless = ""
            return None
        means = {name: its[-1][1] if (its := self._windows[name]) else self._left_out[name] for name in self._typed}
        for name in self._measured:
            values = [v for _, v in self._windows[name]]
            half = len(values) // 2
            first, second = sum(values[:half]) / half, sum(values[half:]) / (len(values) - half)
            if abs(second - first) > self._limit(name) / 2:
                self.restless = name
                return None
            means[name] = sum(values) / len(values)
        return Zeros(t_us, means["test_pressure"], means["meter_pressure"], means.get("lift", 0.0))

    @staticmethod
    def _forget(window: deque[tuple[int, float]], oldest_us: int) -> None:
        while len(window) > 2 and window[1][0] <= oldest_us:
            window.popleft()

    @staticmethod
    def _is_short(window: deque[tuple[int, float]], t_us: int, oldest_us: int) -> bool:
        """Whether a window does not reach back to ``oldest_us`` yet, or up to now any more."""
        return len(window) < 4 or window[0][0] > oldest_us or t_us - window[-1][0] > 1_000_000


def shift_marks(before: Zeros | None, after: Zeros, limits: Zero) -> list[Mark]:
    """The zeros that moved by more than their limit during the pull."""
    if before is None:
        return []
    pressure_pa = limits.pressure_shift_limit_pa
    return [
        Mark(
            "zero shift",
            f"The {name} zero moved by {shift:+.3g} {unit} during the pull; its limit is {limit:.3g} {unit}.",
        )
        for name, shift, limit, unit in (
            ("test pressure", after.test_pressure_pa - before.test_pressure_pa, pressure_pa, "Pa"),
            ("meter pressure", after.meter_pressure_pa - before.meter_pressure_pa, pressure_pa, "Pa"),
            ("lift", (after.lift_m - before.lift_m) * 1e3, limits.lift_shift_limit_m * 1e3, "mm"),
        )
        if abs(shift) > limit
    ]
