"""What a stated flow means, in words: the convention travels with the number."""

from acquire.config import BenchConfig, Reference
from acquire.units import Water, from_si
from acquire.values import Convention

_MEANINGS: dict[Convention, str] = {
    "same restriction": " in reference air {air}: the flow that the same restriction would pass",
    "by mass": ": the mass flow from the day's air (as a volume of reference air, {air}); it moves with the weather",
    "as is": ": the volume flow of the day's air at its density upstream of the port; it moves with the weather",
}


def meaning(convention: Convention, reference_air: str) -> str:
    """What follows "cfm at 28 inH2O"; ``reference_air`` as it is to be said."""
    return _MEANINGS[convention].format(air=reference_air)


def flow_unit_said(unit: str, convention: Convention) -> str:
    """The unit with its convention where that is not the usual one: ``"cfm by mass"``."""
    return unit if convention == "same restriction" else f"{unit} {convention}"


def convention_said(config: BenchConfig, unit: str | None = None) -> str:
    """``steadydraw show``: test pressure, meaning, reference air; ``unit`` in place of the bench's."""
    return (
        f"{flow_unit_said(unit or config.display.flow, config.reference.convention)} at "
        f"{stated_at_said(config.reference, config.display.pressure, config.water)}"
        f"{meaning(config.reference.convention, reference_air_said(config))}"
    )


def stated_at_said(reference: Reference, unit: str, water: Water) -> str:
    """The reference test pressure in the operator's unit."""
    return f"{from_si(reference.test_pressure_pa, unit, water):.5g} {unit}"


def reference_air_said(config: BenchConfig) -> str:
    """The reference air in the operator's units."""
    its, display = config.reference, config.display
    humidity = "dry" if its.air_humidity == 0 else f"{100 * its.air_humidity:.3g} %RH"
    return (
        f"{from_si(its.air_pressure_pa, display.barometer, config.water):.6g} {display.barometer}, "
        f"{from_si(its.air_temperature_k, display.temperature):.4g} {display.temperature}, {humidity}"
    )
