"""Valve lift against crank angle: from a table, or a smooth profile from four figures of a cam card.

Pure: what the engine's valve does with the lifts at which a head was flowed.
"""

import csv
import io
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acquire.units import INCH_M

Floats = NDArray[np.float64]

# the card's second duration is counted between these lifts of the lobe (common practice, no source)
_CARD_LIFT_M = 0.050 * INCH_M
_SLENDEREST, _FULLEST = 0.5, 60.0
_STEPS = 720


@dataclass(frozen=True, slots=True)
class Cam:
    """Valve lift (m) over crank angle (degrees), rising angles, closed at both ends.

    ``remark`` says where it comes from. Raises ``ValueError`` with one
    sentence for a table that is no valve event.
    """

    crank_deg: tuple[float, ...]
    lift_m: tuple[float, ...]
    remark: str

    def __post_init__(self) -> None:
        angles, lifts = self.crank_deg, self.lift_m
        if len(angles) != len(lifts) or len(angles) < 8:
            raise ValueError(f"a cam table needs at least 8 lines of angle and lift, this one has {len(angles)}")
        if not all(map(math.isfinite, (*angles, *lifts))):
            raise ValueError("the cam table holds a value that is not a number: correct that line")
        for number, (before, after) in enumerate(itertools.pairwise(angles), 2):
            if not after > before:
                raise ValueError(
                    f"the cam table is out of order: line {number} has {after:g} degrees after {before:g}; "
                    "sort it by rising crank angle"
                )
        if angles[-1] - angles[0] > 720.0:
            raise ValueError("the cam table is longer than 720 degrees of crank angle: give one valve event")
        if min(lifts) < -0.1e-3:
            raise ValueError("the cam table has a lift below zero: set its zero on the closed valve")
        if not max(lifts) > 0.5e-3:
            raise ValueError("the cam table never opens the valve: check the unit in its heading")
        ends = max(lifts[0], lifts[-1])
        if ends > 0.05 * max(lifts):
            raise ValueError(
                f"the cam table begins or ends with the valve open by {ends * 1e3:.2f} mm: "
                "it must run from closed to closed"
            )

    @property
    def highest_lift_m(self) -> float:
        """The valve's full lift."""
        return max(self.lift_m)

    def _fine(self) -> tuple[Floats, Floats]:
        angle = np.linspace(self.crank_deg[0], self.crank_deg[-1], 8 * _STEPS + 1)
        middle = 0.5 * (angle[1:] + angle[:-1])
        return middle, np.maximum(np.interp(middle, self.crank_deg, self.lift_m), 0.0)

    def mean_over_event(self, of_lift: Callable[[Floats], Floats]) -> float:
        """Mean over the open period, by crank angle, of a function of the lift (m)."""
        _, lift = self._fine()
        return float(of_lift(lift[lift > 0.0]).mean())

    def degrees_between(self, edges_m: Sequence[float]) -> tuple[float, ...]:
        """Crank degrees that the valve spends below the first edge, between edges, and above the last."""
        angle, lift = self._fine()
        bands = np.searchsorted(np.asarray(edges_m), lift[lift > 0.0], side="right")
        step = angle[1] - angle[0]
        return tuple(float(np.count_nonzero(bands == band) * step) for band in range(len(edges_m) + 1))


def cam_from_csv(text: str) -> Cam:
    """A table with the headings ``crank_deg`` and ``lift_in`` or ``lift_mm`` (valve lift, after lash).

    Raises ``ValueError`` with one sentence that names the line.
    """
    rows = csv.DictReader(io.StringIO(text))
    names = [(name or "").strip().lower() for name in rows.fieldnames or ()]
    unit_m = {"lift_in": INCH_M, "lift_mm": 1e-3}
    lift_name = next((name for name in names if name in unit_m), None)
    if "crank_deg" not in names or lift_name is None:
        raise ValueError(
            f"a cam table needs the headings crank_deg and lift_in (or lift_mm); it has {', '.join(names) or 'none'}"
        )
    rows.fieldnames = names
    angles, lifts = [], []
    for row in rows:
        try:
            angles.append(float(row["crank_deg"]))
            lifts.append(float(row[lift_name]) * unit_m[lift_name])
        except (TypeError, ValueError) as error:
            raise ValueError(f"line {rows.line_num} of the cam table holds no two numbers: correct it") from error
    return Cam(tuple(angles), tuple(lifts), f"table of {len(angles)} lines")


