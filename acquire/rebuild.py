"""A kept point as a measurement again, so that its budget can be confirmed by Monte Carlo."""

import math
from dataclasses import dataclass

from acquire.budget import Confirmation, confirm, monte_carlo, propagate
from acquire.difference import stated_per_area_m_s
from acquire.flow import NEAR_ZERO, FlowModel, Measurement, Neighbour, Window, measurement
from acquire.records import ArchivedPull, Refused
from acquire.signals import Signals
from acquire.values import Point

# beyond this share of its uncertainty a rebuilt budget is another one
_SAME = 1e-3


def rebuilt(pull: ArchivedPull, point: Point) -> Measurement:
    """The formula and inputs of a point, from what is kept with the pull.

    Raises ``Refused`` with one sentence when they do not give the kept budget
    again: another version of this program computed it.
    """
    request, signals = pull.request, None
    try:
        signals = Signals(pull.config, request.direction, point.meter_range, pull.zeros_before, pull.basis)
        model = FlowModel(pull.config, request.direction, point.meter_range, point.room, point.meter_temperature_k)
        its = measurement(
            model,
            point.capture,
            Window(point.test_pressure_pa, point.meter_pressure_pa, point.lift_m, point.step_lift_m),
            _neighbour(pull, point),
            pull.leakage if request.kind != "leakage" else None,
            signals.channels,
            carry_allowance=request.kind != "leakage",
        )
    except ValueError as error:
        raise Refused(f"Step {point.step + 1} of pull {pull.id} cannot be rebuilt: {error}") from error
    again = propagate(its.area_m2, its.inputs)
    kept = point.flow
    parts = (c.contribution_rel for c in kept.budget if c.name != NEAR_ZERO)
    kept_u = math.hypot(*parts) * max(abs(kept.effective_area_m2), kept.standard_uncertainty_m2)
    off = max(abs(again.value - kept.effective_area_m2), abs(again.standard_uncertainty - kept_u))
    if not off <= _SAME * kept.standard_uncertainty_m2:
        raise Refused(
            f"Step {point.step + 1} of pull {pull.id} was computed by another version ({pull.version}) in another way: "
            "its kept budget can be shown, but not confirmed."
        )
    return its


def _neighbour(pull: ArchivedPull, point: Point) -> Neighbour | None:
    """The nearest lower step that was taken before, as it stood when the point was taken."""
    place = next(i for i, its in enumerate(pull.points) if its is point)
    before = {its.step: its for its in pull.points[:place] if its.step < point.step and its.step_lift_m is not None}
    if not before:
        return None
    its = before[max(before)]
    assert its.step_lift_m is not None
    return Neighbour(its.step_lift_m, its.flow.effective_area_m2)


@dataclass(frozen=True, slots=True)
class ConfirmedFlow:
    """The stated flow's interval beside the drawn one, m3/s."""

    confirmation: Confirmation
    flow_m3_s: float
    drawn_low_m3_s: float
    drawn_high_m3_s: float
    tolerance_m3_s: float


def confirmed(pull: ArchivedPull, point: Point, draws: int, digits: int) -> ConfirmedFlow:
    """Monte Carlo run over a point's own formula, and whether the first-order interval holds."""
    its = rebuilt(pull, point)
    first, as_read = propagate(its.area_m2, its.inputs), its.as_read()
    drawn = monte_carlo(as_read.area_m2, as_read.inputs, draws)
    found = confirm(first.value, first.standard_uncertainty, first.coverage_factor, drawn, digits)
    per_area = stated_per_area_m_s(point.flow)
    return ConfirmedFlow(
        found, point.flow.flow_m3_s, drawn.low_95 * per_area, drawn.high_95 * per_area, found.tolerance * per_area
    )
