"""A simulated bench whose meter is a critical nozzle before a vacuum pump, intake only.

The flow is the nozzle's, whatever the port: of a set of nozzles the one is in
use that passes what the port passes at about the test pressure, and the test
pressure comes to where both agree. The nozzle's true coefficient is off its
certificate by a draw from the certificate's figure.
"""

import math
import random
from dataclasses import replace

from sim.air import INH2O_PA, density
from sim.bench import SimBench
from sim.scenario import SHOP

TEST_PA = 28 * INH2O_PA
PUMP_INH2O = 250.0
ACCURACY, COEFFICIENT = 0.003, 0.985
REAL_AIR_LIMIT = 0.0005
# critical flow function of a perfect gas of 1.4, and that of real air near one atmosphere over it (CoolProp 8.0)
PERFECT, REAL = 0.68473146, 0.685134 / 0.68473146
_STILL = replace(SHOP, line_drift=0.0, hunting_share=0.0)


class ChokedBench(SimBench):
    """The nozzle is chosen for one lift."""

    def __init__(self, seed: int, lift_m: float) -> None:
        super().__init__(seed, _STILL)
        self._nozzle_m2 = 0.0
        draw = random.Random(f"{seed}/nozzle")
        off = draw.gauss(0.0, ACCURACY / 1.96) + draw.uniform(-REAL_AIR_LIMIT, REAL_AIR_LIMIT)
        super().hold({"lift_m": lift_m, "test_pressure_pa": TEST_PA})
        wanted_m2 = self.plant.meter_kg_s / self._flux()
        self.bore_m = round(math.sqrt(4.0 / math.pi * wanted_m2 / (COEFFICIENT * (1.0 + off))), 6)
        self._nozzle_m2 = math.pi / 4.0 * self.bore_m**2 * COEFFICIENT * (1.0 + off)
        super().hold({"lift_m": 0.0, "test_pressure_pa": 0.0})

    @property
    def lines(self) -> str:
        """The nozzle's entry in a configuration."""
        return (
            f'kind = "critical_nozzle"\nbore = "{self.bore_m * 1000:.3f} mm"\ncoefficient = {COEFFICIENT}\n'
            f'accuracy = "{ACCURACY * 100:g} %"\nlowest_pressure = "100 inH2O"\nhighest_pressure = "390 inH2O"\n'
        )

    def hold(self, wants: dict[str, object]) -> None:
        """As on any bench, at the test pressure that the nozzle leaves."""
        super().hold(wants)
        for _ in range(20):
            self.plant.source_pa *= (self._nozzle_m2 * self._flux() / self.plant.meter_kg_s) ** 2
            self.plant.place()

    def _flux(self) -> float:
        """Choked mass flux from the plenum, kg/(s m2)."""
        plant = self.plant
        return (
            PERFECT
            * REAL
            * math.sqrt(plant.plenum_pa * density(plant.plenum_pa, plant.meter_temperature_k, plant.vapour))
        )

    def _meter_inh2o(self) -> float:
        drop = PUMP_INH2O if self.plant.source_pa > 0.0 else 0.0
        return self._reading("meter_pressure", drop, 0.0005, 400.0)
