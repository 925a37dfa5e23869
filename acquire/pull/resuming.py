"""Which steps of a pull are still to be taken, and where an interrupted pull goes on. Pure."""

from collections.abc import Collection, Iterable

from pydantic import TypeAdapter

from acquire.pull.outputs import PullState
from acquire.records import ArchivedPull
from acquire.values import Phase, Point

STATE = TypeAdapter(PullState)
"""Reads and writes what a session keeps of the pull at its start."""


def open_steps(count: int, points: Iterable[Point], skipped: Collection[int]) -> list[int]:
    """Of ``count`` steps those that are neither taken nor skipped, from 0; the first is where to go on."""
    taken = {point.step for point in points}
    return [i for i in range(count) if i not in taken and i not in skipped]


def resumed_state(pull: ArchivedPull) -> PullState:
    """Where an interrupted pull stands, from what the archive holds of it."""
    # (a mark may also stand for what was too old when the pull was begun)
    left_out = any(mark.kind == "zero" for mark in pull.marks)
    started = pull.zeros_before is not None or bool(pull.points) or bool(pull.skipped) or left_out
    waiting = open_steps(len(pull.request.steps()), pull.points, pull.skipped)
    phase: Phase = "zero_before" if not started else "steps" if waiting else "zero_after"
    return PullState(
        phase=phase,
        now=waiting[0] if waiting else 0,
        meter_range=pull.points[-1].meter_range if pull.points else "",
        points=pull.points,
        skipped=pull.skipped,
        zeros_before=pull.zeros_before,
        marks=pull.marks,
    )
