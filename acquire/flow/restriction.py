"""Compressible flow through a restriction: the ideal nozzle and expansibility.

Source: Heywood, Internal Combustion Engine Fundamentals, appendix C; ISO 5167
for the expansibility factors. The functions trust their arguments (absolute
pressures above zero, a ratio within (0, 1]); only arithmetic and powers are
used, so that the budget's traced numbers pass through them, and arrays of
samples where an argument is typed so.
"""

from acquire.flow.elementwise import N, anywhere, constant, piecewise, power, root


def critical_pressure_ratio(kappa: float) -> float:
    """Throat over upstream pressure at which the ideal nozzle chokes (0.5283 for 1.4)."""
    ratio: float = (2.0 / (kappa + 1.0)) ** (kappa / (kappa - 1.0))
    return ratio


def ideal_mass_flux(p0_pa: N, rho0_kg_m3: N, dp_pa: N, kappa: float) -> N:
    """Mass flux of an ideal nozzle from stagnation (p0, rho0), in kg/(s m2).

    The downstream pressure is p0 - dp; beyond choking the flux stays at its
    highest. Check: 101325 Pa, 1.204118 kg/m3, 6974.489 Pa, 1.4 -> 124.730.
    """
    ratio = 1.0 - dp_pa / p0_pa
    # no gas chokes above 0.61, so that the critical ratio is not worked out for every sample
    if anywhere(ratio < 0.61):
        choked = ratio <= critical_pressure_ratio(kappa)
        flux: N = piecewise(choked, _highest_flux, _free_flux, p0_pa, rho0_kg_m3, ratio, kappa)
        return flux
    return _free_flux(p0_pa, rho0_kg_m3, ratio, kappa)


def _free_flux(p0_pa: N, rho0_kg_m3: N, ratio: N, kappa: float) -> N:
    # density ratio d; the temperature ratio is ratio / d, which saves a power for every sample
    density_ratio = power(ratio, 1.0 / kappa)
    return root(density_ratio * (density_ratio - ratio) * p0_pa * rho0_kg_m3 * 2.0 * kappa / (kappa - 1.0))


def _highest_flux(p0_pa: N, rho0_kg_m3: N, _ratio: N, kappa: float) -> N:
    return choked_mass_flux(p0_pa, rho0_kg_m3, kappa)


def choked_mass_flux(p0_pa: N, rho0_kg_m3: N, kappa: float) -> N:
    """The highest mass flux of an ideal nozzle, in kg/(s m2)."""
    exponent = (kappa + 1.0) / (kappa - 1.0)
    flux: N = root(kappa * p0_pa * rho0_kg_m3 * (2.0 / (kappa + 1.0)) ** exponent)
    return flux


def pressure_drop_pa(p0_pa: float, rho0_kg_m3: float, flux_kg_s_m2: float, kappa: float) -> float:
    """The pressure difference for a mass flux: the inverse of :func:`ideal_mass_flux`.

    Raises ``ValueError`` for a flux that no ideal nozzle passes from there.
    """
    highest = choked_mass_flux(p0_pa, rho0_kg_m3, kappa)
    if not 0.0 <= flux_kg_s_m2 <= highest:
        raise ValueError(
            f"a mass flux of {flux_kg_s_m2:g} kg/(s m2) is not possible: "
            f"from {p0_pa:g} Pa the nozzle passes 0 to {highest:g}"
        )
    low, high = 0.0, p0_pa * (1.0 - critical_pressure_ratio(kappa))
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if ideal_mass_flux(p0_pa, rho0_kg_m3, middle, kappa) < flux_kg_s_m2:
            low = middle
        else:
            high = middle


def nozzle_expansibility(ratio: N, kappa: float, beta: float = 0.0) -> N:
    """Expansibility factor of a nozzle or venturi tube, ISO 5167-3 and -4.

    ``ratio`` = p2/p1, ``beta`` = throat over pipe diameter (0: a chamber
    wall). Check: 0.75, 1.2, 0.75 -> 0.7690 (ISO 5167-4 table A.1).
    """
    expansibility: N = piecewise(ratio < 1.0, _nozzle_expansibility, constant(1.0), ratio, kappa, beta)
    return expansibility


def _nozzle_expansibility(ratio: N, kappa: float, beta: float) -> N:
    density_ratio = power(ratio, 1.0 / kappa)
    factor = kappa / (kappa - 1.0) * density_ratio * (density_ratio - ratio) / (1.0 - ratio)
    if beta > 0.0:
        factor = factor * (1.0 - beta**4) / (1.0 - beta**4 * (density_ratio * density_ratio))
    return root(factor)


def plate_expansibility(ratio: N, kappa: float, beta: float = 0.0) -> N:
    """Expansibility factor of a sharp-edged orifice, ISO 5167-2:2003 eq. (5).

    Holds for ratio >= 0.75. Check: 0.75, 1.2, beta 0.1 -> 0.9252 (table A.12).
    """
    slope = 0.351 + 0.256 * beta**4 + 0.93 * beta**8 if beta else 0.351
    expansibility: N = 1.0 - slope * (1.0 - power(ratio, 1.0 / kappa))
    return expansibility


def plate_expansibility_uncertainty(ratio: float, kappa: float) -> float:
    """Relative standard uncertainty of :func:`plate_expansibility` in a chamber wall.

    ISO 5167-2, 5.3.3.2 states 3.5 (dp/p1)/kappa % at 95 % within its scope. A
    plate without a pipe lies outside, so that figure is taken as one standard
    uncertainty: about a tenth of the correction itself.
    """
    return 0.035 * (1.0 - ratio) / kappa
