"""The bench's plant: plenum, port, leakage, meter and blower, stepped in time.

Test pressure is a positive magnitude in both directions. Intake: room, port,
plenum (room minus test pressure), meter, blower. Exhaust: blower, meter,
plenum (room plus test pressure), port, room.
"""

import math
import random

from sim.air import density, nozzle_flux, vapour_share
from sim.build import BLOWER_HEAD_PA, PLENUM_M3, Built, Direction
from sim.meters import MeterAir, viscosity
from sim.noise import Correlated, Hunting
from sim.scenario import Scenario

STEP_S = 0.01
FULL_FLOW_KG_S = 0.17
HEAT_TIME_S = 40.0


class Plant:
    """True state of the bench. Set the public inputs, then :meth:`step`.

    Inputs: ``port_m2`` (the true area of what is fitted, at its lift),
    ``creep`` (relative, what the area still has to come back by),
    ``source_pa`` (what the blower's valve is set to), ``direction``,
    ``meter_range``. Outputs are the remaining public attributes; mass flows
    in kg/s, ``meter_kg_s`` as it passes the meter, without turbulence.
    """

    def __init__(self, built: Built, scenario: Scenario, rng: random.Random) -> None:
        self._built = built
        self._scenario = scenario
        self.direction: Direction = "intake"
        self.meter_range = "large"
        self.port_m2 = 0.0
        self.creep = 0.0
        self.source_pa = 0.0
        self.t_s = 0.0
        self.test_pressure_pa = 0.0
        self.open_m2 = 0.0
        self.port_kg_s = 0.0
        self.leak_kg_s = 0.0
        self.meter_kg_s = 0.0
        self.room_temperature_k = built.room_temperature_k
        self.meter_temperature_k = built.room_temperature_k
        self._opening_m2_s = 0.0
        self._turbulence = Correlated(built.response.turbulence_time_s, STEP_S, rng)
        self._pressure_noise = Correlated(min(built.response.turbulence_time_s, 0.1), STEP_S, rng)
        self._line = Correlated(60.0, STEP_S, rng)
        self._hunting = Hunting(scenario, STEP_S, rng)
        self._pressure_gain = -math.expm1(-STEP_S / built.response.pressure_lag_s)
        self._meter_gain = -math.expm1(-STEP_S / built.response.meter_lag_s)
        self._next_air_s = 0.0
        self._air()

    def step(self) -> None:
        """Advance by ``STEP_S``."""
        self.t_s += STEP_S
        if self.t_s >= self._next_air_s:
            self._air()
        self._open()
        before_pa = self.test_pressure_pa
        lively = 1.0 + self._scenario.line_drift * self._line.step() + self._hunting.step()
        reachable = BLOWER_HEAD_PA / (1.0 + (self.open_m2 / self._built.range_areas_m2[self.meter_range]) ** 2)
        wanted_pa = min(self.source_pa * lively, reachable)
        self.test_pressure_pa += self._pressure_gain * (wanted_pa - before_pa)
        if self.source_pa == 0.0 and self.test_pressure_pa < 0.01:
            self.test_pressure_pa = 0.0
        flux = self.flux(self.test_pressure_pa)
        self.port_kg_s = self.open_m2 * flux
        self.leak_kg_s = self._built.leakage_m2[self.direction] * flux
        # what the plenum gives up or takes in while its pressure changes goes through the meter too
        storing = self._stored_kg_pa * (self.test_pressure_pa - before_pa) / STEP_S
        self.meter_kg_s += self._meter_gain * (self.port_kg_s + self.leak_kg_s + storing - self.meter_kg_s)
        self._turbulence.step()
        self._pressure_noise.step()

    def place(self) -> None:
        """Be in balance with the inputs, the air in the meter as warm as it gets."""
        self.open_m2, self._opening_m2_s = self.port_m2 * (1.0 + self.creep), 0.0
        self.test_pressure_pa = self.source_pa
        self.meter_temperature_k = self.room_temperature_k + self._heat_k()
        self._air()
        flux = self.flux(self.test_pressure_pa)
        self.port_kg_s = self.open_m2 * flux
        self.leak_kg_s = self._built.leakage_m2[self.direction] * flux
        self.meter_kg_s = self.port_kg_s + self.leak_kg_s

    @property
    def vapour(self) -> float:
        """Mole fraction of water, the same everywhere in the bench."""
        return self._vapour

    @property
    def plenum_pa(self) -> float:
        """Absolute pressure in the plenum."""
        sign = -1.0 if self.direction == "intake" else 1.0
        return self._built.room_pressure_pa + sign * self.test_pressure_pa

    def flux(self, test_pressure_pa: float) -> float:
        """Ideal mass flux through port and leaks at a test pressure, from the air now upstream of them."""
        room_pa = self._built.room_pressure_pa
        if self.direction == "intake":
            return nozzle_flux(room_pa, self._room_density, room_pa - test_pressure_pa)
        upstream_pa = room_pa + test_pressure_pa
        return nozzle_flux(upstream_pa, self._warm_density * upstream_pa / room_pa, room_pa)

    def meter_pressure_pa(self) -> float:
        """Pressure across the meter now, turbulence included."""
        low, high = self._scenario.turbulence
        share = min(abs(self.meter_kg_s) / FULL_FLOW_KG_S, 1.0)
        flow = self.meter_kg_s * (1.0 + (low + (high - low) * share) * self._turbulence.value)
        return self.drop_pa(flow)

    def drop_pa(self, mass_flow_kg_s: float) -> float:
        """Pressure across the present meter range at a mass flow."""
        plenum_pa = self.plenum_pa
        dense = self._warm_density * plenum_pa / self._built.room_pressure_pa
        meter = self._built.meters[self.meter_range]
        known = MeterAir(plenum_pa, dense, self._viscosity)
        return meter.drop_pa(mass_flow_kg_s, known, known_is_upstream=self.direction == "intake")

    def felt_test_pressure_pa(self) -> float:
        """Test pressure now with its noise."""
        return self.test_pressure_pa * (1.0 + self._built.response.pressure_noise * self._pressure_noise.value)

    def _open(self) -> None:
        target = self.port_m2 * (1.0 + self.creep)
        response = self._built.response
        if response.damping is None:
            self.open_m2 += -math.expm1(-STEP_S / response.time_constant_s) * (target - self.open_m2)
            return
        natural = 1.0 / (response.damping * response.time_constant_s)
        pull = natural**2 * (target - self.open_m2) - 2.0 * response.damping * natural * self._opening_m2_s
        self._opening_m2_s += STEP_S * pull
        self.open_m2 = max(self.open_m2 + STEP_S * self._opening_m2_s, 0.0)

    def _heat_k(self) -> float:
        return self._built.blower_heat_k if self.direction == "exhaust" and self.source_pa > 0.0 else 0.0

    def _air(self) -> None:
        self._next_air_s = self.t_s + 1.0
        built = self._built
        self.room_temperature_k = built.room_temperature_k + 0.3 * math.sin(2.0 * math.pi * self.t_s / 2400.0)
        warmer = self.meter_temperature_k - self.room_temperature_k
        self.meter_temperature_k = self.room_temperature_k + warmer + (self._heat_k() - warmer) / HEAT_TIME_S
        # the room's water content stays what it was while its temperature moves
        self._vapour = vapour_share(built.room_pressure_pa, built.room_temperature_k, built.room_humidity)
        self._room_density = density(built.room_pressure_pa, self.room_temperature_k, self._vapour)
        self._warm_density = density(built.room_pressure_pa, self.meter_temperature_k, self._vapour)
        self._viscosity = viscosity(self.meter_temperature_k, self._vapour)
        self._stored_kg_pa = PLENUM_M3 * self._warm_density / built.room_pressure_pa
