"""Whether the lift still counts from the closed valve, and the way back where it does not. Pure.

Two watch in one pull: ``lift_zero`` for an indicator that is zeroed with the
valve open, ``lift_count`` for an encoder that may have lost its count.
"""

from dataclasses import replace

from acquire.config import BenchConfig
from acquire.pull.lift_count import CountWatch
from acquire.pull.lift_zero import LiftZero, lost_mark, still_lost
from acquire.pull.outputs import PullState
from acquire.pull.signals import Signals
from acquire.pull.stretches import Sighting, Sightings, Stretches
from acquire.records import Refused
from acquire.values import Mark, Step, Zeros

_CURE = "close the valve, zero the indicator there, then go on"


class LiftWatch:
    """``lost``: nothing may be taken until the zero is found. Steps are told by number, from 1."""

    def __init__(self, config: BenchConfig, signals: Signals, start: PullState, *, with_valve: bool) -> None:
        self._signals = signals
        self._with_valve = with_valve
        self._band_m = config.zero.lift_band_m
        tolerance_m = config.settling.lift_tolerance_m
        self._zero = LiftZero(tolerance_m)
        counts = with_valve and signals.channels["lift"].counting is not None
        self._count = CountWatch(tolerance_m) if counts else None
        # in a later session nobody knows whether a counter had its supply in between
        self.lost = still_lost(start.marks) or (counts and start.zeros_before is not None)

    @property
    def counts(self) -> bool:
        """Whether the lift is a count that may be lost: each of its readings is looked at, at rest too."""
        return self._count is not None

    def push_at_rest(self, t_us: int, lift_m: float, number: int) -> None:
        """One lift of a zero check, as the indicator sent it: the closed valve stands where it stands."""
        if self._count is not None:
            self._count.push(t_us, lift_m, number)

    def push(self, its: Sighting, step: Step, number: int) -> Mark | None:
        """One lift during a step, its zero subtracted; the mark when the zero is lost by it."""
        zero_m = self._signals.zero("lift")
        # the lift as the indicator sends it
        indicated_m = its.lift_m + zero_m
        lost = None
        if self._count is not None:
            lost = self._count.push(its.t_us, indicated_m, number)
        if self._zero.push(its.t_us, indicated_m, its.area_m2, _share(its.test_pressure_pa, step)):
            lost = lost_mark(number, self._zero.before_m - zero_m)
        if lost is None or self.lost or not self._with_valve:
            return None
        self.lost = True
        return lost

    def passes_until(self, its: Stretches, at: int) -> int:
        """The place from ``at`` on up to which no lift can mean a lost zero; ``at`` itself where any may."""
        if self._count is not None or self._zero.jumped:
            return at
        return its.away_until(at, self._zero.tolerance_m)

    def passes(self, its: Sightings) -> bool:
        """Whether none of these lifts can mean a lost zero; then that is all about them, else push them one by one."""
        zero_m = self._signals.zero("lift")
        return self._count is None and self._zero.passes([lift_m + zero_m for lift_m in its.lift_m], its.area_m2)

    def found(self, step: Step) -> Zeros:
        """The zeros from now on: the operator says that the valve is closed and the indicator zeroed there.

        Raises :class:`Refused` with a sentence.
        """
        signals = self._signals
        latest_m = signals.latest("lift")
        if latest_m is None or signals.silent(self._with_valve) == "lift":
            raise Refused("The lift indicator is silent: check its cable, then close the valve and zero it there.")
        zero_m = latest_m + signals.zero("lift")
        if abs(zero_m) > self._band_m:
            raise Refused(f"The lift indicator reads {zero_m / 0.0254:.4f} in ({zero_m * 1e3:.3f} mm): {_CURE}.")
        if self._zero.says_open(_share(signals.latest("test_pressure"), step)):
            raise Refused(f"The flow says that the valve is still open: {_CURE}.")
        self.lost = False
        t_us = signals.t_us
        return replace(signals.zeros or Zeros(t_us, 0.0, 0.0, 0.0), t_us=t_us, lift_m=zero_m)


def _share(test_pressure_pa: float | None, step: Step) -> float:
    """Test pressure over that of the step."""
    return (test_pressure_pa or 0.0) / step.test_pressure_pa
