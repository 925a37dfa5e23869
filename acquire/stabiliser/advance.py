"""The judgement from sample to sample, up to where a fit is to be looked at: one compiled loop.

Witnesses first, then what is left of the approach. All that is kept between
calls stands in records and columns (``Kept``); what only happens now and then
(a look at the fit, what a stay teaches) is left to who calls.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acquire.compiled import NEVER_US, Record, compiled, fields
from acquire.series import Floats
from acquire.stabiliser import pace, swings, unchanging, witness
from acquire.stabiliser.blocks import BLOCK_US, Times, close, same_for_too_long
from acquire.stabiliser.look import LEAST_BLOCKS
from acquire.stabiliser.order import ordered
from acquire.stabiliser.sums import SumsKept, add_block

LIFT, PRESSURE, FLOW, TICK = 0, 1, 2, 3
"""Kinds of what comes in; ``TICK`` is no sample: the block ends here, whatever has come."""
USED, LOOK, ENDS, FULL = 0, 1, 2, 3
"""Why a run ends: all is used; a look at the fit is due; a stay is over, and its sums with it; there is no room."""
SAID, SILENT, MOVING, FROZEN, SLOW, SHORT, LOOKED = 0, 1, 2, 3, 4, 5, 6
"""Where it stands: as was said last; what keeps the reading back; or as the last look at the fit says."""
_SILENT_US = 2_000_000
_SKIP_US = 150_000
_STRAY = 0.02
"""Share of the test pressure: in a block that spreads over more, one reading is probably spoilt."""
_SHORTEST_S = 0.95

# Times are ``NEVER_US`` where there is none. ``origin_us``: since when the record shows one approach; ``begun_us``:
# since when everything has been in place; ``close_us``: the first sample at or after it ends the block. ``pressures``
# and ``blocks``: how many of their columns are filled; ``next_look``: the tick before which no look is due;
# ``in_tick``: a block has ended and is still to be placed and judged; ``swung``: the pressure beside it is known.
JUDGE = fields(
    ("stepping", "?"),
    ("target_pa", "f8"),
    ("aimed_us", "i8"),
    ("close_us", "i8"),
    ("now_us", "i8"),
    ("ticks", "i8"),
    ("next_look", "i8"),
    ("flow_us", "i8"),
    ("pressure_us", "i8"),
    ("pressures", "i8"),
    ("origin_us", "i8"),
    ("begun_us", "i8"),
    ("froze_us", "i8"),
    # what was frozen up to then shows nothing of the approach
    ("thawed_us", "i8"),
    ("flow_frozen", "?"),
    ("pressure_frozen", "?"),
    ("captured", "?"),
    ("blocks", "i8"),
    ("in_tick", "?"),
    ("is_block", "?"),
    # nothing is in the sums yet
    ("is_new", "?"),
    ("swung", "?"),
    ("stands", "i8"),
    ("lift_moves", "?"),
    ("pressure_moves", "?"),
    ("short_s", "f8"),
    ("waited_s", "f8"),
)


class Kept(NamedTuple):
    """All that one judgement keeps: records, and columns with room for more than they hold."""

    judge: Record
    lift: Record
    pressure: Record
    unchanging: Record
    flow_pace: Record
    pressure_pace: Record
    swings: Record
    meter: Record
    block: Record
    pressures: Floats
    t_us: Times
    area_m2: Floats
    mass_kg_s: Floats
    blocks: npt.NDArray[np.void]
    sums: SumsKept


@compiled
def run(kept: Kept, kind: npt.NDArray[np.int8], t_us: Times, first: Floats, second: Floats, at: int) -> tuple[int, int]:
    """Use what has come in, in its order, from ``at`` on; how many are used then, and why it ended there.

    ``first``: lift (m), test pressure (Pa) or area (m2); ``second``: mass flow (kg/s) beside an area.
    """
    judge = kept.judge
    while True:
        if judge.in_tick:
            judge.in_tick = False
            if judge.is_block:
                _place(kept)
            if judge.stepping and _judge(kept):
                return at, LOOK
        if at >= t_us.size:
            return at, USED
        if kept.meter.n >= kept.t_us.size or judge.pressures >= kept.pressures.size or judge.blocks >= kept.blocks.size:
            return at, FULL
        its, now_us = kind[at], t_us[at]
        if its == LIFT:
            witness.see_lift(kept.lift, now_us, first[at])
        elif its == PRESSURE:
            kept.pressures[judge.pressures] = first[at]
            judge.pressures += 1
            judge.pressure_us = now_us
        elif its == FLOW:
            n = kept.meter.n
            kept.t_us[n], kept.area_m2[n], kept.mass_kg_s[n] = now_us, first[at], second[at]
            kept.meter.n = n + 1
            judge.flow_us = now_us
        at += 1
        if now_us >= judge.close_us or its == TICK:
            _close_tick(kept, now_us)
            judge.in_tick = True
            if judge.is_block and not judge.is_new and _origin_us(kept) != judge.origin_us:
                return at, ENDS


@compiled
def _close_tick(kept: Kept, now_us: int) -> None:
    """The block and the pressures since the last tick are complete."""
    judge = kept.judge
    start_us = max(judge.close_us - BLOCK_US, 0)
    judge.close_us = (now_us // BLOCK_US + 1) * BLOCK_US
    judge.now_us = now_us
    pace.count(kept.pressure_pace, now_us, judge.pressures)
    seen = judge.pressures > 0
    if seen:
        values = kept.pressures[: judge.pressures]
        rising = ordered(values)
        middle = rising[values.size // 2]
        witness.see_pressure(kept.pressure, start_us, middle)
        unchanging.see_values(kept.unchanging, start_us, values, kept.pressure.inside_since_us != NEVER_US)
        if judge.stepping:
            total = 0.0
            for value in values:
                total += value
            strays = rising[-1] - rising[0] > _STRAY * middle
            mean = middle if strays else total / values.size
            swings.follow(kept.swings, now_us / 1e6, mean, judge.target_pa)
        judge.pressures = 0
    judge.swung = seen and judge.stepping
    judge.is_block = close(kept.meter, kept.t_us, kept.area_m2, kept.mass_kg_s, kept.block)
    pace.count(kept.flow_pace, now_us, kept.block.n + kept.block.rejected if judge.is_block else 0)


@compiled
def _origin_us(kept: Kept) -> int:
    """Since when the record shows one approach: never while valve or pressure are away."""
    judge, lift = kept.judge, kept.lift
    origin_us = judge.aimed_us if math.isnan(lift.target_m) else lift.still_since_us
    if origin_us == NEVER_US or kept.pressure.near_since_us == NEVER_US:
        return NEVER_US
    return int(max(origin_us, kept.pressure.near_since_us, judge.thawed_us))


@compiled
def _place(kept: Kept) -> None:
    """The new block into the record and the sums."""
    judge, block = kept.judge, kept.block
    origin_us = _origin_us(kept)
    if origin_us != judge.origin_us:
        judge.blocks = 0
        judge.origin_us = origin_us
        judge.next_look = 0
    n = judge.blocks
    gap = n > 0 and block.t_start_us - kept.blocks[n - 1].t_end_us > 2 * BLOCK_US
    kept.blocks[n] = block
    judge.blocks = n + 1
    if origin_us != NEVER_US and block.t_start_us >= max(origin_us + _SKIP_US, judge.aimed_us) and judge.swung:
        judge.is_new = False
        add_block(kept.sums, (block.t_mean_us - origin_us) / 1e6, block.area_m2, kept.swings.effects, gap)


@compiled
def _judge(kept: Kept) -> bool:
    """Whether a look at the fit is due; else where it stands is written down."""
    judge, lift = kept.judge, kept.lift
    judge.ticks += 1
    now_us = judge.now_us
    watched = not math.isnan(lift.target_m)
    last_us = min(judge.flow_us, judge.pressure_us)
    if watched:
        last_us = min(last_us, lift.last_us)
    if now_us - last_us > _SILENT_US:
        return _lose(judge, SILENT)
    _look_for_old(kept, watched)
    lift_since_us = witness.settled_since_us(lift)
    pressure_since_us = kept.pressure.inside_since_us
    judge.lift_moves, judge.pressure_moves = lift_since_us == NEVER_US, pressure_since_us == NEVER_US
    if judge.lift_moves or judge.pressure_moves:
        return _lose(judge, MOVING)
    if judge.captured:
        return False
    if judge.flow_frozen or judge.pressure_frozen or kept.flow_pace.slow_for or kept.pressure_pace.slow_for:
        judge.begun_us = NEVER_US
        judge.stands = FROZEN if judge.flow_frozen or judge.pressure_frozen else SLOW
        return False
    judge.begun_us = max(judge.begun_us, lift_since_us, pressure_since_us, judge.aimed_us, judge.thawed_us)
    if judge.ticks < judge.next_look:
        return False
    judge.waited_s = (now_us - judge.begun_us) / 1e6
    judge.short_s = max(_SHORTEST_S - judge.waited_s, (witness.STILL_US - (now_us - lift_since_us)) / 1e6)
    n = kept.sums.its.n
    judge.stands = SHORT if n < LEAST_BLOCKS or (judge.short_s > 0 and n < 12) else LOOKED
    return bool(judge.stands == LOOKED)


@compiled
def _look_for_old(kept: Kept, watched: bool) -> None:
    """What is frozen now, and up to when what came in shows nothing of the approach: frozen, or on a slow line."""
    judge, meter, now_us = kept.judge, kept.meter, kept.judge.now_us
    still_us = kept.lift.still_since_us if watched and kept.lift.still_since_us != NEVER_US else 0
    judge.flow_frozen = same_for_too_long(meter, now_us, max(still_us, judge.aimed_us))
    # the pressure may be frozen beside it: the flow is named
    pressure_frozen = unchanging.too_long(kept.unchanging, now_us)
    judge.pressure_frozen = pressure_frozen
    if pressure_frozen or pace.is_old(kept.flow_pace) or pace.is_old(kept.pressure_pace):
        judge.thawed_us = now_us
    # a meter that only stood on a digit has shown something all the time; one that jumps was not there
    if judge.flow_frozen:
        judge.froze_us = now_us
    elif judge.froze_us != NEVER_US:
        if meter.jumped_us >= judge.froze_us:
            judge.thawed_us = now_us
        judge.froze_us = NEVER_US


@compiled
def _lose(judge: Record, stands: int) -> bool:
    judge.captured = False
    judge.begun_us = NEVER_US
    judge.stands = stands
    return False
