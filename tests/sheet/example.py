"""Plausible archived pulls of an invented head in an invented shop, made by hand."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from acquire.config import BenchConfig
from acquire.records import ArchivedPull, LeakageLaw, PullRequest, Setup, Subject
from acquire.units import CFM_M3_S, INCH_M
from acquire.values import AirState, Capture, Component, Direction, FlowResult, Hold, Mark, Point, Zeros

INH2O = 249.08891
TARGET_PA = 28 * INH2O
# the ideal nozzle at 28 inH2O of reference air passes about 108 m/s through its throat
AREA_PER_FLOW = 1 / 107.6
CERTIFICATE = "C-2231 of 2026-03-02"
LIFTS_IN = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
SOURCES = {
    "test_pressure": "serial:///dev/ttyUSB0",
    "meter_pressure": "serial:///dev/ttyUSB0",
    "lift": "serial:///dev/ttyUSB1",
    "room_pressure": "serial:///dev/ttyUSB2",
    "room_temperature": "serial:///dev/ttyUSB2",
    "room_humidity": "serial:///dev/ttyUSB2",
}


def bench(**changes: Any) -> BenchConfig:
    """An invented bench; ``changes`` replace whole tables."""
    table: dict[str, Any] = {
        "name": "Bench 1",
        "shop": {
            "name": "Harrow Lane Cylinder Works",
            "address": "14 Harrow Lane, Millbridge MB4 7QT",
            "contact": "flow@harrowlane.example, +00 555 0143",
        },
        "meter": {
            "ranges": {
                "large": {
                    "area": "9.6 cm2",
                    "accuracy": "0.5 %",
                    "highest_pressure": "16 inH2O",
                    "certificate": CERTIFICATE,
                }
            }
        },
        "instruments": {"box": {"driver": "none"}},
    }
    return BenchConfig.model_validate(table | changes, context={"text": True})


def flow_cfm(direction: Direction, lift_in: float) -> float:
    """A smooth invented port: rises, then levels off."""
    most = 312.0 if direction == "intake" else 221.0
    return most * math.tanh(2.9 * lift_in) * (1 - 0.05 * max(0.0, lift_in - 0.65))


def point(direction: Direction, step: int, lift_in: float, **changes: Any) -> Point:
    """A settled point at this lift."""
    flow = flow_cfm(direction, lift_in) * CFM_M3_S
    area = flow * AREA_PER_FLOW
    relative = 0.0021 + 0.0008 / (1 + 4 * lift_in)
    wiggle = math.sin(7.0 * step + 2.2 * (direction == "exhaust"))
    tilt = (9.0 if direction == "intake" else 24.0) * wiggle
    made = Point(
        step=step,
        take=1,
        t_us=40_000_000 + step * 25_000_000,
        taken_by="settled",
        settled=True,
        remark="",
        step_lift_m=lift_in * INCH_M,
        lift_m=(lift_in + 0.0004 * wiggle) * INCH_M,
        test_pressure_pa=TARGET_PA + tilt,
        meter_pressure_pa=1500 + 100.0 * step,
        room=AirState(100_820.0, 295.35, 0.43),
        meter_temperature_k=296.1,
        meter_range="large",
        capture=Capture(
            t_start_us=38_000_000 + step * 25_000_000,
            t_end_us=40_000_000 + step * 25_000_000,
            area_m2=area,
            standard_uncertainty_m2=area * 0.0008,
            dof=28.0,
            noise_m2=area * 0.002,
            correlation_time_s=0.3,
            drift_m2_per_s=0.0,
            n=400,
            n_independent=29.0,
            rejected=0,
            reached=True,
            reason="",
        ),
        hold=Hold(
            target_pa=TARGET_PA,
            band_pa=0.02 * TARGET_PA,
            mean_pa=TARGET_PA + tilt,
            deviation_pa=tilt,
            sd_pa=(11.0 if direction == "intake" else 17.0) + 3 * wiggle,
            slope_pa_per_s=0.4 * wiggle,
            largest_excursion_pa=38.0 * (1 if wiggle > 0 else -1),
            inside_share=1.0,
            n=400,
            held=True,
            reason="all samples inside the band",
        ),
        flow=FlowResult(
            mass_flow_kg_s=flow * 1.2,
            effective_area_m2=area,
            standard_uncertainty_m2=area * relative,
            dof=60.0,
            coverage_factor=2.0,
            flow_m3_s=flow,
            half_width_95_m3_s=2.0 * relative * flow,
            leakage_m3_s=1.62 * CFM_M3_S,
            lift_correction_m3_s=-0.31 * wiggle * CFM_M3_S,
            budget=(
                Component("meter calibration", 9.6e-4, "m2", 2.4e-6, "normal", 60.0, 0.0020, True),
                Component("reading scatter", area, "m2", area * 0.0008, "t", 28.0, 0.0008, False),
                Component("lift", lift_in * INCH_M, "m", 1.3e-5, "rectangular", 1e9, 0.0005, False),
                Component("leakage", 7e-6, "m2", 4e-7, "normal", 12.0, 0.0002, True),
            ),
        ),
    )
    return replace(made, **changes)


def subject(**changes: Any) -> Subject:
    """An invented head."""
    table: dict[str, Any] = {
        "identifier": "HL-0427",
        "model": "Four-valve iron head, series B",
        "port": "cylinder 2",
        "intake_valve_diameter": "2.020 in",
        "exhaust_valve_diameter": "1.600 in",
        "order_reference": "order 5518, position 3",
        "remarks": "Seats cut to three angles, guides new. Ports as cast, bowls blended by hand.",
    }
    return Subject.model_validate(table | changes)


def setup(direction: Direction, **changes: Any) -> Setup:
    """A set-up for this direction."""
    table: dict[str, Any] = {
        "bore_fixture_diameter": "4.030 in",
        "inlet_treatment": "radius inlet plate, clay fillet" if direction == "intake" else "none",
        "outlet_treatment": "none" if direction == "intake" else "straight pipe, 1.75 in by 8 in",
        "gasket_fitted": True,
        "spark_plug_fitted": True,
        "spark_plug_reach": "0.750 in",
        "chamber_volume": "62.5 cc",
        "springs": "light checking springs",
        "remarks": "",
    }
    return Setup.model_validate(table | changes)


def pull(
    direction: Direction = "intake",
    lifts_in: Sequence[float] = LIFTS_IN,
    *,
    subject_changes: dict[str, Any] | None = None,
    setup_changes: dict[str, Any] | None = None,
    **changes: Any,
) -> ArchivedPull:
    """A complete, sound, measured pull; ``changes`` replace its fields."""
    request = PullRequest(
        direction=direction,
        subject=subject(**(subject_changes or {})),
        setup=setup(direction, **(setup_changes or {})),
        meter_range="large",
        lifts_m=tuple(lift * INCH_M for lift in lifts_in),
        operator="R. Okafor-Lind",
    )
    zeros = Zeros(1_000_000, 0.03 * INH2O, -0.01 * INH2O, 0.0)
    made = ArchivedPull(
        id=41 if direction == "intake" else 42,
        uid="8f3c2a91d4e7" if direction == "intake" else "b07de5516c2f",
        request=request,
        config=bench(),
        started_utc="2026-11-14T09:12:44+00:00" if direction == "intake" else "2026-11-14T09:31:02+00:00",
        ended_utc="2026-11-14T09:20:10+00:00" if direction == "intake" else "2026-11-14T09:38:27+00:00",
        outcome="complete",
        version="0.1.0",
        sources=dict(SOURCES),
        points=tuple(point(direction, step, lift) for step, lift in enumerate(lifts_in)),
        skipped=(),
        zeros_before=zeros,
        zeros_after=replace(zeros, t_us=400_000_000, test_pressure_pa=0.04 * INH2O),
        marks=(),
        leakage=LeakageLaw(
            pull_id=39,
            direction=direction,
            measured_utc="2026-11-14T08:40:00+00:00",
            reference_pressure_pa=TARGET_PA,
            area_m2=7.1e-6,
            standard_uncertainty_m2=4e-7,
            dof=12.0,
        ),
        sessions=(),
    )
    return replace(made, **changes)


def shifted(made: ArchivedPull) -> ArchivedPull:
    """The same pull with a zero that moved, and its mark."""
    mark = Mark(
        "zero_shift", "the test pressure zero moved by 0.09 inH2O over the pull, more than the limit of 0.05 inH2O"
    )
    return replace(made, marks=(*made.marks, mark))
