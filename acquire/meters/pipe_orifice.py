"""Sharp-edged orifice in a pipe, ISO 5167-2.

Coefficient by Reader-Harris & Gallagher. Figures of uncertainty from memory
(ISO 5167-2:2003, 5.3.3).
"""

from typing import Literal

from acquire.flow.elementwise import N, power
from acquire.flow.restriction import plate_expansibility
from acquire.meters.throttle import Throttle, ThrottleRange, outside_limits
from acquire.values import AirState

Taps = Literal["corner", "flange", "D and D/2"]


class PipeOrifice(Throttle):
    """An orifice plate between its taps."""

    def __init__(self, bore_m: float, pipe_m: float, taps: Taps, accuracy: float | None = None) -> None:
        super().__init__(bore_m, pipe_m, accuracy)
        beta = self.beta
        lowest = 5000.0 if beta <= 0.56 else max(5000.0, 16000.0 * beta**2)
        if taps == "flange":
            lowest = max(5000.0, 170.0 * beta**2 * pipe_m * 1000.0)
        self.reynolds_limits = (lowest, 1e8)
        self.pipe_m = pipe_m
        l1, l2 = {"corner": (0.0, 0.0), "D and D/2": (1.0, 0.47), "flange": (0.0254 / pipe_m, 0.0254 / pipe_m)}[taps]
        m2 = 2.0 * l2 / (1.0 - beta)
        self._constant = 0.5961 + 0.0261 * beta**2 - 0.216 * beta**8 - 0.031 * (m2 - 0.8 * m2**1.1) * beta**1.3
        if pipe_m < 0.07112:
            self._constant += 0.011 * (0.75 - beta) * (2.8 - pipe_m / 0.0254)
        e = 2.718281828459045
        self._upstream = (0.043 + 0.080 * e ** (-10.0 * l1) - 0.123 * e ** (-7.0 * l1)) * beta**4 / (1.0 - beta**4)

    def coefficient(self, reynolds: N) -> N:
        """Reader-Harris & Gallagher, ISO 5167-2:2003 eq. (4). Check: D 0.1, beta 0.5, corner, 1e8 -> 0.6022."""
        beta = self.beta
        a = power(19000.0 * beta / reynolds, 0.8)
        coefficient: N = (
            self._constant
            + 0.000521 * power(1e6 * beta / reynolds, 0.7)
            + (0.0188 + 0.0063 * a) * beta**3.5 * power(1e6 / reynolds, 0.3)
            + self._upstream * (1.0 - 0.11 * a)
        )
        return coefficient

    def coefficient_95(self, reynolds: float) -> float:
        beta = self.beta
        percent = 0.7 - beta if beta < 0.2 else 0.5 if beta <= 0.6 else 1.667 * beta - 0.5
        if self.pipe_m < 0.07112:
            percent += 0.9 * (0.75 - beta) * (2.8 - self.pipe_m / 0.0254)
        if beta > 0.5 and reynolds < 10_000.0:
            percent += 0.5
        return percent / 100.0

    def expansibility(self, ratio: N, kappa: float) -> N:
        return plate_expansibility(ratio, kappa, self.beta)

    def expansibility_95(self, ratio: float, kappa: float) -> float:
        return 0.035 * (1.0 - ratio) / kappa


class PipeOrificeRange(ThrottleRange):
    """An orifice plate in a pipe that runs full, with straight lengths before and after it."""

    kind: Literal["pipe_orifice"]
    taps: Taps

    def outside(self) -> str:
        return outside_limits(self.bore_m, self.pipe_diameter_m, "ISO 5167-2", (50.0, 1000.0), (0.1, 0.75), 12.5)

    def meter(self, reference_air: AirState) -> PipeOrifice:  # noqa: ARG002
        return PipeOrifice(self.bore_m, self.pipe_diameter_m, self.taps, self.accuracy)
