"""The points as CSV, attached to the sheet so that a machine can take the figures.

Full precision, SI, beside the printed figures. The sheet's digest is the
SHA-256 of these bytes, so that anybody can check it with the attachment alone.
"""

import csv
import hashlib
import io
from collections.abc import Sequence

from acquire.records import ArchivedPull
from acquire.sheet.data import Units

COLUMNS = (
    "direction",
    "pull_uid",
    "step",
    "take",
    "taken_by",
    "settled",
    "remark",
    "step_lift_m",
    "measured_lift_m",
    "flow_m3_s",
    "half_width_95_m3_s",
    "coverage_factor",
    "effective_area_m2",
    "standard_uncertainty_m2",
    "degrees_of_freedom",
    "mass_flow_kg_s",
    "leakage_m3_s",
    "lift_correction_m3_s",
    "test_pressure_target_pa",
    "test_pressure_mean_pa",
    "test_pressure_sd_pa",
    "test_pressure_held",
    "meter_range",
    "meter_pressure_pa",
    "room_pressure_pa",
    "room_temperature_k",
    "room_relative_humidity",
    "printed_lift",
    "printed_lift_unit",
    "printed_flow",
    "printed_half_width_95",
    "printed_flow_unit",
    "flow_convention",
    "typed",
)


def points_csv(pulls: Sequence[ArchivedPull], units: Units) -> bytes:
    """One line for each point in force, intake first, UTF-8 with CRLF (RFC 4180)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for pull in pulls:
        for point in pull.in_force.values():
            flow, hold = point.flow, point.hold
            printed_flow, printed_half = units.flow(flow.flow_m3_s, flow.half_width_95_m3_s)
            writer.writerow(
                (
                    pull.request.direction,
                    pull.uid,
                    point.step,
                    point.take,
                    point.taken_by,
                    _yes(point.settled),
                    point.remark,
                    pull.request.lifts_m[point.step],
                    point.lift_m,
                    flow.flow_m3_s,
                    flow.half_width_95_m3_s,
                    flow.coverage_factor,
                    flow.effective_area_m2,
                    flow.standard_uncertainty_m2,
                    flow.dof,
                    flow.mass_flow_kg_s,
                    flow.leakage_m3_s,
                    flow.lift_correction_m3_s,
                    hold.target_pa,
                    hold.mean_pa,
                    hold.sd_pa,
                    "typed once" if hold.unwitnessed else _yes(hold.held),
                    point.meter_range,
                    point.meter_pressure_pa,
                    point.room.pressure_pa,
                    point.room.temperature_k,
                    point.room.relative_humidity,
                    units.lift(pull.request.lifts_m[point.step]),
                    units.display.lift,
                    printed_flow.replace("\N{MINUS SIGN}", "-"),
                    printed_half,
                    units.display.flow,
                    flow.convention,
                    " ".join(point.typed),
                )
            )
    return out.getvalue().encode("utf-8")


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def digest_of(csv_bytes: bytes) -> str:
    """The first 16 hexadecimal digits of the SHA-256 of the attached points."""
    return hashlib.sha256(csv_bytes).hexdigest()[:16]


def payload_of(pulls: Sequence[ArchivedPull], csv_bytes: bytes) -> str:
    """What the QR code says."""
    return f"steadydraw pull {' '.join(pull.uid for pull in pulls)} sha256:{digest_of(csv_bytes)}"
