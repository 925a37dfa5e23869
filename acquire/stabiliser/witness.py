"""Lift and test pressure as witnesses: nothing is settled while either moves."""

import math

from acquire.compiled import NEVER_US, Record, compiled, fields, new

STILL_US = 2_000_000
"""A stay of the lift shorter than this is a pause, not an arrival."""
ENTER_SHARE = 0.9
"""The pressure enters its band at this share of it and leaves at the whole: no flutter at the edge."""
GAP_US = 1_500_000
"""What has said nothing for longer may have moved and come back: its stay begins anew."""
NEAR = 0.15
"""So near its target the pressure's effect on a referred flow is understood."""

# ``target_m`` is not a number for a step without a valve, ``anchor_m`` before the first sample
LIFT = fields(
    ("tolerance_m", "f8"),
    ("move_m", "f8"),
    ("target_m", "f8"),
    ("anchor_m", "f8"),
    ("lift_m", "f8"),
    ("doubt", "?"),
    ("last_us", "i8"),
    ("still_since_us", "i8"),
)
PRESSURE = fields(
    ("band", "f8"),
    ("target_pa", "f8"),
    ("outside", "i8"),
    ("last_us", "i8"),
    ("inside_since_us", "i8"),
    ("near_since_us", "i8"),
)


def lift_witness(tolerance_m: float) -> Record:
    """Is the valve where it should be, and since when has it been still?"""
    lift = new(LIFT)
    lift["tolerance_m"] = tolerance_m
    # a last-digit flicker of 0.001 in is no movement
    lift["move_m"] = 0.75 * tolerance_m
    lift["target_m"] = lift["anchor_m"] = math.nan
    lift["last_us"] = lift["still_since_us"] = NEVER_US
    return lift


@compiled
def see_lift(lift: Record, t_us: int, lift_m: float) -> None:
    """One sample; a single stray one is doubt, a second one in a row is a movement."""
    unseen = lift.last_us != NEVER_US and t_us - lift.last_us > GAP_US
    lift.last_us = t_us
    if math.isnan(lift.anchor_m) or unseen:
        lift.doubt = False
        lift.anchor_m = lift.lift_m = lift_m
        lift.still_since_us = t_us
    elif abs(lift_m - lift.anchor_m) <= lift.move_m:
        lift.doubt = False
        lift.lift_m = lift_m
    elif not lift.doubt:
        lift.doubt = True
    else:
        lift.doubt = False
        lift.anchor_m = lift.lift_m = lift_m
        lift.still_since_us = t_us


@compiled
def settled_since_us(lift: Record) -> int:
    """Since when the valve has been in place and still, nothing in doubt; never while it is not, 0 without a valve."""
    if math.isnan(lift.target_m):
        return 0
    if math.isnan(lift.anchor_m) or lift.doubt:
        return NEVER_US
    # as in acquire.lifts.inside: readings land on digits
    if abs(lift.lift_m - lift.target_m) <= lift.tolerance_m * (1 + 1e-6) + 1e-9:
        return int(lift.still_since_us)
    return NEVER_US


def pressure_witness(band: float) -> Record:
    """Has the test pressure been inside its band, and since when?"""
    pressure = new(PRESSURE)
    pressure["band"] = band
    pressure["last_us"] = pressure["inside_since_us"] = pressure["near_since_us"] = NEVER_US
    return pressure


def aim_pressure(pressure: Record, target_pa: float) -> None:
    """A new target: the pressure must show again that it is inside."""
    if target_pa != pressure["target_pa"]:
        pressure["inside_since_us"] = NEVER_US
    pressure["target_pa"] = target_pa


@compiled
def see_pressure(pressure: Record, t_us: int, pressure_pa: float) -> None:
    """The median pressure of one block that began at ``t_us``."""
    if pressure.last_us != NEVER_US and t_us - pressure.last_us > GAP_US:
        pressure.inside_since_us = pressure.near_since_us = NEVER_US
    pressure.last_us = t_us
    off = abs(pressure_pa / pressure.target_pa - 1) if pressure.target_pa > 0 else 0.0
    if off > NEAR:
        pressure.near_since_us = NEVER_US
    elif pressure.near_since_us == NEVER_US:
        pressure.near_since_us = t_us
    if pressure.inside_since_us == NEVER_US:
        if off <= ENTER_SHARE * pressure.band:
            pressure.inside_since_us = t_us
            pressure.outside = 0
    elif off > pressure.band:
        pressure.outside += 1
        if pressure.outside >= 2:
            pressure.inside_since_us = NEVER_US
    else:
        pressure.outside = 0
