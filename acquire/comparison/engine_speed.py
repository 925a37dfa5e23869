"""When an engine asks more of a port than it can pass: Taylor's inlet Mach index."""

import math

SPEED_OF_SOUND_20C_M_S = 343.3
"""Dry air at 20 C (CoolProp gives 343.34 m/s at 101.325 kPa)."""

KNEE = 0.6
"""Volumetric efficiency falls steeply from about here on; texts say 0.5 to 0.6."""


def inlet_mach_index(
    bore_m: float,
    stroke_m: float,
    valve_diameter_m: float,
    valves: int,
    mean_coefficient: float,
    speed_rpm: float,
    sound_m_s: float = SPEED_OF_SOUND_20C_M_S,
) -> float:
    """Z = (piston area * mean piston speed) / (valve area * mean flow coefficient * speed of sound).

    ``mean_coefficient``: mean of the flow coefficient on the valve head's
    area over the open period. Source: C. F. Taylor, The Internal-Combustion
    Engine in Theory and Practice, vol. 1, ch. 6. Check: bore 101.6, stroke
    88.4, valve 51.3 mm, 0.40, 6500 rpm, 343.3 m/s -> 0.547096.
    """
    for name, value in (
        ("bore", bore_m),
        ("stroke", stroke_m),
        ("valve diameter", valve_diameter_m),
        ("number of valves", valves),
        ("mean flow coefficient", mean_coefficient),
        ("engine speed", speed_rpm),
    ):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"the {name} must be above zero, not {value:g}")
    if valve_diameter_m >= bore_m:
        raise ValueError(
            f"a valve of {valve_diameter_m * 1e3:.1f} mm does not fit a bore of {bore_m * 1e3:.1f} mm: check both units"
        )
    piston_speed_m_s = 2.0 * stroke_m * speed_rpm / 60.0
    return (bore_m / valve_diameter_m) ** 2 * piston_speed_m_s / (valves * mean_coefficient * sound_m_s)


def speed_at_knee_rpm(
    bore_m: float,
    stroke_m: float,
    valve_diameter_m: float,
    valves: int,
    mean_coefficient: float,
    knee: float = KNEE,
    sound_m_s: float = SPEED_OF_SOUND_20C_M_S,
) -> float:
    """The engine speed at which the index reaches the knee: it rises in proportion to speed."""
    at_one = inlet_mach_index(bore_m, stroke_m, valve_diameter_m, valves, mean_coefficient, 1.0, sound_m_s)
    return knee / at_one
