"""The flow meters of the simulated bench: its own coding of what each states, and of how far it really is off.

A meter is stated by a certificate or a standard: a relation, and a 95 %
figure for it. The one that was built follows the relation but for errors drawn
from those figures: of its coefficient, of its expansibility, of the air's
viscosity. SI throughout; drops are pressures across the meter.
"""

import itertools
import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from sim.air import CFM_M3_S, INCH_M, INH2O_PA, KAPPA, density, plate_drop_pa, plate_mass_flow

MeterKind = Literal["plate", "table", "pipe_orifice", "pipe_nozzle", "venturi", "chamber_nozzle", "laminar"]
NORMAL_95 = 1.96
# what a decaying flow leaves after minutes: its square would be no number any more
_NO_FLOW_KG_S = 1e-15
_HIGHEST_SHARE = 0.2  # of the known pressure: no blower of a bench comes near


@dataclass(frozen=True, slots=True)
class MeterAir:
    """The air at the meter's upstream tap."""

    pressure_pa: float
    density_kg_m3: float
    viscosity_pa_s: float


class Relation(Protocol):
    """Mass flow for a drop above zero; ``about_kg_s`` is a guess of it, where there is one."""

    def __call__(self, drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:
        """The flow, kg/s."""
        ...


@dataclass(frozen=True, slots=True)
class Stated:
    """A meter as its papers have it.

    ``flow_kg_s(drop_pa, air)``; ``coefficient_95(reynolds)`` relative, the
    Reynolds number on ``reynolds_length_m``; ``expansibility_95`` per drop over
    upstream pressure; ``viscosity_limit`` relative, rectangular; ``power``:
    drop goes with about this power of the flow. ``about_m2`` is a plate of
    about its size. ``lines`` are its entry in a configuration. Below
    ``least_reynolds`` it may be off by another 1 %, rectangular.
    """

    flow_kg_s: Relation
    coefficient_95: Callable[[float], float]
    expansibility_95: float
    about_m2: float
    lines: str
    reynolds_length_m: float = 1.0
    viscosity_limit: float = 0.0
    power: float = 2.0
    least_reynolds: float = 0.0


@dataclass(frozen=True, slots=True)
class Built:
    """A stated meter with the errors it was built with, in shares of what is stated.

    ``coefficient`` and ``expansibility`` are normal deviates, ``limit``, for
    what is stated as a limit, lies between -1 and 1.
    """

    stated: Stated
    coefficient: float
    expansibility: float
    limit: float

    def flow_kg_s(self, drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:
        """True mass flow for a drop above zero; ``about_kg_s`` is a guess."""
        its = self.stated
        viscosity = air.viscosity_pa_s * (1.0 + self.limit * its.viscosity_limit)
        flow = its.flow_kg_s(drop_pa, MeterAir(air.pressure_pa, air.density_kg_m3, viscosity), about_kg_s)
        reynolds = 4.0 * flow / (math.pi * its.reynolds_length_m * viscosity)
        off = self.coefficient * its.coefficient_95(reynolds)
        off += self.expansibility * its.expansibility_95 * drop_pa / air.pressure_pa
        beyond = 0.01 * self.limit if reynolds < its.least_reynolds else 0.0
        return flow * (1.0 + off / NORMAL_95 + beyond)

    def drop_pa(self, mass_flow_kg_s: float, known: MeterAir, known_is_upstream: bool) -> float:
        """Pressure across the meter at a mass flow, signed like it; ``known`` as for :func:`sim.air.plate_drop_pa`."""
        wanted, highest = abs(mass_flow_kg_s), _HIGHEST_SHARE * known.pressure_pa
        if wanted < _NO_FLOW_KG_S:
            return 0.0
        drop = min(plate_drop_pa(self.stated.about_m2, wanted, known.pressure_pa, known.density_kg_m3, True), highest)
        for _ in range(60):
            air = known
            if not known_is_upstream:
                upstream_pa = known.pressure_pa + drop
                dense = known.density_kg_m3 * upstream_pa / known.pressure_pa
                air = MeterAir(upstream_pa, dense, known.viscosity_pa_s)
            better = min(drop * (wanted / self.flow_kg_s(drop, air, wanted)) ** self.stated.power, highest)
            if abs(better - drop) <= 1e-9 * better:
                break
            drop = better
        return math.copysign(drop, mass_flow_kg_s)


def build_meter(stated: Stated, draw: random.Random, errors: float) -> Built:
    """Draw a meter; ``errors`` scales what is drawn."""
    normal, second, limit = draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0), draw.uniform(-1.0, 1.0)
    return Built(stated, errors * normal, errors * second, errors * limit)


def build_plate(area_m2: float, draw: random.Random, errors: float) -> Built:
    """A plate whose true area is known; only its expansibility is drawn."""
    return Built(plate(area_m2, 0.0), 0.0, errors * draw.gauss(0.0, 1.0), 0.0)


# ---------------------------------------------------------------- the relations


def viscosity(temperature_k: float, vapour: float) -> float:
    """Dynamic viscosity of moist air near one atmosphere, Pa s.

    Sutherland's law through 1.8206e-5 at 20 C; humid air loses a third of its
    vapour share. Check: 35 C -> 1.8918e-5 dry (reference equations 1.8928e-5),
    with 60 % of humidity at 95 kPa 1.2 % less.
    """
    t = temperature_k
    dry = 1.8206e-5 * (t / 293.15) ** 1.5 * (293.15 + 110.4) / (t + 110.4)
    moist: float = dry * (1.0 - 0.34 * vapour)
    return moist


def _nozzle_expansibility(upstream_pa: float, drop_pa: float, beta: float) -> float:
    """ISO 5167-3 and -4: isentropic flow."""
    tau = 1.0 - drop_pa / upstream_pa
    if tau >= 1.0 - 1e-12:
        return 1.0
    inner = KAPPA * tau ** (2.0 / KAPPA) / (KAPPA - 1.0)
    inner *= (1.0 - beta**4) / (1.0 - beta**4 * tau ** (2.0 / KAPPA))
    return math.sqrt(inner * (1.0 - tau ** ((KAPPA - 1.0) / KAPPA)) / (1.0 - tau))


def _orifice_expansibility(upstream_pa: float, drop_pa: float, beta: float) -> float:
    """ISO 5167-2."""
    slope = 0.351 + 0.256 * beta**4 + 0.93 * beta**8
    return 1.0 - slope * (1.0 - math.pow(1.0 - drop_pa / upstream_pa, 1.0 / KAPPA))


Expansibility = Callable[[float, float, float], float]


def _throttle(bore_m: float, length_m: float, beta: float, c: Callable[[float], float], eps: Expansibility) -> Relation:
    area = math.pi / 4 * bore_m**2 / math.sqrt(1.0 - beta**4)

    def flow(drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:
        ideal = area * eps(air.pressure_pa, drop_pa, beta) * math.sqrt(2.0 * drop_pa * air.density_kg_m3)
        mass, per_flow = about_kg_s or ideal, 4.0 / (math.pi * length_m * air.viscosity_pa_s)
        for _ in range(40):
            before, mass = mass, ideal * c(max(per_flow * mass, 1000.0))
            if abs(mass - before) <= 1e-9 * mass:
                break
        return mass

    return flow


def orifice_coefficient(reynolds: float, beta: float, l1: float, l2: float) -> float:
    """Reader-Harris & Gallagher, ISO 5167-2, pipes from 71.12 mm. Check: 1e5, 0.6, D and D/2 -> 0.611779."""
    m2 = 2.0 * l2 / (1.0 - beta)
    a = (19000.0 * beta / reynolds) ** 0.8
    base = 0.5961 + 0.0261 * beta**2 - 0.216 * beta**8 + 0.000521 * (1e6 * beta / reynolds) ** 0.7
    viscous = (0.0188 + 0.0063 * a) * beta**3.5 * (1e6 / reynolds) ** 0.3
    taps = 0.043 + 0.080 * math.exp(-10.0 * l1) - 0.123 * math.exp(-7.0 * l1)
    taps *= (1.0 - 0.11 * a) * beta**4 / (1.0 - beta**4)
    coefficient: float = base + viscous + taps - 0.031 * (m2 - 0.8 * m2**1.1) * beta**1.3
    return coefficient


def _venturi_coefficient(reynolds: float) -> tuple[float, float]:
    """Machined classical venturi tube and its 95 % figure, ISO 5167-4 with annex B below 2e5, from memory."""
    rows = ((5e4, 0.970, 0.03), (1e5, 0.977, 0.025), (2e5, 0.995, 0.01))
    if reynolds <= rows[0][0]:
        return rows[0][1:]
    for (re, c, u), (next_re, next_c, next_u) in itertools.pairwise(rows):
        if reynolds <= next_re:
            share = (reynolds - re) / (next_re - re)
            return c + share * (next_c - c), u + share * (next_u - u)
    return rows[-1][1:]


# ---------------------------------------------------------------- the meters of the large range

_PIPE_M = 0.1016
_RANGE = 'lowest_pressure = "0.1 inH2O"\nhighest_pressure = "16 inH2O"\n'


def plate(area_m2: float, accuracy: float, lines: str = "") -> Stated:
    """A sharp-edged plate in a wall by its calibrated area. A standard states its expansibility only for pipes."""

    def flow(drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:  # noqa: ARG001
        return plate_mass_flow(area_m2, air.pressure_pa, air.density_kg_m3, drop_pa)

    return Stated(
        flow_kg_s=flow,
        coefficient_95=lambda _: accuracy,
        # what ISO 5167-2 gives at 95 % counts as one standard deviation without a pipe
        expansibility_95=NORMAL_95 * 0.035 / KAPPA,
        about_m2=area_m2,
        lines=lines,
    )


def _table_area_m2(drop_pa: float) -> float:
    """A plate whose coefficient falls with its Reynolds number, as ISO 5167-2 has it for small bores."""
    return 1790e-6 * (1.0 + 0.030 * math.pow(drop_pa / 25.0, -0.35))


def _table() -> Stated:
    def flow(drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:  # noqa: ARG001
        return plate_mass_flow(_table_area_m2(drop_pa), air.pressure_pa, air.density_kg_m3, drop_pa)

    dense = density(101325.0, 293.15, 0.0)
    rows = []
    for inh2o in (0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 10.0, 16.0):
        volume = flow(inh2o * INH2O_PA, MeterAir(101325.0, dense, viscosity(293.15, 0.0))) / dense
        rows.append(f'["{inh2o:g} inH2O", "{volume / CFM_M3_S:.4f} cfm"]')
    lines = f'kind = "table"\npoints = [{", ".join(rows)}]\naccuracy = "0.8 %"\n{_RANGE}'
    return Stated(flow, lambda _: 0.008, NORMAL_95 * 0.035 / KAPPA, 1800e-6, lines)


def _pipe_orifice() -> Stated:
    bore_m, beta = 0.060, 0.060 / _PIPE_M
    flow = _throttle(bore_m, _PIPE_M, beta, lambda re: orifice_coefficient(re, beta, 1.0, 0.47), _orifice_expansibility)
    lines = f'kind = "pipe_orifice"\nbore = "60 mm"\npipe_diameter = "4 in"\ntaps = "D and D/2"\n{_RANGE}'
    return Stated(flow, lambda re: 0.005 if re >= 10_000.0 else 0.010, 0.035 / KAPPA, 1830e-6, lines, _PIPE_M)


def _pipe_nozzle() -> Stated:
    bore_m, beta = 0.048, 0.048 / _PIPE_M
    flow = _throttle(
        bore_m, _PIPE_M, beta, lambda re: 0.9965 - 0.00653 * math.sqrt(1e6 * beta / re), _nozzle_expansibility
    )
    lines = f'kind = "pipe_nozzle"\nbore = "48 mm"\npipe_diameter = "4 in"\nshape = "long radius"\n{_RANGE}'
    return Stated(flow, lambda _: 0.02, 0.02, 1820e-6, lines, _PIPE_M)


def _venturi() -> Stated:
    bore_m, beta = 0.048, 0.048 / _PIPE_M
    flow = _throttle(bore_m, _PIPE_M, beta, lambda re: _venturi_coefficient(re)[0], _nozzle_expansibility)
    lines = f'kind = "venturi"\nbore = "48 mm"\npipe_diameter = "4 in"\nconvergent = "machined"\n{_RANGE}'
    return Stated(
        flow,
        lambda re: _venturi_coefficient(re)[1],
        0.04 + beta**8,
        1820e-6,
        lines,
        _PIPE_M,
        least_reynolds=5e4,
    )


def _chamber_nozzle() -> Stated:
    bore_m = 1.9 * INCH_M
    flow = _throttle(bore_m, bore_m, 0.0, lambda re: 0.9986 - 7.006 / math.sqrt(re) + 134.6 / re, _nozzle_expansibility)
    lines = f'kind = "chamber_nozzle"\nbore = "1.9 in"\nthroat_length = 0.6\n{_RANGE}'
    return Stated(flow, lambda _: 0.012, 0.02, 1800e-6, lines, bore_m)


def _laminar() -> Stated:
    def flow(drop_pa: float, air: MeterAir, about_kg_s: float = 0.0) -> float:  # noqa: ARG001
        inh2o = drop_pa / INH2O_PA
        cfm = 40.0 * inh2o - 0.45 * inh2o**2
        return cfm * CFM_M3_S * viscosity(293.15, 0.0) / air.viscosity_pa_s * air.density_kg_m3

    lines = (
        'kind = "laminar"\ncoefficients = [40.0, -0.45]\npressure_unit = "inH2O@conventional"\nflow_unit = "cfm"\n'
        f'air_temperature = "20 C"\nviscosity = "reference"\naccuracy = "0.8 %"\n{_RANGE}'
    )
    return Stated(flow, lambda _: 0.008, 0.0, 2000e-6, lines, viscosity_limit=0.002, power=1.0)


_LARGE: dict[MeterKind, Callable[[], Stated]] = {
    "plate": lambda: plate(1800e-6, 0.008, f'area = "1800 mm2"\naccuracy = "0.8 %"\n{_RANGE}'),
    "table": _table,
    "pipe_orifice": _pipe_orifice,
    "pipe_nozzle": _pipe_nozzle,
    "venturi": _venturi,
    "chamber_nozzle": _chamber_nozzle,
    "laminar": _laminar,
}
METER_KINDS: tuple[MeterKind, ...] = tuple(_LARGE)


def large_range(kind: MeterKind) -> Stated:
    """The meter of the large range, about 290 cfm at 16 inH2O. Raises ``ValueError`` for an unknown kind."""
    if kind not in _LARGE:
        raise ValueError(f"no simulated meter is a {kind!r}: use one of {', '.join(_LARGE)}")
    return _LARGE[kind]()
