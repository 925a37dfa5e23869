"""Moist air and its flow through a nozzle and a sharp-edged plate, coded for the simulated bench alone.

SI throughout. Pressures are absolute unless the name says ``test`` or ``drop``.
"""

import math

KAPPA = 1.4
GAS_CONSTANT = 8.314462618  # J/(mol K)
DRY_AIR_KG_MOL = 28.96546e-3  # 400 ppm CO2
WATER_KG_MOL = 18.01528e-3
INH2O_PA = 249.08891  # conventional water column, NIST SP 811
INCH_M = 0.0254
CFM_M3_S = 0.3048**3 / 60


def saturation_pressure_pa(temperature_k: float) -> float:
    """Vapour pressure over water by the Magnus form of the WMO guide no. 8, about 0.1 % at room temperature."""
    celsius = temperature_k - 273.15
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def vapour_share(pressure_pa: float, temperature_k: float, humidity: float) -> float:
    """Mole fraction of water; 1.004 is the enhancement factor near one atmosphere."""
    return 1.004 * humidity * saturation_pressure_pa(temperature_k) / pressure_pa


def density(pressure_pa: float, temperature_k: float, vapour: float) -> float:
    """Density in kg/m3 of air with mole fraction ``vapour`` of water.

    Two gases with the second virial coefficient of dry air (Hyland & Wexler
    1983, coefficients from memory). Check: CIPM-2007 within 0.02 %.
    """
    t = temperature_k
    virial_m3_mol = (34.9568 - 6687.72 / t - 2101410.0 / t**2 + 92474600.0 / t**3) * 1e-6
    compressibility = 1.0 + virial_m3_mol * pressure_pa / (GAS_CONSTANT * t)
    molar_mass = DRY_AIR_KG_MOL * (1.0 - vapour) + WATER_KG_MOL * vapour
    return pressure_pa * molar_mass / (compressibility * GAS_CONSTANT * t)


def nozzle_flux(upstream_pa: float, upstream_density: float, downstream_pa: float) -> float:
    """Mass flow per throat area of an ideal nozzle fed from rest, kg/(s m2).

    Isentropic flow of a perfect gas, choked below the critical ratio.
    Check: 101325 Pa, 1.204118 kg/m3, 28 inH2O below it -> 124.73008.
    """
    if downstream_pa >= upstream_pa:
        return 0.0
    critical = (2.0 / (KAPPA + 1.0)) ** (KAPPA / (KAPPA - 1.0))
    ratio = max(downstream_pa / upstream_pa, critical)
    expansion = ratio ** (2.0 / KAPPA) - ratio ** ((KAPPA + 1.0) / KAPPA)
    return math.sqrt(2.0 * KAPPA / (KAPPA - 1.0) * upstream_pa * upstream_density * expansion)


def plate_expansibility(upstream_pa: float, drop_pa: float) -> float:
    """Expansibility of a sharp-edged plate in a wall: ISO 5167-2 with beta = 0."""
    return 1.0 - 0.351 * (1.0 - math.pow(1.0 - drop_pa / upstream_pa, 1.0 / KAPPA))


def plate_mass_flow(area_m2: float, upstream_pa: float, upstream_density: float, drop_pa: float) -> float:
    """Mass flow in kg/s through a plate of effective area ``area_m2``."""
    return area_m2 * plate_expansibility(upstream_pa, drop_pa) * math.sqrt(2.0 * upstream_density * drop_pa)


def plate_drop_pa(
    area_m2: float, mass_flow_kg_s: float, known_pa: float, known_density: float, known_is_upstream: bool
) -> float:
    """Pressure drop in Pa that goes with a mass flow, signed like it.

    ``known_pa`` and ``known_density`` belong to the plate's upstream side, or
    to its downstream side (a meter that blows into the plenum), where the
    upstream pressure is the known one plus the drop. The drop is capped at a
    fifth of the known pressure, where no blower of a bench comes near.
    """
    highest = 0.2 * known_pa
    dynamic = 0.5 * (mass_flow_kg_s / area_m2) ** 2
    drop = min(dynamic / known_density, highest)
    for _ in range(20):
        upstream, dense = known_pa, known_density
        if not known_is_upstream:
            upstream += drop
            dense *= upstream / known_pa
        better = min(dynamic / (dense * plate_expansibility(upstream, drop) ** 2), highest)
        if abs(better - drop) <= 1e-9 * better:
            break
        drop = better
    return math.copysign(drop, mass_flow_kg_s)
