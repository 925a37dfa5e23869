"""Where a judgement stands, in words: from what the compiled loop has kept."""

import math

from acquire.config import Settling
from acquire.stabiliser import pace
from acquire.stabiliser.advance import FROZEN, LOOKED, MOVING, SHORT, SILENT, SLOW, Kept
from acquire.stabiliser.blocks import BLOCK_S
from acquire.stabiliser.look import FitKept, half_width_factor, swing_share
from acquire.values import Missing, Standing


def standing(kept: Kept, fit: FitKept, settings: Settling) -> Standing:
    """What keeps a reading back, and for how long about."""
    judge, stands = kept.judge, kept.judge["stands"]
    if stands == SILENT:
        return Standing("waiting", ("signal",), detail="no samples from an instrument")
    if stands == MOVING:
        moving: list[Missing] = []
        if judge["lift_moves"]:
            moving.append("lift")
        if judge["pressure_moves"]:
            moving.append("test pressure")
        return Standing("moving", tuple(moving), detail=f"waiting for {' and '.join(moving)}")
    if stands == FROZEN:
        its = "flow reading" if judge["flow_frozen"] else "test pressure"
        detail = f"the {its} has stopped changing: it looks frozen, check its instrument"
        return Standing("stuck", ("frozen",), detail=detail)
    if stands == SLOW:
        slow = pace.slow(kept.flow_pace) or pace.slow(kept.pressure_pace)
        detail = f"readings come at {slow} and may be old: check the cable and the instrument's settings"
        return Standing("stuck", ("readings",), detail=detail)
    if stands == SHORT:
        return Standing("settling", ("readings",), remaining_s=max(0.1, float(judge["short_s"])))
    assert stands == LOOKED
    return _still_missing(kept, fit, settings)


def half_width_rel(fit: FitKept) -> float:
    """The 95 % half-width by the last look, relative to its value."""
    its = fit.its
    return float(its["half_width"] / max(abs(its["value"]), 1e-12))


def _still_missing(kept: Kept, fit: FitKept, settings: Settling) -> Standing:
    its, wanted, half = fit.its, settings.wanted, half_width_rel(fit)
    waited_s, short_s = float(kept.judge["waited_s"]), float(kept.judge["short_s"])
    # of the noise alone, per root second
    noise = 1.96 * half_width_factor(float(its["dof"])) * math.sqrt(its["variance"] * its["ratio"] * BLOCK_S)
    scatter = noise / max(abs(float(its["value"])), 1e-12) / math.sqrt(max(waited_s, 0.1))
    missing: list[Missing] = []
    if short_s > 0:
        missing.append("readings")
    if half > wanted and scatter > 0.8 * half:
        missing.append("noise")
    elif half > wanted and swing_share(fit) > 0.4:
        missing.append("hunting")
    else:
        missing.append("drift")
    power = 2.0 if "noise" in missing else 1.0
    left = max(short_s, waited_s * ((half / wanted) ** power - 1), 0.2)
    hopeless = "noise" in missing and waited_s > 5 and waited_s + left > 1.5 * settings.longest_wait_s
    return Standing(
        "stuck" if hopeless else "settling",
        tuple(missing),
        remaining_s=min(left, max(settings.longest_wait_s - waited_s, 0.0)),
        half_width_rel=half,
    )
