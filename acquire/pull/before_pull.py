"""What must be known before a pull begins, and what is too old by then. Pure."""

from collections.abc import Collection, Sequence

from acquire.basis import Basis
from acquire.calibration import words as calibration_words
from acquire.pull.signals import Signals
from acquire.records import Refused
from acquire.room.air import marks_of
from acquire.units import Water, from_si
from acquire.values import Mark, Step


def refuse_without_air(signals: Signals) -> None:
    """Without the room's air there is no flow. Raises :class:`Refused` with a sentence."""
    unknown = [its.name for its in signals.air_by_hand.values() if its.value is None]
    if unknown:
        raise Refused(
            f"The {' and the '.join(unknown)} is not known: no instrument measures it. "
            "Enter it with 'steadydraw air', then begin again."
        )


def refuse_unreachable(signals: Signals, steps: Sequence[Step], water: Water) -> None:
    """A step that an instrument cannot read would never be taken. Raises :class:`Refused` with a sentence."""
    lift, pressure = signals.channels["lift"], signals.channels["test_pressure"]
    for number, step in enumerate(steps, 1):
        for name, wanted, its in (("lift", step.lift_m, lift), ("test pressure", step.test_pressure_pa, pressure)):
            if wanted is None or its.high is None:
                continue
            shown = from_si(wanted, its.unit, water)
            if shown > its.high * (1 + 1e-9):
                raise Refused(
                    f"Step {number} asks for a {name} of {shown:.4g} {its.unit}, but its instrument reads up to "
                    f"{its.high:.4g} {its.unit}: shorten the schedule or correct the instrument's 'high'."
                )


def marks_of_old(signals: Signals, basis: Basis, marked: Collection[Mark]) -> tuple[Mark, ...]:
    """Room air entered by hand and calibrations that were too old when the pull was begun, if not ``marked`` yet."""
    kinds = {mark.kind for mark in marked}
    old = marks_of(signals.air_by_hand)
    old += calibration_words.marks_of(basis.calibrations, basis.overdue)
    return tuple(mark for mark in old if mark.kind not in kinds)
