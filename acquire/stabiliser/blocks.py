"""From single samples to blocks of a tenth of a second, spikes and dropouts left out."""

import math

import numpy as np
import numpy.typing as npt

from acquire.compiled import NEVER_US, Record, compiled, fields, new
from acquire.series import MAD_TO_SIGMA, Floats
from acquire.stabiliser.order import middle, remember

BLOCK_US = 100_000
BLOCK_S = BLOCK_US / 1e6
LONGEST_SPIKE = 3
"""One to three stray samples are a spike or a dropout; a longer run is a change."""
_SPIKE_LIMIT = 5.5
_LEAST_SPIKE = 0.02
"""Share of the reading below which nothing is called a spike: averaging copes with it."""
_HISTORY = 64
_FROZEN_US = 800_000
_LONGEST_HABIT_US = 2_000_000
_ALIVE_US = 1_000_000
_HABIT_STEP = 0.01
_FOLLOWS = 0.15
"""Test pressure over absolute pressure at the meter, at most: so much a frozen meter's flow follows."""
_FOLLOWS_AT_MOST = 1e-3
_LEAST_DIGIT = 2e-4
"""Share of the reading below which a digit no longer matters."""

Times = npt.NDArray[np.int64]

# Means of the accepted samples of one block. ``square_m4`` is the mean square about ``area_m2``; ``mass`` and
# ``mass_square`` likewise for the mass flow as the meter gave it; ``digit`` the smallest step of it worth the name,
# infinite for none, and ``reading`` the last one.
BLOCK = fields(
    ("t_start_us", "i8"),
    ("t_end_us", "i8"),
    ("t_mean_us", "f8"),
    ("area_m2", "f8"),
    ("square_m4", "f8"),
    ("mass", "f8"),
    ("mass_square", "f8"),
    ("digit", "f8"),
    ("reading", "f8"),
    ("n", "i8"),
    ("rejected", "i8"),
)
# ``n`` samples wait in the columns, ``watched`` of them were seen before; ``steps`` are the latest ``known`` ones, the
# newest last; what is not known yet is not a number, or never
METER = fields(
    ("n", "i8"),
    ("watched", "i8"),
    ("last_m2", "f8"),
    ("seen_m2", "f8"),
    ("seen_kg_s", "f8"),
    ("kept_kg_s", "f8"),
    ("steps", "f8", _HISTORY),
    ("known", "i8"),
    ("habit_us", "i8"),
    ("same_since_us", "i8"),
    ("jumped_us", "i8"),
)


def new_meter() -> Record:
    """What is remembered of the flow samples from block to block."""
    meter = new(METER)
    meter["last_m2"] = meter["seen_m2"] = meter["kept_kg_s"] = math.nan
    meter["same_since_us"] = meter["jumped_us"] = NEVER_US
    return meter


@compiled
def close(meter: Record, t: Times, area: Floats, mass: Floats, block: Record) -> bool:
    """Turn the samples that wait into one block; whether there is one.

    Up to three samples that stray wait for their successors, and stay at the beginning of the columns.
    """
    n = meter.n
    if n == 0:
        return False
    _watch(meter, t[:n], area[:n], mass[:n])
    keep = np.empty(n, np.int64)
    kept, held, rejected = _sort(meter, area[:n], keep)
    if kept > 0:
        _fill(meter, t, area, mass, keep[:kept], rejected, block)
    meter.watched = n - held
    for i in range(held, n):
        t[i - held], area[i - held], mass[i - held] = t[i], area[i], mass[i]
    meter.n = n - held
    return kept > 0


@compiled
def _fill(meter: Record, t: Times, area: Floats, mass: Floats, keep: Times, rejected: int, block: Record) -> None:
    n = keep.size
    last = mass[keep[-1]]
    least = _LEAST_DIGIT * abs(last)
    before = mass[keep[0]] if math.isnan(meter.kept_kg_s) else meter.kept_kg_s
    meter.kept_kg_s = last
    digit = math.inf
    times = areas = masses = 0.0
    for i in keep:
        step = abs(mass[i] - before)
        if step > least:
            digit = min(digit, step)
        before = mass[i]
        times += t[i] - t[keep[0]]
        areas += area[i]
        masses += mass[i]
    block.area_m2, block.mass = areas / n, masses / n
    square_m4 = mass_square = 0.0
    for i in keep:
        square_m4 += (area[i] - block.area_m2) ** 2
        mass_square += (mass[i] - block.mass) ** 2
    block.square_m4, block.mass_square = square_m4 / n, mass_square / n
    block.t_start_us, block.t_end_us = t[keep[0]], t[keep[-1]]
    block.t_mean_us = t[keep[0]] + times / n
    block.digit, block.reading, block.n, block.rejected = digit, last, n, rejected


