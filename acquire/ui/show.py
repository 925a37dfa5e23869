"""From a frame to what the table, the curve, the strips and the verdict show. Pure."""

from dataclasses import replace

from acquire.beside.shadow import Shadow, ShadowChoice
from acquire.flow.convention import flow_unit_said
from acquire.pull.typed_step import typed_said
from acquire.records import BenchSummary, Frame
from acquire.sessions.playback import Playback
from acquire.ui.look import bands, step_now, targets
from acquire.ui.widgets.curve import CurvePoint, CurveView
from acquire.ui.widgets.hold import Strip
from acquire.ui.widgets.steps import StepRow, StepsView
from acquire.ui.words import KIND_WORDS, decimals, figure, half_width, quantity
from acquire.units import factor, from_si
from acquire.values import Point, PullView, StepView


def flow_text(point: Point, bench: BenchSummary) -> str:
    """Flow and its 95 % half-width, both with the digits that the half-width needs."""
    unit = bench.display.flow
    half = half_width(point.flow.half_width_95_m3_s, unit, bench)
    more = len(half.partition(".")[2]) - decimals(unit)
    return f"{figure(point.flow.flow_m3_s, unit, bench, max(0, more))} ±{half}"


def how_taken(point: Point) -> tuple[str, ...]:
    """Settled, by hand, at the end of the longest wait, or typed: what the row's sign says too comes first."""
    if point.read_by_eye:
        return ("typed",)
    if point.taken_by == "hand":
        return ("by hand", "settled") if point.settled else ("by hand",)
    how = "settled" if point.settled else "not settled"
    return (how, f"{typed_said(point.typed)} typed") if point.typed else (how,)


def _aim(step: StepView, bench: BenchSummary) -> str:
    lift = step.step.lift_m
    if lift is not None:
        return figure(lift, bench.display.lift, bench)
    return figure(step.step.test_pressure_pa, bench.display.pressure, bench)


def _off(point: Point, shadow: Shadow | None) -> str:
    """How far the flow lies from the earlier pull's at the same lift."""
    its = next((p for p in shadow.points if _same_lift(p.lift_m, point.step_lift_m)), None) if shadow else None
    if its is None or its.flow_m3_s <= 0.0:
        return ""
    off = f"{100 * (point.flow.flow_m3_s / its.flow_m3_s - 1):+.1f}"
    return f"{off if float(off) else '0.0'} %"


def _same_lift(one_m: float, other_m: float | None) -> bool:
    return other_m is not None and abs(one_m - other_m) < 0.05e-3


def _row(number: int, step: StepView, bench: BenchSummary, shadow: Shadow | None) -> StepRow:
    points = sorted(step.points, key=lambda point: point.take)
    if not points:
        return StepRow(number, _aim(step, bench), step.state)
    last = points[-1]
    how = (
        *how_taken(last),
        *(["pressure moved"] if last.hold.broken else []),
        *([f"take {len(points)}"] if len(points) > 1 else []),
    )
    earlier = ", ".join(flow_text(point, bench) for point in points[:-1])
    held = (
        f"{'typed' if last.hold.unwitnessed else 'held'} {quantity(last.hold.mean_pa, bench.display.pressure, bench)}"
    )
    flow = flow_text(last, bench)
    return StepRow(
        number, _aim(step, bench), step.state, flow, how, not last.settled, len(points), earlier, held,
        _off(last, shadow),
    )  # fmt: skip


def steps_view(
    pull: PullView,
    bench: BenchSummary,
    chosen: int | None,
    flashing: int | None,
    shadow: Shadow | None = None,
    doubted: int | None = None,
) -> StepsView:
    """The schedule as the table shows it."""
    unit = bench.display.lift if pull.kind == "lift" else bench.display.pressure
    flow_unit = flow_unit_said(bench.display.flow, bench.reference.convention)
    title = f"Step {'lift' if pull.kind == 'lift' else 'pressure'} {unit}  flow {flow_unit}"
    rows = tuple(_row(i + 1, step, bench, shadow) for i, step in enumerate(pull.steps))
    if any(row.off for row in rows) and shadow is not None:
        which = f"pull {shadow.of.pull_id}"
        # in the room that a table of 80 columns has for it
        title += f"  {which}, leakage {shadow.leakage.split()[-1]}" if shadow.leakage else f"  beside {which}"
    return StepsView(title, unit, rows, chosen, flashing, pull.now, doubted)


