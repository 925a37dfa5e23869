"""An invented bench, pull and point for the archive's tests."""

from dataclasses import replace

from acquire.records import LeakageLaw, PullRequest, Setup, Subject
from acquire.store.archive import Archive
from acquire.values import AirState, Capture, Component, FlowResult, Hold, Point
from drivers.sample import Sample

UTC = "2026-03-04T05:06:07.000Z"

CONFIG = """
name = "bench A"
water = "60F"

[display]
pressure = "inH2O"
lift = "in"
flow = "cfm"
temperature = "C"

[room]
pressure = "99 kPa"
temperature = "21 C"
humidity = "40 %RH"

[meter.ranges."range 1"]
area = "18 cm2"
accuracy = "0.7 %"
highest_pressure = "8 inH2O"

[instruments.front]
driver = "lines_streamed"
port = "socket://127.0.0.1:4001"
pattern = '(?P<dp>-?[0-9.]+) (?P<q>-?[0-9.]+)'
channels.test_pressure = { field = "dp", unit = "inH2O", scale = 0.01, accuracy = 0.05 }
channels.meter_pressure = { field = "q", unit = "Pa", offset = -1.5, resolution = 1.0 }

[instruments.dial]
driver = "lines_streamed"
port = "socket://127.0.0.1:4002"
pattern = '(?P<lift>-?[0-9.]+)'
channels.lift = { field = "lift", unit = "mm" }
"""

SOURCES = {
    "test_pressure": "socket://127.0.0.1:4001",
    "meter_pressure": "socket://127.0.0.1:4001",
    "lift": "socket://127.0.0.1:4002",
}

REQUEST = PullRequest(
    direction="intake",
    subject=Subject(identifier="H-0042", model="four-valve, Größe 3", port="1", intake_valve_diameter_m=0.0365),
    setup=Setup(bore_fixture_diameter_m=0.086, inlet_treatment="radius plate", gasket_fitted=True),
    meter_range="range 1",
    lifts_m=(0.002, 0.1 + 0.2, 0.4),
    schedule_name="three steps",
    operator="Ann",
)

POINT = Point(
    step=0,
    take=1,
    t_us=12_345_678,
    taken_by="settled",
    settled=True,
    remark="",
    step_lift_m=0.002,
    lift_m=0.0020004,
    test_pressure_pa=6973.1,
    meter_pressure_pa=812.25,
    room=AirState(99_000.0, 294.15, 0.4),
    meter_temperature_k=294.9,
    meter_range="range 1",
    capture=Capture(
        t_start_us=8_000_000,
        t_end_us=12_300_000,
        area_m2=1.0 / 3.0 * 1e-3,
        standard_uncertainty_m2=2e-7,
        dof=17.3,
        noise_m2=1e-6,
        correlation_time_s=0.2,
        drift_m2_per_s=-3e-9,
        n=215,
        n_independent=20.5,
        rejected=1,
        reached=True,
        reason="",
    ),
    hold=Hold(6974.0, 140.0, 6973.1, -0.9, 6.0, 0.1, -20.5, 1.0, 215, True, ""),
    flow=FlowResult(
        mass_flow_kg_s=0.041,
        effective_area_m2=3.3e-4,
        standard_uncertainty_m2=8e-7,
        dof=180.0,
        coverage_factor=1.97,
        flow_m3_s=0.0354,
        half_width_95_m3_s=1.7e-4,
        leakage_m3_s=1e-5,
        lift_correction_m3_s=-2e-6,
        budget=(Component("meter area", 1.8e-3, "m2", 6e-6, "normal", float("inf"), 3.5e-3, True),),
    ),
)

LAW = LeakageLaw(
    pull_id=1,
    direction="intake",
    measured_utc=UTC,
    reference_pressure_pa=6974.0,
    area_m2=3.1e-6,
    exponent=0.07,
    standard_uncertainty_m2=2e-7,
    dof=3.0,
)


def point(step: int, take: int = 1) -> Point:
    """The example point at another step and take."""
    return replace(POINT, step=step, take=take)


def begin(archive: Archive, request: PullRequest = REQUEST) -> tuple[int, int]:
    """A pull with its first session: both ids."""
    pull_id = archive.begin_pull(request, CONFIG, "0.1.0", UTC, None, SOURCES)
    return pull_id, archive.open_session(pull_id, UTC, "0.1.0", CONFIG, "{}")


def second(start: int = 0, count: int = 50) -> list[Sample]:
    """About a second of samples: a front end with two numbers a line and a slow dial."""
    samples = []
    for i in range(start, start + count):
        t_us = 20_000 * i + (i * 37) % 311
        samples.append(Sample("test_pressure", t_us, 2800.0 + (i % 7) / 10, SOURCES["test_pressure"]))
        samples.append(Sample("meter_pressure", t_us, round(812.0 + (i % 11) / 4, 2), SOURCES["meter_pressure"]))
        if i % 5 == 0:
            samples.append(Sample("lift", t_us + 3, 2.0 + (i % 3) / 1000, SOURCES["lift"]))
    return samples