@compiled
def same_for_too_long(meter: Record, now_us: int, rest_us: int) -> bool:
    """No noise for longer than the meter's own habit is a fault.

    The habit only excuses a meter that has moved again well after the valve
    came to rest at ``rest_us``: one that froze inside the move has not.
    """
    if meter.same_since_us == NEVER_US:
        return False
    alive = meter.same_since_us >= rest_us + _ALIVE_US
    return bool(now_us - meter.same_since_us > max(_FROZEN_US, 3 * meter.habit_us if alive else 0))


@compiled
def _watch(meter: Record, t: Times, area: Floats, mass: Floats) -> None:
    """Keep since when the meter has shown the same, its habit of doing so, and when it made a step that is no digit's.

    A frozen meter's mass flow still follows the test pressure a little,
    through the density at the meter: such a change is none.
    """
    n, watched = t.size, meter.watched
    if watched >= n:
        return
    if meter.same_since_us == NEVER_US:
        meter.seen_m2, meter.seen_kg_s = area[watched], mass[watched]
        meter.same_since_us = t[watched]
    before_m2, before_kg_s = meter.seen_m2, meter.seen_kg_s
    changed = False
    for i in range(watched, n):
        if _changed(before_m2, before_kg_s, area[i], mass[i]):
            if not changed:
                # a jump ends a fault, a step of a digit ends a habit
                if abs(mass[i] - before_kg_s) / max(abs(mass[i]), 1e-30) < _HABIT_STEP:
                    run_us = t[i] - meter.same_since_us
                    meter.habit_us = max(meter.habit_us, min(run_us, _LONGEST_HABIT_US))
                else:
                    meter.jumped_us = t[i]
                changed = True
            meter.same_since_us = t[i]
        before_m2, before_kg_s = area[i], mass[i]
    meter.seen_m2, meter.seen_kg_s = before_m2, before_kg_s


@compiled
def _changed(before_m2: float, before_kg_s: float, area_m2: float, mass_kg_s: float) -> bool:
    """Whether the meter itself has changed from one sample to the next."""
    step = abs(mass_kg_s - before_kg_s) / max(abs(mass_kg_s), 1e-30)
    if step > _FOLLOWS_AT_MOST:
        return True
    ideal = mass_kg_s / (area_m2 if area_m2 != 0.0 else 1.0)
    ideal_before = before_kg_s / (before_m2 if before_m2 != 0.0 else 1.0)
    return bool(step > _FOLLOWS * abs(ideal - ideal_before) / max(abs(ideal), 1e-30))


@compiled
def _sort(meter: Record, area: Floats, keep: Times) -> tuple[int, int, int]:
    """Fill in the places to keep: how many, where the samples begin that must wait, how many were rejected."""
    n = area.size
    before = area[0] if math.isnan(meter.last_m2) else meter.last_m2
    largest = 0.0
    last = before
    for i in range(n):
        largest = max(largest, abs(area[i] - last))
        last = area[i]
    # the usual case needs no limit: nothing so small is a spike
    limit = math.inf
    if not math.isnan(meter.last_m2) and largest > _LEAST_SPIKE * abs(meter.last_m2):
        limit = _limit(meter)
    kept = rejected = doubtful = 0
    last = before
    for i in range(n):
        if largest <= limit or abs(area[i] - last) <= limit:
            rejected += doubtful
            doubtful = 0
        else:
            doubtful += 1
            if doubtful <= LONGEST_SPIKE:
                continue
            for j in range(i + 1 - doubtful, i):
                keep[kept] = j
                kept += 1
            doubtful = 0
            limit = math.inf
        keep[kept] = i
        kept += 1
        last = area[i]
    for i in keep[:kept]:
        meter.known = remember(meter.steps, meter.known, abs(area[i] - before))
        before = area[i]
    if kept > 0:
        meter.last_m2 = before
    return kept, n - doubtful, rejected


@compiled
def _limit(meter: Record) -> float:
    """Largest step that is none of a spike."""
    if meter.known < 8:
        return math.inf
    steps = meter.steps[: meter.known]
    # coarse digits make the median step 0: the mean step then still knows the digit
    total = 0.0
    for step in steps:
        total += step
    scale = max(MAD_TO_SIGMA * middle(steps), 1.2533 * total / steps.size)
    return float(max(_SPIKE_LIMIT * scale, _LEAST_SPIKE * abs(meter.last_m2)))


@compiled
def survey(blocks: npt.NDArray[np.void], since_us: int, latest: int) -> tuple[int, float, float]:
    """The first block of those since a time, the newest at least; samples a block, of all of them.

    And the smallest digit of the ``latest`` at most in that window.
    """
    n = blocks.size
    first = n - 1
    while first > 0 and blocks[first - 1].t_start_us >= since_us:
        first -= 1
    samples = 0
    for block in blocks:
        samples += block.n
    digit = math.inf
    for block in blocks[max(first, n - latest) :]:
        digit = min(digit, block.digit)
    return first, samples / n, digit
