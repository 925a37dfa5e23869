"""How restless the flow was at each lift, by frequency: ``steadydraw show --noise``."""

from acquire.comparison.regions import unrest
from acquire.records import ArchivedPull
from acquire.text import Shown, columns


def noise_text(pull: ArchivedPull) -> str:
    """A row a lift: standard deviation of the flow signal, and its share in each octave, in per cent of the flow."""
    shown = Shown(pull.config)
    points = sorted(pull.in_force.values(), key=lambda p: p.step)
    lows = sorted({band.low_hz for p in points for band in p.capture.noise_bands})
    rows = [(f"lift {shown.lift_unit}", "all", *(f"{low:g}" for low in lows))]
    for p in points:
        bands = {band.low_hz: band.sd_rel for band in p.capture.noise_bands}
        all_of_it = p.capture.noise_m2 / p.capture.area_m2 if p.capture.area_m2 > 0 else 0.0
        cells = [f"{bands[low] * 100:.3f}" if low in bands else "-" for low in lows]
        rows.append((shown.lift(p.step_lift_m), f"{all_of_it * 100:.2f}", *cells))
    said = ["Noise of the flow signal in % of the flow: all, and by octave from so many Hz on."]
    if not lows:
        said.append("By octave it is not kept with this pull: it is older, or its readings were too short.")
    found = unrest(points)
    for lifts, what in ((found.falls_after_m, "falls above"), (found.noisy_at_m, "is restless at")):
        if lifts:
            at = ", ".join(shown.lift(lift) for lift in lifts)
            said.append(f"The flow {what} {at} {shown.lift_unit}: usually separation (common practice).")
    return "\n".join([*said, "", columns(rows, right=True)])