def curve_view(
    pull: PullView, bench: BenchSummary, shadow: Shadow | None = None, doubted: int | None = None
) -> CurveView:
    """The points in force over lift, or over test pressure where no valve is involved."""
    with_lift = pull.kind == "lift"
    unit = bench.display.lift if with_lift else bench.display.pressure

    def across(step: StepView) -> float:
        value = step.step.lift_m if with_lift else step.step.test_pressure_pa
        return from_si(value or 0.0, unit, bench.water)

    points, earlier = [], []
    for step in pull.steps:
        if step.points and step.state != "skipped":
            *before, point = sorted(step.points, key=lambda p: p.take)
            earlier += [(across(step), from_si(p.flow.flow_m3_s, bench.display.flow)) for p in before]
            flow = from_si(point.flow.flow_m3_s, bench.display.flow)
            half = from_si(point.flow.half_width_95_m3_s, bench.display.flow)
            points.append(CurvePoint(across(step), flow, half, point.settled))
    name = "lift" if with_lift else "test pressure"
    x_max = max((across(step) for step in pull.steps), default=1.0)
    points.sort(key=lambda p: p.x)
    doubted_x = across(pull.steps[doubted]) if doubted is not None and doubted < len(pull.steps) else None
    # the flow through a closed valve is none; a plate's is stated alike at every test pressure
    view = CurveView(
        name, unit, decimals(unit), bench.display.flow, x_max, tuple(points), doubted_x,
        from_zero=with_lift, earlier=tuple(earlier),
    )  # fmt: skip
    if shadow is None or not with_lift:
        return view
    beneath = tuple(
        (from_si(p.lift_m, unit), from_si(p.flow_m3_s, bench.display.flow))
        for p in shadow.points
        if from_si(p.lift_m, unit) <= x_max * 1.001
    )
    return replace(view, shadow=beneath, shadow_name=shadow_name(shadow.of))


def shadow_name(its: ShadowChoice) -> str:
    """Which earlier pull is drawn beneath the curve."""
    return f"pull {its.pull_id}: {its.subject}, {its.direction}"


def strips(frame: Frame | None, bench: BenchSummary) -> tuple[Strip, Strip]:
    """What the two strips are drawn against: test pressure, lift."""
    lift_m, pressure_pa = targets(frame) if frame is not None else (None, None)
    p_unit, l_unit = bench.display.pressure, bench.display.lift
    p_scale, l_scale = factor(p_unit, bench.water), factor(l_unit, bench.water)
    l_band, p_band = bands(frame, bench) if frame is not None else (0.0, 0.0)
    return (
        Strip(
            f"Test pressure {p_unit}, last 30 s",
            f"Pressure {p_unit}",
            None if pressure_pa is None else pressure_pa / p_scale,
            p_band / p_scale,
            decimals(p_unit),
            p_scale,
        ),
        Strip(
            f"Valve lift {l_unit}, last 30 s",
            f"Lift {l_unit}",
            None if lift_m is None else lift_m / l_scale,
            l_band / l_scale,
            decimals(l_unit),
            l_scale,
        ),
    )


def flow_strip(bench: BenchSummary) -> Strip:
    """What the trace of the flow is drawn in: it has no band, only what it was."""
    unit = bench.display.flow
    return Strip(f"Flow {unit}, last 30 s", f"Flow {unit}", None, 0.0, decimals(unit), factor(unit, bench.water))


def pull_title(frame: Frame) -> str:
    """Which pull this is, in one line."""
    pull = frame.pull
    if pull is None:
        return "Between pulls"
    head = frame.subject.identifier if frame.subject is not None else ""
    parts = [head, KIND_WORDS[pull.kind], pull.direction]
    if step_now(pull) is not None and pull.now is not None:
        parts.append(f"step {pull.now + 1} of {len(pull.steps)}")
    elif pull.phase in ("zero_before", "zero_after"):
        parts.append("zeros before" if pull.phase == "zero_before" else "zeros after")
    if pull.paused:
        parts.append("PAUSED")
    return "  ".join(part for part in parts if part)


def replay_said(name: str, playback: Playback, simulated: bool) -> str:
    """Which recording, where it stands, how fast."""
    where = f"{playback.at(playback.now_us)} of {playback.at(playback.end_us)}"
    how = "at its end" if playback.ended else "stopped" if playback.paused else f"{playback.speed:g} times life"
    return f"REPLAY {name}{', SIMULATED' if simulated else ''}   {where}, {how}"
