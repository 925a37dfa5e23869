"""Lift and test pressure as witnesses: nothing is settled while either moves."""

from acquire.lifts import inside
from acquire.values import Step

STILL_US = 2_000_000
"""A stay of the lift shorter than this is a pause, not an arrival."""
ENTER_SHARE = 0.9
"""The pressure enters its band at this share of it and leaves at the whole: no flutter at the edge."""

GAP_US = 1_500_000
"""What has said nothing for longer may have moved and come back: its stay begins anew."""
NEAR = 0.15
"""So near its target the pressure's effect on a referred flow is understood."""


class LiftWitness:
    """Is the valve where it should be, and since when has it been still?"""

    def __init__(self, tolerance_m: float) -> None:
        self._tolerance_m = tolerance_m
        # a last-digit flicker of 0.001 in is no movement
        self._move_m = 0.75 * tolerance_m
        self._target_m: float | None = None
        self._anchor_m: float | None = None
        self._lift_m = 0.0
        self._doubt = False
        self.last_us: int | None = None
        self.still_since_us: int | None = None

    def aim(self, target_m: float | None) -> None:
        """A new target; stillness is a matter of the valve and stays."""
        self._target_m = target_m

    @property
    def watched(self) -> bool:
        """Whether this step involves a valve."""
        return self._target_m is not None

    def push(self, t_us: int, lift_m: float) -> None:
        """One sample; a single stray one is doubt, a second one in a row is a movement."""
        unseen = self.last_us is not None and t_us - self.last_us > GAP_US
        self.last_us = t_us
        if self._anchor_m is None or unseen:
            self._doubt = False
            self._anchor_m = self._lift_m = lift_m
            self.still_since_us = t_us
        elif abs(lift_m - self._anchor_m) <= self._move_m:
            self._doubt = False
            self._lift_m = lift_m
        elif not self._doubt:
            self._doubt = True
        else:
            self._doubt = False
            self._anchor_m = self._lift_m = lift_m
            self.still_since_us = t_us

    @property
    def in_place(self) -> bool:
        """Within tolerance of the target, nothing in doubt."""
        if self._target_m is None:
            return True
        if self._anchor_m is None or self._doubt:
            return False
        return inside(self._lift_m - self._target_m, self._tolerance_m)

    def settled_since_us(self) -> int | None:
        """Since when the valve has been in place and still; None while it is not."""
        if self._target_m is None:
            return 0
        return self.still_since_us if self.in_place else None


class PressureWitness:
    """Has the test pressure been inside its band, and since when?"""

    def __init__(self, band: float) -> None:
        self._band = band
        self._target_pa = 0.0
        self._outside = 0
        self._last_us: int | None = None
        self.inside_since_us: int | None = None
        self.near_since_us: int | None = None

    def aim(self, step: Step) -> None:
        """A new target: the pressure must show again that it is inside."""
        if step.test_pressure_pa != self._target_pa:
            self.inside_since_us = None
        self._target_pa = step.test_pressure_pa

    def block(self, t_us: int, pressure_pa: float) -> None:
        """The median pressure of one block that began at ``t_us``."""
        if self._last_us is not None and t_us - self._last_us > GAP_US:
            self.inside_since_us = self.near_since_us = None
        self._last_us = t_us
        off = abs(pressure_pa / self._target_pa - 1) if self._target_pa > 0 else 0.0
        if off > NEAR:
            self.near_since_us = None
        elif self.near_since_us is None:
            self.near_since_us = t_us
        if self.inside_since_us is None:
            if off <= ENTER_SHARE * self._band:
                self.inside_since_us = t_us
                self._outside = 0
        elif off > self._band:
            self._outside += 1
            if self._outside >= 2:
                self.inside_since_us = None
        else:
            self._outside = 0
