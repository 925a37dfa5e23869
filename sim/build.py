"""The bench as its papers state it, and as it was really built: true values drawn from a seed.

What is drawn here never depends on time or on the scenario's noise, so the
same seed always gives the same head and the same bench.
"""

import math
import random
from dataclasses import dataclass, replace
from typing import Literal

from sim import meters
from sim.air import CFM_M3_S, INCH_M, INH2O_PA, density, nozzle_flux
from sim.meters import MeterKind
from sim.scenario import Scenario

Direction = Literal["intake", "exhaust"]
DIRECTIONS: tuple[Direction, Direction] = ("intake", "exhaust")


@dataclass(frozen=True, slots=True)
class StatedRange:
    """A meter range on its certificate: effective area, and its accuracy (95 %, relative)."""

    area_m2: float
    accuracy: float


@dataclass(frozen=True, slots=True)
class StatedChannel:
    """A transducer on its data sheet, in the unit it sends: 95 % accuracy figures, and one digit."""

    accuracy: float
    accuracy_percent_of_reading: float
    resolution: float


STATED_RANGES: dict[str, StatedRange] = {
    "small": StatedRange(40e-6, 0.010),
    "middle": StatedRange(600e-6, 0.008),
    "large": StatedRange(1800e-6, 0.008),
}
STATED_CHANNELS: dict[str, StatedChannel] = {
    "test_pressure": StatedChannel(0.02, 0.10, 0.001),
    "meter_pressure": StatedChannel(0.004, 0.15, 0.0005),
    "lift": StatedChannel(0.0005, 0.0, 0.0005),
    "room_pressure": StatedChannel(0.05, 0.0, 0.01),
    "room_temperature": StatedChannel(0.3, 0.0, 0.01),
    "room_humidity": StatedChannel(2.0, 0.0, 0.1),
    "meter_temperature": StatedChannel(0.3, 0.0, 0.01),
}
ZEROED = ("test_pressure", "meter_pressure", "lift")
REFERENCE_PLATE_M2 = 600e-6
BLOWER_HEAD_PA = 60 * INH2O_PA
PLENUM_M3 = 0.15


@dataclass(frozen=True, slots=True)
class Port:
    """A port's true effective area against lift: rising, concave, smooth.

    Low lifts follow the valve's curtain with ``curtain_coefficient``; the
    port itself limits high lifts at ``plateau_m2``; ``knee`` blends the two.
    ``low_lift`` is what this head flows more where the lift is small beside
    the valve; ``mounted`` what this mount of it does to every lift.
    """

    valve_diameter_m: float
    curtain_coefficient: float
    plateau_m2: float
    knee: float
    low_lift: float = 0.0
    mounted: float = 1.0

    def area_m2(self, lift_m: float) -> float:
        """Isentropic nozzle area in m2 at a lift; zero on the seat."""
        if lift_m <= 0.0:
            return 0.0
        curtain = self.curtain_coefficient * math.pi * self.valve_diameter_m * lift_m
        area = float(curtain / (1.0 + (curtain / self.plateau_m2) ** self.knee) ** (1.0 / self.knee))
        if self.low_lift:
            area *= 1.0 + self.low_lift * math.exp(-((lift_m / self.valve_diameter_m / 0.09) ** 2))
        return area * self.mounted


@dataclass(frozen=True, slots=True)
class Transducer:
    """What a channel's reading is off by, in the unit it sends.

    ``offset`` is what it shows at zero, and goes when the zero is subtracted.
    ``bend`` is what then is left away from zero: it is all there beyond about
    ``knee``.
    """

    offset: float
    gain: float
    drift_per_min: float
    resolution: float
    bend: float = 0.0
    knee: float = 1.0

    def reading(self, value: float, t_s: float) -> float:
        """The number sent for the true ``value``, in whole digits."""
        bent = self.bend * math.tanh(value / self.knee)
        raw = value * (1.0 + self.gain) + self.offset + bent + self.drift_per_min * t_s / 60.0
        return round(raw / self.resolution) * self.resolution


@dataclass(frozen=True, slots=True)
class Response:
    """How the flow follows the valve: first order where ``damping`` is None."""

    time_constant_s: float
    damping: float | None
    meter_lag_s: float
    pressure_lag_s: float
    turbulence_time_s: float
    pressure_noise: float


@dataclass(frozen=True, slots=True)
class Built:
    """Everything true about the bench, the head and the day."""

    ports: dict[Direction, Port]
    range_areas_m2: dict[str, float]
    meters: dict[str, meters.Built]
    leakage_m2: dict[Direction, float]
    reference_plate_m2: float
    transducers: dict[str, Transducer]
    response: Response
    room_pressure_pa: float
    room_temperature_k: float
    room_humidity: float
    blower_heat_k: float


