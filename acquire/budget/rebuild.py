"""A kept point as a measurement again, so that its budget can be confirmed by Monte Carlo."""

import math
from dataclasses import dataclass, replace

from acquire.budget.difference import stated_per_area_m_s
from acquire.budget.propagation import Input, confirm, monte_carlo, propagate
from acquire.flow.reading import NEAR_ZERO, FlowModel, Measurement, Window, measurement
from acquire.pull.signals import Signals
from acquire.records import ArchivedPull, Refused
from acquire.units import from_si
from acquire.values import Component, Point

# beyond this share of its uncertainty a rebuilt budget is another one
_SAME = 1e-3


def rebuilt(pull: ArchivedPull, point: Point) -> Measurement:
    """The formula of a point with the inputs of its kept budget.

    An input that the formula has got since counts as known exactly. Raises
    ``Refused`` with one sentence when formula and inputs do not give the kept
    result again: another version of this program computed it.
    """
    request = pull.request
    try:
        signals = Signals(pull.config, request.direction, point.meter_range, pull.zeros_before, pull.basis)
        model = FlowModel(signals.config, request.direction, point.meter_range, point.room, point.meter_temperature_k)
        its = measurement(
            model,
            point.capture,
            Window(point.test_pressure_pa, point.meter_pressure_pa, point.lift_m, point.step_lift_m),
            None,  # the slope over lift is an input of the kept budget
            pull.leakage if request.kind != "leakage" else None,
            signals.channels,
            carry_allowance=request.kind != "leakage",
        )
    except ValueError as error:
        raise Refused(f"Step {point.step + 1} of pull {pull.id} cannot be rebuilt: {error}") from error
    inputs_then = {its.name: its for its in point.flow.budget}
    its = replace(its, inputs=tuple(_as_kept(one, inputs_then.get(one.name)) for one in its.inputs))
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


def _as_kept(now: Input, then: Component | None) -> Input:
    if then is None:
        return replace(now, standard_uncertainty=0.0)
    return replace(
        now,
        value=then.value,
        standard_uncertainty=then.standard_uncertainty,
        distribution=then.distribution,
        dof=then.dof,
        shared=then.shared,
    )


@dataclass(frozen=True, slots=True)
class ConfirmedFlow:
    """The drawn 95 % interval of a stated flow, in the bench's flow ``unit``; ``holds``: first order agrees."""

    low_95: float
    high_95: float
    tolerance: float
    unit: str
    holds: bool
    draws: int


def confirmed(pull: ArchivedPull, point: Point, draws: int, digits: int) -> ConfirmedFlow:
    """Monte Carlo run over a point's own formula, and whether the first-order interval holds.

    ``digits`` of the standard uncertainty, in the unit in which flows are
    stated, are what counts.
    """
    its, unit = rebuilt(pull, point), pull.config.display.flow
    one = from_si(stated_per_area_m_s(point.flow), unit)
    as_read = its.as_read()
    first = propagate(lambda x: its.area_m2(x) * one, its.inputs)
    drawn = monte_carlo(lambda x: as_read.area_m2(x) * one, as_read.inputs, draws)
    found = confirm(first.value, first.standard_uncertainty, first.coverage_factor, drawn, digits)
    return ConfirmedFlow(drawn.low_95, drawn.high_95, found.tolerance, unit, found.holds, draws)
