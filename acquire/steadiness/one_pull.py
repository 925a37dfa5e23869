"""Did the test pressure hold? Judged again from the stored samples.

Pure over what the archive gives back: every point's window of test pressure,
zero-corrected as in the pull, against the step's target and its band.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.budget.influences import PORT, READING
from acquire.hold import judge_hold, typed_hold
from acquire.records import ArchivedPull
from acquire.scaling import channel_settings, scale_for
from acquire.store.reader import ArchiveReader
from acquire.units import factor
from acquire.values import Hold, Point


@dataclass(frozen=True, slots=True)
class PointHold:
    """One point's evidence: the trace (s from its start, Pa) and the verdict."""

    point: Point
    t_s: NDArray[np.float64]
    pressure_pa: NDArray[np.float64]
    hold: Hold


@dataclass(frozen=True, slots=True)
class PullHold:
    """All points in force and one verdict for the pull; ``unwitnessed``: typed, neither held nor not."""

    points: tuple[PointHold, ...]
    held: bool
    reason: str
    unwitnessed: bool = False


# the inputs of the budget by which the test pressure makes a flow uncertain
PARTS = {
    "the reading, with the pressure's scatter and drift in it": (READING,),
    "the gauge": ("test pressure", "test pressure, digit"),
    "its zero": ("test pressure, zero", "test pressure, digit of its zero"),
    "held against stated pressure": (PORT,),
}


def parts_of(point: Point) -> dict[str, float]:
    """Which shares of the flow's variance come in with the test pressure, by ``PARTS``."""
    squares = {part.name: part.contribution_rel**2 for part in point.flow.budget}
    total = sum(squares.values())
    if not total:
        return {}
    return {said: sum(squares.get(name, 0.0) for name in names) / total for said, names in PARTS.items()}


def largest_parts(points: Sequence[Point]) -> dict[str, float]:
    """The largest share of each over these points."""
    each = [found for found in map(parts_of, points) if found]
    return {said: max(found[said] for found in each) for said in PARTS} if each else {}


def in_the_flow(points: Sequence[Point]) -> str:
    """What the pressure does to the flow, in words, the same on paper and on the screen."""
    said = (
        "The flow is worked out from the pressure as it was measured, sample by sample, not from its target: "
        "what it scattered and drifted is in the reading's own scatter and so in the ±."
    )
    if any("test_pressure" in point.typed for point in points):
        said = (
            "The flow is worked out from the pressure as it was typed, not from its target: how finely and how "
            "accurately it could be read is in the ±, what it did before and after is not."
        )
    parts = largest_parts(points)
    if not parts:
        return said
    shares = ", ".join(f"{name} {100 * share:.{0 if share >= 0.095 else 1}f} %" for name, share in parts.items())
    return f"{said} Of ± squared, at most: {shares}."


def pull_hold(reader: ArchiveReader, pull: ArchivedPull) -> PullHold:
    """Judge the hold of every point in force from its recorded samples.

    A point whose samples are missing did not hold: nothing proves that it did.
    """
    water, calibrations = pull.config.water, pull.basis.calibrations
    channels = channel_settings(pull.config.make_instruments(), calibrations, water)
    scale = scale_for(channels["test_pressure"], water)
    zero_pa = pull.zeros_before.test_pressure_pa if pull.zeros_before is not None else 0.0
    band = pull.config.settling.test_pressure_band
    steps = pull.request.steps()
    found = []
    for point in pull.in_force.values():
        target_pa = steps[point.step].test_pressure_pa
        start_us, end_us = point.capture.t_start_us, point.capture.t_end_us
        session_id = reader.session_of_point(pull.id, point.step, point.take)
        typed = "test_pressure" in point.typed
        t_us, numbers = reader.samples(session_id, "test_pressure", None if typed else start_us, end_us)
        if typed:
            # what was typed stands until it is typed again
            t_us, numbers = t_us[-1:], numbers[-1:]
        pressure_pa = scale.si(numbers) - zero_pa
        if typed and numbers.size:
            one_digit_pa = channels["test_pressure"].resolution * factor(channels["test_pressure"].unit, water)
            hold = typed_hold(float(pressure_pa[0]), target_pa, max(target_pa * band, one_digit_pa))
        else:
            hold = judge_hold(t_us.tolist(), pressure_pa.tolist(), target_pa, target_pa * band)
        found.append(PointHold(point, (t_us - start_us) / 1e6, pressure_pa, hold))
    loose = [p for p in found if p.hold.broken]
    if not found:
        return PullHold((), False, "no point was taken")
    if loose:
        which = ", ".join(str(p.point.step + 1) for p in loose)
        return PullHold(tuple(found), False, f"step {which}: {loose[0].hold.reason}")
    if any(p.hold.unwitnessed for p in found):
        return PullHold(tuple(found), False, "typed once a point: nothing says that it held in between", True)
    said = "the one point" if len(found) == 1 else f"all {len(found)} points"
    return PullHold(tuple(found), True, f"{said} inside {'its' if len(found) == 1 else 'their'} band")