def build(seed: int, scenario: Scenario, meter: MeterKind = "plate") -> Built:
    """Draw the bench of a seed; ``meter`` is the kind of its large range, all else is the same.

    ``range_areas_m2`` are the plates' true areas, and that of a plate of about
    the size of another meter.
    """
    errors = scenario.instrument_errors
    draw = random.Random(f"{seed}/meter")
    ranges = {
        name: stated.area_m2 * (1.0 + errors * draw.gauss(0.0, stated.accuracy / 2))
        for name, stated in STATED_RANGES.items()
    }
    bends = random.Random(f"{seed}/expansibility")
    built = {name: meters.build_plate(area_m2, bends, errors) for name, area_m2 in ranges.items()}
    if meter != "plate":
        built["large"] = meters.build_meter(meters.large_range(meter), random.Random(f"{seed}/{meter}"), errors)
        ranges["large"] = built["large"].stated.about_m2
    plate = REFERENCE_PLATE_M2 * (1.0 + draw.gauss(0.0, 0.002))
    per_cfm_m2 = CFM_M3_S * density(101325.0, 293.15, 0.0) / _flux_at_28()
    leakage: dict[Direction, float] = {side: draw.uniform(1.0, 3.0) * per_cfm_m2 for side in DIRECTIONS}
    day = random.Random(f"{seed}/day")
    return Built(
        ports=_head(random.Random(f"{seed}/head")),
        range_areas_m2=ranges,
        meters=built,
        leakage_m2=leakage,
        reference_plate_m2=plate,
        transducers=_transducers(random.Random(f"{seed}/transducers"), errors),
        response=_response(random.Random(f"{seed}/response"), scenario),
        room_pressure_pa=day.uniform(97500.0, 102000.0),
        room_temperature_k=273.15 + day.uniform(18.0, 26.0),
        room_humidity=day.uniform(0.30, 0.60),
        blower_heat_k=day.uniform(2.5, 5.0),
    )


def _flux_at_28() -> float:
    return nozzle_flux(101325.0, density(101325.0, 293.15, 0.0), 101325.0 - 28 * INH2O_PA)


def _head(draw: random.Random) -> dict[Direction, Port]:
    diameter_m = draw.uniform(1.98, 2.06) * INCH_M
    coefficient = draw.uniform(0.645, 0.690)
    plateau_m2 = draw.uniform(0.60, 0.67) * math.pi / 4 * diameter_m**2
    knee = draw.uniform(2.1, 2.5)
    share = draw.uniform(0.67, 0.73)
    narrower = draw.uniform(0.77, 0.81)
    intake = Port(diameter_m, coefficient, plateau_m2, knee)
    exhaust = Port(
        diameter_m * narrower, coefficient * share / narrower, plateau_m2 * share, knee + draw.uniform(-0.1, 0.1)
    )
    return {"intake": intake, "exhaust": exhaust}


def _transducers(draw: random.Random, errors: float) -> dict[str, Transducer]:
    made: dict[str, Transducer] = {}
    for name, stated in STATED_CHANNELS.items():
        offset = errors * draw.gauss(0.0, stated.accuracy / 2)
        gain = errors * draw.gauss(0.0, stated.accuracy_percent_of_reading / 200.0)
        drift = errors * draw.gauss(0.0, 0.005 * stated.accuracy)
        made[name] = Transducer(offset, gain, drift, stated.resolution)
    # an indicator's zero is wherever it was set last
    made["lift"] = replace(made["lift"], offset=errors * draw.uniform(-0.002, 0.002))
    for name in ZEROED:
        # the stated figure holds for a reading whose zero was subtracted
        accuracy = STATED_CHANNELS[name].accuracy
        made[name] = replace(made[name], bend=errors * draw.gauss(0.0, accuracy / 2), knee=10.0 * accuracy)
    return made


def _response(draw: random.Random, scenario: Scenario) -> Response:
    return Response(
        time_constant_s=draw.uniform(*scenario.time_constant_s),
        damping=draw.uniform(*scenario.damping) if draw.random() < scenario.second_order_share else None,
        meter_lag_s=draw.uniform(*scenario.meter_lag_s),
        pressure_lag_s=draw.uniform(0.12, 0.30),
        turbulence_time_s=draw.uniform(*scenario.turbulence_time_s),
        pressure_noise=draw.uniform(*scenario.pressure_noise),
    )