def cam_from_card(
    seat_duration_deg: float, card_duration_deg: float, lobe_lift_m: float, rocker_ratio: float = 1.0
) -> Cam:
    """A smooth symmetrical profile from seat duration, duration at 0.050 in, lobe lift and rocker ratio.

    The polydyne power series of Stoddart (Polydyne cam design, Machine
    Design 25, 1953): lift = h (1 + C2 x^2 + Cp x^p + Cq x^q + Cr x^r + Cs x^s),
    x from 0 at the nose to 1 at the seat, where the lift and its first four
    derivatives end at zero; its powers are 2, 2+n, 2+2n, 2+3n, 2+4n, and n is
    chosen so that the lobe is 0.050 in high where the card says. A stand-in:
    the maker's lobe may be asymmetrical, and has ramps.

    Raises ``ValueError`` with one sentence when no profile of the family has
    these durations.
    """
    if not 0.0 < card_duration_deg < seat_duration_deg <= 440.0:
        raise ValueError(
            f"a duration of {card_duration_deg:g} degrees at 0.050 in must be shorter than that at the seat, "
            f"{seat_duration_deg:g}, which is at most 440: check the cam card"
        )
    if not lobe_lift_m > 1.2 * _CARD_LIFT_M:
        raise ValueError(f"a lobe lift of {lobe_lift_m / INCH_M:.3f} in is too low for a duration at 0.050 in")
    if not 0.5 <= rocker_ratio <= 3.0:
        raise ValueError(f"a rocker ratio of {rocker_ratio:g} is not possible: it lies between 0.5 and 3")
    wanted = _CARD_LIFT_M / lobe_lift_m
    spacing = _solve(lambda n: float(_polydyne(card_duration_deg / seat_duration_deg, n)) - wanted)
    if spacing is None:
        shortest, longest = (seat_duration_deg * _width(n, wanted) for n in (_SLENDEREST, _FULLEST))
        raise ValueError(
            f"no smooth profile has {seat_duration_deg:g} degrees at the seat and {card_duration_deg:g} at 0.050 in "
            f"with this lobe lift: from {math.ceil(shortest)} to {math.floor(longest)} at 0.050 in is possible; "
            "check the card, or give a table"
        )
    x = np.linspace(-1.0, 1.0, _STEPS + 1)
    lift = np.maximum(_polydyne(np.abs(x), spacing), 0.0) * lobe_lift_m * rocker_ratio
    lift[0] = lift[-1] = 0.0
    said = (
        f"polydyne profile, {seat_duration_deg:g} degrees at the seat, {card_duration_deg:g} at 0.050 in, "
        f"valve lift {lobe_lift_m * rocker_ratio / INCH_M:.3f} in"
    )
    return Cam(tuple((x * 0.5 * seat_duration_deg).tolist()), tuple(lift.tolist()), said)


def polydyne_coefficients(powers: Sequence[float]) -> tuple[float, ...]:
    """The series' coefficients for its powers: the lift and its first derivatives are zero at the seat.

    Closed form of the conditions; for 2, p, q, r, s it is that of Stoddart.
    """
    every = (0.0, *powers)
    whole = math.prod(-power for power in powers)
    return tuple(whole / math.prod(k - other for other in every if other != k) for k in powers)


def _polydyne(x: ArrayLike, spacing: float) -> Floats:
    at = np.asarray(x, dtype=np.float64)
    powers = [2.0 + spacing * i for i in range(5)]
    coefficients = polydyne_coefficients(powers)
    return 1.0 + sum((c * at**power for c, power in zip(coefficients, powers, strict=True)), start=np.zeros_like(at))


def _width(spacing: float, share: float) -> float:
    """Where, between nose and seat, the lift is that share of its highest."""
    x = np.linspace(0.0, 1.0, 4001)
    return float(x[np.argmax(_polydyne(x, spacing) <= share)])


def _solve(rising: Callable[[float], float]) -> float | None:
    """The root of a rising function between the slenderest and the fullest profile."""
    from scipy.optimize import brentq

    if rising(_SLENDEREST) > 0.0 or rising(_FULLEST) < 0.0:
        return None
    return float(brentq(rising, _SLENDEREST, _FULLEST, xtol=1e-10))
