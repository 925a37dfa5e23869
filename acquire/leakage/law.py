"""A leakage law at a test pressure: its area, and how well that is known."""

import math

from acquire.records import LeakageLaw


def leakage_area_m2(law: LeakageLaw, test_pressure_pa: float) -> float:
    """Leakage area at a test pressure; 0 where there is no test pressure."""
    if not test_pressure_pa > 0.0:
        return 0.0
    if law.gap_uncertainty_m2 is None:
        return law.area_m2 * _power(law, test_pressure_pa)
    return max(law.area_m2 - law.gap_area_m2 * (1.0 - _root(law, test_pressure_pa)), 0.0)


def leakage_uncertainty_m2(law: LeakageLaw, test_pressure_pa: float) -> float:
    """Its standard uncertainty at that test pressure.

    Away from the law's own pressure it counts too how much of the leak is a
    gap. A law of one exponent, as earlier versions kept it, counts 0.1 of
    exponent where that was fitted and 0.29 (anywhere from 0 to 0.5) where not.
    """
    if not test_pressure_pa > 0.0:
        return 0.0
    if law.gap_uncertainty_m2 is None:
        doubt = 0.1 if law.exponent else 0.5 / math.sqrt(3.0)
        away = law.area_m2 * doubt * math.log(test_pressure_pa / law.reference_pressure_pa)
        return math.hypot(law.standard_uncertainty_m2, away) * _power(law, test_pressure_pa)
    root = _root(law, test_pressure_pa)
    if law.area_m2 == 0.0:
        # a bound: it holds at every lower pressure, and grows as a gap's area at a higher one
        return law.standard_uncertainty_m2 * max(root, 1.0)
    away = 1.0 - root
    variance = law.standard_uncertainty_m2**2 - 2.0 * away * law.covariance_m4 + (away * law.gap_uncertainty_m2) ** 2
    return math.sqrt(max(variance, 0.0))


def _power(law: LeakageLaw, test_pressure_pa: float) -> float:
    return float((test_pressure_pa / law.reference_pressure_pa) ** law.exponent)


def _root(law: LeakageLaw, test_pressure_pa: float) -> float:
    return math.sqrt(test_pressure_pa / law.reference_pressure_pa)
