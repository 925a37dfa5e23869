"""Did the test pressure hold in one pull: the evidence as text for a terminal and as JSON for a machine."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill

from acquire.hold import in_other_unit
from acquire.records import ArchivedPull
from acquire.steadiness.one_pull import PullHold, in_the_flow, parts_of
from acquire.text import Shown, columns

WIDTH = 80
_BARS = "▁▂▃▄▅▆▇█"


def hold_text(pull: ArchivedPull, held: PullHold) -> str:
    """``steadydraw steady``: the figures and the trace of every point, and one verdict."""
    shown, request = Shown(pull.config), pull.request
    unit = shown.pressure_unit

    def in_units(sentence: str) -> str:
        return in_other_unit(sentence, lambda pressure_pa: f"{shown.pressure(pressure_pa)} {unit}")

    lines = [
        f"Did the test pressure hold? Pull {pull.id} ({pull.uid}), {request.direction} {request.kind}",
        f"Head {request.subject.identifier}, bench {pull.config.name}, {pull.started_utc[:16].replace('T', ' ')} UTC",
    ]
    if pull.simulated:
        lines.append("SIMULATED BENCH: not a measurement.")
    said = "held" if held.held else "WAS NOT MEASURED" if held.unwitnessed else "DID NOT HOLD"
    verdict = f"The test pressure {said}: {in_units(held.reason)}."
    if not held.points:
        return "\n".join([*lines, "", verdict])
    rows: list[tuple[str, ...]] = [
        ("step", f"lift {shown.lift_unit}", "target", "±band", "mean", "off", "sd", "/min", "worst", "in %", "")
    ]
    for one in held.points:
        hold = one.hold
        rows.append(
            (
                str(one.point.step + 1),
                shown.lift(one.point.step_lift_m),
                shown.pressure(hold.target_pa),
                shown.pressure(hold.band_pa),
                shown.pressure(hold.mean_pa),
                _signed(shown.pressure(hold.deviation_pa)),
                *(
                    ("-", "-", "-", "-", "typed" if hold.unwitnessed else "typed, NO")
                    if "test_pressure" in one.point.typed
                    else (
                        shown.pressure(hold.sd_pa),
                        _signed(shown.pressure(hold.slope_pa_per_s * 60)),
                        _signed(shown.pressure(hold.largest_excursion_pa)),
                        f"{hold.inside_share * 100:.0f}",
                        "held" if hold.held else "NO",
                    )
                ),
            )
        )
    traces = [
        f"{one.point.step + 1:>4}  {trace(one.pressure_pa.tolist(), one.hold.target_pa, one.hold.band_pa)}"
        for one in held.points
        if "test_pressure" not in one.point.typed
    ]
    if traces:
        traces = ["Trace of each reading, from lowest to highest of its band (! = outside):", *traces, ""]
    loose = [
        fill(f"step {one.point.step + 1}: {in_units(one.hold.reason)}.", WIDTH)
        for one in held.points
        if one.hold.broken
    ]
    return "\n".join(
        [
            *lines,
            "",
            columns(rows),
            f"({unit}; off: mean less target; worst: the farthest sample; in %: inside)",
            "",
            *traces,
            *loose,
            fill(verdict, WIDTH),
            "",
            fill(in_the_flow([one.point for one in held.points]), WIDTH),
        ]
    )


def trace(values: Sequence[float], target: float, band: float, width: int = 60) -> str:
    """A row of blocks: the mean of each slice of ``values`` between target ± band."""
    if not values:
        return "no samples"
    cells = []
    slices = min(width, len(values))
    for i in range(slices):
        part = values[i * len(values) // slices : (i + 1) * len(values) // slices]
        place = (sum(part) / len(part) - target + band) / (2 * band)
        cells.append("!" if not 0 <= place <= 1 else _BARS[min(7, int(place * 8))])
    return "".join(cells)


def hold_json(held: PullHold) -> str:
    """The verdicts without the traces, SI units; ``variance_shares`` is what the pressure adds to the flow's ±."""
    points = [
        {"step": p.point.step, "take": p.point.take, **asdict(p.hold), "variance_shares": parts_of(p.point)}
        for p in held.points
    ]
    said = {"held": held.held, "unwitnessed": held.unwitnessed, "reason": held.reason, "points": points}
    return json.dumps(said, indent=2)


def _signed(text: str) -> str:
    return text if text.startswith("-") else f"+{text}"
