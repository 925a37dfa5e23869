"""What the hands-off demo asks for: an invented head, an invented set-up."""

import math

from acquire.config import BenchConfig
from acquire.records import PullRequest, Setup, Subject, Template, ValveAndPort
from acquire.units import INCH_M
from acquire.values import Direction

_SUBJECT = Subject(
    identifier="Hollin 4V-117",
    model="Hollin 4V, stage B",
    port="cylinder 1",
    intake_valve_diameter_m=2.02 * INCH_M,
    exhaust_valve_diameter_m=1.60 * INCH_M,
    order_reference="WO-2031",
    intake_valve=ValveAndPort(
        seat_width_m=1.6e-3,
        seat_angle_rad=math.radians(30),
        throat_diameter_m=1.78 * INCH_M,
        stem_diameter_m=0.3125 * INCH_M,
        minimum_section_m2=2.30 * INCH_M**2,
    ),
    exhaust_valve=ValveAndPort(
        seat_width_m=1.6e-3,
        seat_angle_rad=math.radians(45),
        throat_diameter_m=1.45 * INCH_M,
        stem_diameter_m=0.3125 * INCH_M,
        minimum_section_m2=1.55 * INCH_M**2,
    ),
)


def demo_requests(config: BenchConfig) -> list[PullRequest]:
    """A blank-plate run and a lift pull, each for intake and exhaust."""
    ranges = sorted(config.meter.ranges.items(), key=lambda item: item[1].area_m2 or 0.0)
    smallest, largest = ranges[0][0], ranges[-1][0]
    reference_pa = config.reference.test_pressure_pa
    lifts = next(iter(config.schedules.values())).lifts_m
    requests = []
    directions: tuple[Direction, ...] = ("intake", "exhaust")
    for direction in directions:
        setup = Setup(
            bore_fixture_diameter_m=4.03 * INCH_M,
            inlet_treatment="radius plate, 0.5 in" if direction == "intake" else "open chamber",
            outlet_treatment="open plenum" if direction == "intake" else "straight stub, 6 in",
            gasket_fitted=True,
            spark_plug_fitted=True,
            spark_plug_reach_m=0.75 * INCH_M,
            chamber_volume_m3=62e-6,
            springs="checking springs",
            test_pressure_pa=reference_pa,
        )
        # a hole and a gap are told apart by several pressures
        pressures = (reference_pa, reference_pa / 2, reference_pa / 4)
        blank = {"kind": "leakage", "test_pressures_pa": pressures, "meter_range": smallest}
        lift = {"kind": "lift", "lifts_m": lifts, "meter_range": largest}
        common = {"direction": direction, "subject": _SUBJECT, "setup": setup, "operator": "simulated"}
        requests += [PullRequest.model_validate(common | kind) for kind in (blank, lift)]
    return requests


def demo_templates(config: BenchConfig) -> list[Template]:
    """The same lift pulls as templates, for the dashboard."""
    return [
        Template(
            name=f"demo {request.direction}",
            setup=request.setup,
            direction=request.direction,
            meter_range=request.meter_range,
            lifts_m=request.lifts_m,
        )
        for request in demo_requests(config)
        if request.kind == "lift"
    ]
