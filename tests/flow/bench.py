"""An invented bench, and readings from it, for the tests of the flow maths."""

from typing import Any

from acquire.config import BenchConfig
from acquire.flow.reading import FlowModel, Neighbour, Window, ZeroUncertainty, evaluate
from acquire.records import LeakageLaw
from acquire.units import CFM_M3_S, INH2O_PA
from acquire.values import AirState, Capture, Direction, FlowResult
from drivers.base import ChannelSettings

INH2O = INH2O_PA["conventional"]
CFM = CFM_M3_S
ROOM = AirState(99000.0, 295.0, 0.45)

CHANNELS = {
    "test_pressure": ChannelSettings(unit="inH2O", accuracy=0.05, accuracy_percent_of_reading=0.1, resolution=0.01),
    "meter_pressure": ChannelSettings(unit="inH2O", accuracy=0.02, accuracy_percent_of_reading=0.1, resolution=0.01),
    "lift": ChannelSettings(unit="in", accuracy=0.001, resolution=0.0005),
    "room_pressure": ChannelSettings(unit="hPa", accuracy=1.0, resolution=0.1),
    "room_temperature": ChannelSettings(unit="F", accuracy=0.9, resolution=0.1),
    "room_humidity": ChannelSettings(unit="%RH", accuracy=3.0, resolution=0.1),
    "meter_temperature": ChannelSettings(unit="C", accuracy=0.5, resolution=0.1),
}


def bench_config(meter: dict[str, Any] | None = None, **tables: Any) -> BenchConfig:
    """The bench; ``meter`` and other tables replace its own."""
    ranges = {
        "small": {"area": "2 cm2", "accuracy": "0.5 %", "lowest_pressure": "1 inH2O", "highest_pressure": "16 inH2O"},
        "large": {"area": "8 cm2", "accuracy": "0.5 %", "lowest_pressure": "1 inH2O", "highest_pressure": "16 inH2O"},
    }
    data = {"name": "bench", "meter": meter or {"ranges": ranges}, "instruments": {"any": {}}, **tables}
    return BenchConfig.model_validate(data, context={"text": True})


def flow_model(
    direction: Direction = "intake", room: AirState = ROOM, meter_temperature_k: float = 297.0, **tables: Any
) -> FlowModel:
    """The bench's large range."""
    return FlowModel(bench_config(**tables), direction, "large", room, meter_temperature_k)


def captured(area_m2: float, standard_uncertainty_m2: float = 4e-7, dof: float = 12.3) -> Capture:
    """A settled reading of that area."""
    return Capture(0, 4_000_000, area_m2, standard_uncertainty_m2, dof, 1e-6, 0.1, 0.0, 200, 20.0, 0, True, "")


def evaluated(
    model: FlowModel | None = None,
    *,
    meter_pa: float = 8 * INH2O,
    test_pa: float = 28 * INH2O,
    lift_m: float | None = None,
    step_lift_m: float | None = None,
    neighbour: Neighbour | None = None,
    leakage: LeakageLaw | None = None,
    carry_allowance: bool = True,
    zeros: ZeroUncertainty | None = None,
    channels: dict[str, ChannelSettings] | None = None,
    capture: Capture | None = None,
) -> FlowResult:
    """A reading at those pressures, evaluated with the bench's instruments."""
    model = model or flow_model()
    capture = capture or captured(model.effective_area_m2(meter_pa, test_pa))
    return evaluate(
        model,
        capture,
        Window(test_pa, meter_pa, lift_m, step_lift_m),
        neighbour,
        leakage,
        CHANNELS if channels is None else channels,
        carry_allowance=carry_allowance,
        zeros=zeros,
    )


def leakage_law(area_m2: float = 8e-6, exponent: float = 0.0, u_m2: float = 2e-7) -> LeakageLaw:
    """A law as a blank-plate run gives it."""
    return LeakageLaw(
        pull_id=1,
        direction="intake",
        measured_utc="2026-01-01T00:00:00+00:00",
        reference_pressure_pa=28 * INH2O,
        area_m2=area_m2,
        exponent=exponent,
        standard_uncertainty_m2=u_m2,
        dof=9.0,
    )
