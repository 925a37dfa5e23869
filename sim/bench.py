"""The simulated bench in virtual time: nothing happens but in :meth:`SimBench.advance`."""

import random
from dataclasses import replace
from typing import Any

from sim.air import INCH_M, INH2O_PA, density, nozzle_flux, saturation_pressure_pa, vapour_share
from sim.build import Direction, build
from sim.devices import Device, FrontEnd, LiftIndicator, Weather
from sim.faults import DEVICES, Fault, FaultPlan, now_and_then
from sim.meters import MeterKind
from sim.operator import Fitted, Operator
from sim.physics import STEP_S, Plant
from sim.scenario import SHOP, Scenario

LIFT_TOLERANCE_M = 0.002 * INCH_M
PRESSURE_BAND_REL = 0.02
SETTLED_REL = 0.001


class SimBench:
    """A bench, a head and an operator, all drawn from ``seed``; ``meter`` is the kind of the large range."""

    def __init__(self, seed: int, scenario: Scenario = SHOP, meter: MeterKind = "plate") -> None:
        self.seed = seed
        self.scenario = scenario
        self.meter = meter
        self.built = build(seed, scenario, meter)
        self.plant = Plant(self.built, scenario, random.Random(f"{seed}/noise"))
        self.operator = Operator(self.plant, self.built, scenario, random.Random(f"{seed}/operator"))
        self._electronic = random.Random(f"{seed}/electronic")
        self._mounts = random.Random(f"{seed}/mounts")
        self._steps = 0
        self._owed_s = 0.0
        spoil = random.Random(f"{seed}/faults")
        endless = now_and_then(random.Random(f"{seed}/spikes"), scenario.spikes_per_min, scenario.gaps_per_min)
        plans = {name: FaultPlan(name, scenario.faults) for name in DEVICES}
        plans["front_end"] = FaultPlan("front_end", scenario.faults, endless)
        self.front_end = FrontEnd(plans["front_end"], spoil, self._test_inh2o, self._meter_inh2o)
        self.lift_indicator = LiftIndicator(plans["lift_indicator"], spoil, self._lift_in)
        self.weather = Weather(plans["weather"], spoil, self._weather)
        self.devices: dict[str, Device] = {d.name: d for d in (self.front_end, self.lift_indicator, self.weather)}

    @property
    def t_s(self) -> float:
        """Seconds since the bench was made."""
        return self._steps * STEP_S

    def follow(self, wants: dict[str, object]) -> None:
        """What the operator is asked for: ``lift_m``, ``test_pressure_pa``, ``direction``, ``meter_range``, ``fitted``.

        :raises ValueError: an unknown key or an impossible value
        """
        self.operator.follow(wants)

    def advance(self, dt_s: float) -> None:
        """Let ``dt_s`` pass, in whole steps; what is left over is kept for the next call."""
        self._owed_s += dt_s
        while self._owed_s >= STEP_S - 1e-9:
            self._owed_s -= STEP_S
            self._steps += 1
            self._step()

    def _step(self) -> None:
        now_s = self.t_s
        self.operator.step()
        self.plant.step()
        if self._steps % FrontEnd.every == 0:
            self.front_end.tick(now_s)
        if self._steps % LiftIndicator.every == 0:
            self.lift_indicator.tick(now_s)
        self.weather.tick(now_s)

    def hold(self, wants: dict[str, object]) -> None:
        """As :meth:`follow`, but hands and air are there at once: a stay without its approach.

        :raises ValueError: an unknown key or an impossible value
        """
        self.operator.place(wants)
        self.plant.place()

    def mount(self, low_lift: float = 0.0, scatter: float = 0.0015) -> None:
        """Take the head off and mount one that differs at low lift; no two mounts are quite alike.

        :raises ValueError: a share that no head could have
        """
        if not (-0.5 < low_lift < 0.5 and 0.0 <= scatter < 0.05):
            raise ValueError("low_lift must lie between -0.5 and 0.5, scatter between 0 and 0.05")
        mounted = 1.0 + self._mounts.gauss(0.0, scatter)
        for side, port in self.built.ports.items():
            self.built.ports[side] = replace(port, low_lift=low_lift, mounted=mounted)

    def shift_zero(self, channel: str, by: float) -> None:
        """Move a transducer's zero, in the unit it sends."""
        its = self.built.transducers[channel]
        self.built.transducers[channel] = replace(its, offset=its.offset + by)

    # ------------------------------------------------------------ the wire

    def outputs(self) -> dict[str, bytes]:
        """The bytes of each instrument since the last call."""
        return {name: device.take() for name, device in self.devices.items()}

    def write(self, device: str, data: bytes) -> None:
        """Bytes from the host to an instrument."""
        self.device(device).hear(data, self.t_s)

    def press(self) -> None:
        """Press the lift indicator's data button."""
        self.lift_indicator.press(self.t_s)

    def unplug(self, device: str, for_s: float) -> None:
        """Pull an instrument's plug for a while."""
        self.device(device).unplug(for_s, self.t_s)

    def plugged(self, device: str) -> bool:
        """Whether an instrument's port is there."""
        return self.device(device).plugged(self.t_s)

    def add_fault(self, fault: Fault) -> None:
        """Place one more fault."""
        self.device(fault.device).plan.add(fault)

    def device(self, name: str) -> Device:
        """An instrument by name. Raises ``ValueError`` for an unknown one."""
        if name not in self.devices:
            raise ValueError(f"no simulated instrument is called {name!r}: use one of {', '.join(DEVICES)}")
        return self.devices[name]

    # ------------------------------------------------------------ the truth

    def truth(
        self,
        direction: Direction,
        lift_m: float = 0.0,
        reference_pressure_pa: float = 28 * INH2O_PA,
        air_pressure_pa: float = 101325.0,
        air_temperature_k: float = 293.15,
        air_humidity: float = 0.0,
        fitted: Fitted = "head",
    ) -> dict[str, float]:
        """What a perfect bench would find, leakage excluded. Depends on the seed alone.

        ``effective_area_m2`` is the ideal nozzle throat that passes the same
        flow; ``flow_m3_s`` states it: that throat fed from rest with the
        reference air at ``air_pressure_pa``, emptying ``reference_pressure_pa``
        below it, by volume of the reference air. ``leakage_area_m2`` is the
        bench's own.

        :raises ValueError: an unknown direction
        """
        if direction not in self.built.ports:
            raise ValueError(f"direction {direction!r} is not known: use intake or exhaust")
        if fitted == "head":
            area_m2 = self.built.ports[direction].area_m2(lift_m)
        else:
            area_m2 = self.built.reference_plate_m2 if fitted == "reference plate" else 0.0
        vapour = vapour_share(air_pressure_pa, air_temperature_k, air_humidity)
        dense = density(air_pressure_pa, air_temperature_k, vapour)
        speed_m_s = nozzle_flux(air_pressure_pa, dense, air_pressure_pa - reference_pressure_pa) / dense
        return {
            "lift_m": lift_m,
            "effective_area_m2": area_m2,
            "flow_m3_s": area_m2 * speed_m_s,
            "leakage_area_m2": self.built.leakage_m2[direction],
            "leakage_m3_s": self.built.leakage_m2[direction] * speed_m_s,
        }

    def true_now(self) -> dict[str, Any]:
        """The state behind the readings, without noise.

        ``flow_error_rel`` is how far the flow at the meter is from what the
        present lift gives once settled, both referred to the present test
        pressure; ``flow_error_to_wanted_rel`` the same against the wanted
        lift. ``settled``: hands still, lift and pressure where they were
        asked for, and the flow within 0.1 % of what it comes to.
        """
        plant, operator = self.plant, self.operator
        wish = operator.wish
        wanted_lift_m = wish.lift_m if wish.lift_m is not None else operator.lift_m
        error, to_wanted = self._flow_error(operator.lift_m), self._flow_error(wanted_lift_m)
        lift_there = operator.lift_doing == "holding" and (
            wish.fitted != "head" or abs(operator.lift_m - wanted_lift_m) <= LIFT_TOLERANCE_M
        )
        band_pa = PRESSURE_BAND_REL * wish.test_pressure_pa or 1.0
        pressure_there = abs(plant.test_pressure_pa - wish.test_pressure_pa) <= band_pa
        return {
            "t_s": self.t_s,
            "direction": plant.direction,
            "meter_range": plant.meter_range,
            "fitted": operator.fitted,
            "lift_m": operator.lift_m,
            "wanted_lift_m": wanted_lift_m,
            "lift_doing": operator.lift_doing,
            "bump_m": operator.bump_m,
            "test_pressure_pa": plant.test_pressure_pa,
            "wanted_test_pressure_pa": wish.test_pressure_pa,
            "pressure_doing": operator.pressure_doing,
            "room_temperature_k": plant.room_temperature_k,
            "meter_temperature_k": plant.meter_temperature_k,
            "mass_flow_kg_s": plant.meter_kg_s,
            "flow_error_rel": error,
            "flow_error_to_wanted_rel": to_wanted,
            "settled": lift_there and pressure_there and abs(error) <= SETTLED_REL,
        }

    def _flow_error(self, lift_m: float) -> float:
        plant = self.plant
        area_m2 = self.operator.area_m2(lift_m) + self.built.leakage_m2[plant.direction]
        flux = plant.flux(plant.test_pressure_pa)
        return plant.meter_kg_s / (area_m2 * flux) - 1.0 if flux > 1.0 else 0.0

    # ------------------------------------------------------------ what the transducers read

    def _test_inh2o(self) -> float:
        return self._reading("test_pressure", self.plant.felt_test_pressure_pa() / INH2O_PA, 0.001, 50.0)

    def _meter_inh2o(self) -> float:
        return self._reading("meter_pressure", self.plant.meter_pressure_pa() / INH2O_PA, 0.0005, 20.0)

    def _lift_in(self) -> float:
        indicated_m = self.operator.lift_m + self.operator.bump_m
        return self.built.transducers["lift"].reading(indicated_m / INCH_M, self.t_s)

    def _reading(self, channel: str, value: float, noise: float, full_scale: float) -> float:
        noisy = value + self.scenario.electronic_noise * self._electronic.gauss(0.0, noise)
        return self.built.transducers[channel].reading(max(-full_scale, min(noisy, full_scale)), self.t_s)

    def _weather(self) -> tuple[float, ...]:
        plant, built = self.plant, self.built
        wet_pa = plant.vapour * built.room_pressure_pa
        humidity = wet_pa / (1.004 * saturation_pressure_pa(plant.room_temperature_k))
        true = {
            "room_pressure": built.room_pressure_pa / 1000.0,
            "room_temperature": plant.room_temperature_k - 273.15,
            "room_humidity": humidity * 100.0,
            "meter_temperature": plant.meter_temperature_k - 273.15,
        }
        return tuple(built.transducers[channel].reading(value, self.t_s) for channel, value in true.items())
