"""A pull's flows at the test pressure that was held, and converted to another one."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from acquire.budget.influences import BAROMETER, PORT
from acquire.flow.convention import flow_unit_said
from acquire.flow.model import FlowModel
from acquire.flow.statement import port_doubt_rel
from acquire.records import ArchivedPull
from acquire.text import Shown, columns
from acquire.values import Convention, FlowResult, Point


@dataclass(frozen=True, slots=True)
class ConvertedPoint:
    """One point in force, in SI. Half-widths are 95 %.

    ``held_m3_s`` is the flow at the held test pressure, by the bench's
    convention; ``flow_m3_s`` the same effective area at the wanted one. Its
    half-width joins the reading's own and the model's, ``model_half_m3_s``:
    how far a real port may depart from a fixed area, see ``port_doubt_rel``.
    ``square_root_rel`` is how far the square-root rule would be off.
    """

    step: int
    lift_m: float | None
    held_pa: float
    held_m3_s: float
    held_half_m3_s: float
    to_pa: float
    flow_m3_s: float
    half_m3_s: float
    model_half_m3_s: float
    square_root_m3_s: float
    square_root_rel: float
    convention: Convention


def convert_pull(pull: ArchivedPull, to_pa: float) -> tuple[ConvertedPoint, ...]:
    """Every point in force at another test pressure. Raises ``ValueError`` with one sentence."""
    if not pull.in_force:
        raise ValueError(f"pull {pull.id} has no point taken: there is nothing to convert")
    return tuple(_converted(pull, point, to_pa) for _, point in sorted(pull.in_force.items()))


def _converted(pull: ArchivedPull, point: Point, to_pa: float) -> ConvertedPoint:
    model = FlowModel(pull.config, pull.request.direction, point.meter_range, point.room, point.meter_temperature_k)
    held_pa, area_m2, k = point.hold.mean_pa, point.flow.effective_area_m2, point.flow.coverage_factor
    lowest_pa = min(model.room.pressure_pa, model.statement.air.pressure_pa)
    if not 0.0 < to_pa < lowest_pa:
        raise ValueError(
            f"a test pressure of {to_pa:g} Pa cannot be converted to: it must lie between 0 and {lowest_pa:.0f} Pa, "
            "the pressure of the air"
        )
    here, there = model.stated_speed_at_m_s(held_pa), model.stated_speed_at_m_s(to_pa)
    own_m2 = _own_uncertainty_m2(point.flow)
    doubt = port_doubt_rel(
        model.port_pressure_pa(held_pa), held_pa, to_pa, to_upstream_pa=model.stated_upstream_pa(to_pa)
    )
    model_u_m2 = abs(area_m2) * doubt / math.sqrt(3.0)
    by_root = area_m2 * here * math.sqrt(to_pa / held_pa)
    return ConvertedPoint(
        step=point.step,
        lift_m=point.step_lift_m,
        held_pa=held_pa,
        held_m3_s=area_m2 * here,
        held_half_m3_s=k * own_m2 * here,
        to_pa=to_pa,
        flow_m3_s=area_m2 * there,
        half_m3_s=k * math.hypot(own_m2, model_u_m2) * there,
        model_half_m3_s=k * model_u_m2 * there,
        square_root_m3_s=by_root,
        square_root_rel=here * math.sqrt(to_pa / held_pa) / there - 1.0,
        convention=pull.config.reference.convention,
    )


def _own_uncertainty_m2(flow: FlowResult) -> float:
    """The reading's uncertainty without what its own statement at the reference test pressure added."""
    scale = max(abs(flow.effective_area_m2), flow.standard_uncertainty_m2)
    stated = sum((its.contribution_rel * scale) ** 2 for its in flow.budget if its.name in (PORT, BAROMETER))
    return math.sqrt(max(flow.standard_uncertainty_m2**2 - stated, 0.0))


def converted_text(pull: ArchivedPull, points: Sequence[ConvertedPoint]) -> str:
    """``steadydraw convert``."""
    shown = Shown(pull.config)
    unit, to = shown.pressure_unit, f"{float(shown.pressure(points[0].to_pa)):g}"
    lines = [
        f"Pull {pull.id}, {pull.request.subject.identifier}, {pull.request.direction}"
        + (", SIMULATED" if pull.simulated else ""),
        f"Flow in {flow_unit_said(shown.flow_unit, points[0].convention)}. At {to} {unit}: CONVERTED, NOT MEASURED.",
        "",
    ]
    rows = [
        (f"lift {shown.lift_unit}", f"held {unit}", "flow", "±95 %", f"at {to}", "±95 %", "of it model", "root rule")
    ]
    rows += [
        (
            shown.lift(its.lift_m),
            shown.pressure(its.held_pa),
            shown.flow(its.held_m3_s),
            shown.flow(its.held_half_m3_s),
            shown.flow(its.flow_m3_s),
            shown.flow(its.half_m3_s),
            shown.flow(its.model_half_m3_s),
            f"{shown.flow(its.square_root_m3_s)} ({100 * its.square_root_rel:+.2f} %)",
        )
        for its in points
    ]
    lines += [
        columns(rows),
        "",
        "Converted by compressible flow through the same effective area. The model's part",
        "is how far a port may lie between a nozzle and a sharp edge: it grows with the",
        "distance. The square-root rule is shown only beside it, with its error.",
    ]
    return "\n".join(lines)


def converted_json(pull: ArchivedPull, points: Sequence[ConvertedPoint]) -> dict[str, object]:
    """The same for a machine, SI."""
    return {
        "pull": pull.id,
        "uid": pull.uid,
        "simulated": pull.simulated,
        "measured": False,
        "remark": "converted, not measured",
        "points": [asdict(its) for its in points],
    }
