"""Which points of a pull a command means."""

from acquire.records import ArchivedPull, Refused
from acquire.repeat.record import SAME_LIFT_M
from acquire.units import UnitError, from_si, parse_quantity, to_si
from acquire.values import Point


def chosen_points(pull: ArchivedPull, lift: str | None = None, step: int | None = None) -> list[Point]:
    """The points in force, or the one at a lift or step. Raises ``Refused`` with one sentence."""
    found = list(pull.in_force.values())
    if not found:
        raise Refused(f"Pull {pull.id} has no point: take one first.")
    if step is not None:
        found = [point for point in found if point.step == step - 1]
        if not found:
            raise Refused(f"Pull {pull.id} has no point at step {step}: taken are {_steps(pull)}.")
    if lift is not None:
        wanted_m = _lift_m(lift, pull)
        found = [p for p in found if p.step_lift_m is not None and abs(p.step_lift_m - wanted_m) <= SAME_LIFT_M]
        if not found:
            raise Refused(f"Pull {pull.id} has no point at a lift of {lift}: taken are {_lifts(pull)}.")
    return found


def _lift_m(text: str, pull: ArchivedPull) -> float:
    unit = pull.config.display.lift
    try:
        return to_si(float(text), unit)
    except ValueError:
        pass
    try:
        return parse_quantity(text, "length")
    except UnitError as error:
        raise Refused(f"{text!r} is no lift ({error}): write it as 0.300, in {unit}, or with its unit.") from error


def _steps(pull: ArchivedPull) -> str:
    return ", ".join(str(step + 1) for step in pull.in_force)


def _lifts(pull: ArchivedPull) -> str:
    unit = pull.config.display.lift
    lifts = [p.step_lift_m for p in pull.in_force.values() if p.step_lift_m is not None]
    return ", ".join(f"{from_si(lift, unit):.4g}" for lift in lifts) + f" {unit}" if lifts else "no lifts"
