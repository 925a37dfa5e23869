"""Did the test pressure hold over a point's window? Pure."""

import math
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from acquire.series import line
from acquire.values import Hold

INSIDE_SHARE_WANTED = 0.95
"""Share of the samples that must lie inside the band: a stray sample is noise, a run is not."""


def judge_hold(t_us: npt.ArrayLike, pressure_pa: npt.ArrayLike, target_pa: float, band_pa: float) -> Hold:
    """Judge the samples of one window, shapes (n,), against target +- band.

    Held means that the mean, the line through the samples at both ends, and 95 %
    of the samples lie inside the band. Raises ``ValueError`` for no samples,
    unequal shapes or a band that is not positive.
    """
    t_s = np.asarray(t_us, dtype=np.float64) / 1e6
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if pressure.ndim != 1 or t_s.shape != pressure.shape:
        raise ValueError(f"times {t_s.shape} and pressures {pressure.shape} must be two equally long rows")
    if pressure.size == 0:
        raise ValueError("no test pressure was read in this window: check its instrument")
    if not band_pa > 0:
        raise ValueError(f"the band of the test pressure must be above zero, not {band_pa} Pa")
    mean, slope = line(t_s, pressure)
    deviation = pressure - target_pa
    off = np.abs(deviation)
    inside = int(np.count_nonzero(off <= band_pa)) / off.size
    excursion = float(deviation[off.argmax()])
    drift = slope * float(t_s[-1] - t_s[0])
    held, reason = _verdict(mean - target_pa, drift, inside, excursion, band_pa)
    return Hold(
        target_pa=float(target_pa),
        band_pa=float(band_pa),
        mean_pa=mean,
        deviation_pa=mean - target_pa,
        sd_pa=_sd(pressure, mean),
        slope_pa_per_s=slope,
        largest_excursion_pa=excursion,
        inside_share=inside,
        n=int(pressure.size),
        held=held,
        reason=reason,
    )


def _sd(values: npt.NDArray[np.float64], mean: float) -> float:
    off = values - mean
    return math.sqrt(np.add.reduce(off * off) / (off.size - 1)) if off.size > 1 else 0.0


def typed_hold(pressure_pa: float, target_pa: float, band_pa: float) -> Hold:
    """The hold of a test pressure that was typed once: never "held", whatever was typed."""
    judged = judge_hold([0], [pressure_pa], target_pa, band_pa)
    if not judged.held:
        return replace(judged, inside_share=0.0)
    said = f"typed once, {judged.deviation_pa:+.3g} Pa from target: nothing says that it held in between"
    return replace(judged, held=False, reason=said, unwitnessed=True)


def _verdict(deviation: float, drift: float, inside: float, excursion: float, band: float) -> tuple[bool, str]:
    if abs(deviation) > band:
        return False, f"the mean lay {_side(deviation)} target by {abs(deviation):.3g} Pa, the band is {band:.3g} Pa"
    if abs(deviation) + abs(drift) / 2 > band:
        way = "rose" if drift > 0 else "fell"
        return False, f"it {way} by {abs(drift):.3g} Pa during the reading and left the band of {band:.3g} Pa"
    if inside < INSIDE_SHARE_WANTED:
        return False, (
            f"only {100 * inside:.0f} % of the samples lay inside the band of {band:.3g} Pa; "
            f"the farthest was {abs(excursion):.3g} Pa {_side(excursion)} target"
        )
    return True, f"held within {band:.3g} Pa: mean {deviation:+.3g} Pa, {100 * inside:.0f} % of the samples inside"


def in_other_unit(reason: str, say: Callable[[float], str]) -> str:
    """A verdict's reason with every pressure said anew: ``say`` gets Pa; a sign is kept before what it says."""

    def anew(found: re.Match[str]) -> str:
        value = float(found.group(1))
        return ("+" if found.group(1).startswith("+") and value else "") + say(value)

    return re.sub(r"([-+]?\d[\d.]*(?:e[-+]?\d+)?) Pa\b", anew, reason)


def _side(deviation: float) -> str:
    return "above" if deviation > 0 else "below"
