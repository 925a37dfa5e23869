"""What goes to the template: every required item, in words that a buyer understands."""

import csv
import hashlib
import io
import json
import math
from dataclasses import replace
from typing import Any

import pytest

from acquire.records import ArchivedPull
from acquire.sheet import SheetError
from acquire.sheet.data import arrange, rows_of, series_of, units_of_sheet
from acquire.sheet.make import sheet_data
from acquire.sheet.points_csv import digest_of, payload_of, points_csv
from acquire.units import CFM_M3_S, INCH_M
from tests.sheet import example


def data_of(*pulls: ArchivedPull) -> dict[str, Any]:
    ordered = arrange(pulls)
    units = units_of_sheet(ordered)
    return sheet_data(ordered, units, points_csv(ordered, units))


def said(*pulls: ArchivedPull) -> str:
    """All text of a sheet, spaces made plain."""
    return json.dumps(data_of(*pulls), ensure_ascii=False).replace("\N{NO-BREAK SPACE}", " ")


def values_of(data: dict[str, Any], table: str) -> dict[str, list[str]]:
    return {label: [value.replace("\N{NO-BREAK SPACE}", " ") for value in values] for label, values in data[table]}


# ---------------------------------------------------------------- which pulls


@pytest.mark.parametrize(
    ("pulls", "sentence"),
    [
        ([], "no pull was given"),
        ([example.pull(), example.pull("exhaust"), example.pull()], "3 were given"),
        ([example.pull(), example.pull()], "both intake pulls"),
        (
            [example.pull(), example.pull("exhaust", subject_changes={"identifier": "HL-0428"})],
            "of head 'HL-0427' and pull 42 of head 'HL-0428'",
        ),
        ([example.pull(points=())], "no point taken"),
        (
            [example.pull(), example.pull("exhaust", config=example.bench(reference={"test_pressure": "10 inH2O"}))],
            "different reference conditions",
        ),
        (
            [
                replace(
                    example.pull(),
                    request=example.pull().request.model_copy(
                        update={"kind": "leakage", "lifts_m": (), "test_pressures_pa": (7000.0,)}
                    ),
                )
            ],
            "is a leakage run",
        ),
    ],
)
def test_pulls_that_no_sheet_can_hold_are_refused_in_one_sentence(pulls: list[ArchivedPull], sentence: str) -> None:
    with pytest.raises(SheetError, match=sentence) as refused:
        arrange(pulls)
    assert "\n" not in str(refused.value)


def test_the_intake_comes_first_whatever_the_order() -> None:
    ordered = arrange([example.pull("exhaust"), example.pull()])
    assert [pull.request.direction for pull in ordered] == ["intake", "exhaust"]


# ---------------------------------------------------------------- what is printed


def test_every_required_item_is_printed() -> None:
    text = said(example.pull(), example.pull("exhaust"))
    for item in (
        "Harrow Lane Cylinder Works",
        "14 Harrow Lane",
        "flow@harrowlane.example",
        "HL-0427",
        "Four-valve iron head",
        "cylinder 2",
        "2.020 in",
        "1.600 in",
        "order 5518",
        "Seats cut to three angles",
        "4.030 in",
        "radius inlet plate",
        "straight pipe",
        "fitted, reach 0.750 in",
        "62.5 cm³",
        "light checking springs",
        "28 inH₂O",
        "100.82 kPa station, 22.2 °C, 43 % RH",
        "yes, at all 8 lifts",
        "test +0.03, meter −0.01 inH₂O",
        "within the limits",
        "1.62 cfm subtracted, measured 2026-11-14",
        "to the stated lift, at most 0.31 cfm",
        "meter calibration 81 %",
        "air density",
        "cfm at 28 inH₂O in reference air 101.325 kPa, 20 °C, dry: the flow that the same restriction would pass",
        "1 inH₂O is 249.089 Pa",
        "2026-11-14",
        "Bench 1, steadydraw 0.1.0",
        "large",
        example.CERTIFICATE,
        "R. Okafor-Lind",
        "test pressure: serial:///dev/ttyUSB0",
        "8f3c2a91d4e7",
        "b07de5516c2f",
    ):
        assert item in text, item


def test_nothing_is_ever_printed_as_none_or_nan() -> None:
    bare = example.pull(
        config=example.bench(shop={}, name=""),
        subject_changes=dict.fromkeys(("model", "port", "order_reference", "remarks"), "")
        | {"intake_valve_diameter": None, "exhaust_valve_diameter": None},
        setup_changes=dict.fromkeys(("inlet_treatment", "springs"), "")
        | {"bore_fixture_diameter": None, "chamber_volume": None, "spark_plug_reach": None},
        zeros_before=None,
        zeros_after=None,
        leakage=None,
        version="",
    )
    points = [
        replace(
            p,
            room=replace(p.room, pressure_pa=math.nan),
            flow=replace(p.flow, flow_m3_s=math.nan, half_width_95_m3_s=math.inf, budget=()),
        )
        for p in bare.points
    ]
    text = said(replace(bare, points=tuple(points)))
    assert "not given" in text
    for word in ("None", "nan", "NaN", "inf"):
        assert word not in text.replace("information", ""), word


def test_the_table_holds_each_lift_once_with_both_directions() -> None:
    pulls = arrange([example.pull(lifts_in=(0.1, 0.2, 0.3)), example.pull("exhaust", lifts_in=(0.1, 0.25, 0.3))])
    rows = rows_of(pulls, units_of_sheet(pulls))
    assert [row.lift for row in rows] == ["0.100", "0.200", "0.250", "0.300"]
    assert [[cell is not None for cell in row.cells] for row in rows] == [
        [True, True],
        [True, False],
        [False, True],
        [True, True],
    ]


def test_a_row_shows_flow_interval_pressure_and_steadiness() -> None:
    pulls = arrange([example.pull()])
    cell = rows_of(pulls, units_of_sheet(pulls))[3].cells[0]
    assert cell is not None
    assert (cell.flow, cell.half_width) == ("256.2", "1.2")
    assert (cell.held, cell.sd) == ("28.03", "0.05")
    assert cell.over_diameter == "0.198"  # 0.400 / 2.020


def test_metric_units_are_used_throughout() -> None:
    metric = example.bench(display={"pressure": "kPa", "lift": "mm", "flow": "l/s"})
    text = said(example.pull(config=metric))
    assert "l/s at 6.9745 kPa in reference air" in text
    assert "51.31 mm" in text
    assert "inH₂O" not in text
    assert "cfm" not in text


def test_marked_points_carry_their_letters_and_only_used_letters_are_explained() -> None:
    pull = example.pull()
    points = list(pull.points)
    points[2] = replace(points[2], taken_by="hand", settled=False)
    points[4] = replace(points[4], take=2, hold=replace(points[4].hold, held=False))
    data = data_of(replace(pull, points=tuple(points)))
    assert [row["cells"][0]["marks"] for row in data["rows"]] == ["", "", "hu", "", "pr", "", "", ""]
    assert dict(data["marks"]) == {
        "h": "taken by hand",
        "u": "not settled",
        "p": "test pressure did not hold",
        "r": "taken again, the last take is printed",
    }
    assert data_of(example.pull())["marks"] == []
    assert values_of(data, "measured")["Did it hold?"][0].startswith("no, not at 0.500 in")


def test_the_last_take_is_the_one_that_is_printed() -> None:
    pull = example.pull()
    again = replace(pull.points[0], take=2, flow=replace(pull.points[0].flow, flow_m3_s=50 * CFM_M3_S))
    data = data_of(replace(pull, points=(*pull.points, again)))
    assert data["rows"][0]["cells"][0]["flow"] == "50.0"


# ---------------------------------------------------------------- what must be said near the top


def test_a_sound_pull_has_no_warning() -> None:
    data = data_of(example.pull(), example.pull("exhaust"))
    assert data["notices"] == []
    assert data["stamp"] == ""


def test_a_simulated_pull_is_stamped() -> None:
    simulated = example.pull(sources=dict.fromkeys(example.SOURCES, "sim://bench"))
    assert data_of(simulated)["stamp"] == "SIMULATED BENCH: not a measurement"
    assert data_of(simulated, example.pull("exhaust"))["stamp"].endswith("(intake pull)")


def test_an_aborted_an_unfinished_and_an_incomplete_pull_say_so() -> None:
    whole = example.pull()
    part = whole.points[:5]
    assert data_of(replace(whole, points=part, outcome="aborted"))["notices"] == [
        "The intake pull was aborted: 5 of 8 lifts were taken."
    ]
    assert data_of(replace(whole, points=part, outcome=None))["notices"] == [
        "The intake pull has not ended: 5 of 8 lifts are taken so far."
    ]
    incomplete = data_of(replace(whole, points=part, skipped=(5, 6)))
    assert incomplete["notices"] == ["The intake pull is incomplete: 5 of 8 lifts were taken."]
    assert [row["cells"][0]["state"] for row in incomplete["rows"]] == ["taken"] * 5 + ["skipped"] * 2 + ["not taken"]


def test_marks_of_the_pull_and_unsettled_points_come_to_the_top_the_gravest_first() -> None:
    pull = example.shifted(example.pull(outcome="aborted"))
    points = (replace(pull.points[0], settled=False, hold=replace(pull.points[0].hold, held=False)), *pull.points[1:])
    notices = data_of(replace(pull, points=points))["notices"]
    starts = ("The intake pull was aborted", "The intake pull: the test pressure zero moved by 0.09 inH2O")
    assert notices[0].startswith(starts[0])
    assert notices[1].startswith(starts[1])
    assert "did not hold at 0.100" in notices[2]
    assert "not settled at 0.100" in notices[3]


def test_what_was_not_measured_or_checked_is_said() -> None:
    data = data_of(example.pull(leakage=None, zeros_before=None, zeros_after=None))
    measured = values_of(data, "measured")
    assert measured["Leakage"] == ["leakage not measured: none subtracted, 4 mm² allowed for in ±"]
    assert measured["Zeros subtracted"] == ["not read: no zeros were subtracted"]
    assert measured["Zero shift"] == ["not checked"]


def test_a_zero_shift_beyond_the_limit_is_said() -> None:
    pull = example.pull()
    assert pull.zeros_after is not None
    data = data_of(replace(pull, zeros_after=replace(pull.zeros_after, test_pressure_pa=0.12 * example.INH2O)))
    assert values_of(data, "measured")["Zero shift"] == [
        "test +0.09, meter 0.00 inH₂O, lift 0.000 in: BEYOND the limits"
    ]


def test_room_air_entered_by_hand_is_named_as_such() -> None:
    sources = {name: source for name, source in example.SOURCES.items() if not name.startswith("room")}
    config = example.bench(room={"pressure": "100.8 kPa", "entered": "2026-11-14 08:00"})
    text = said(example.pull(sources=sources, config=config))
    assert "room pressure, room temperature, room humidity: entered by hand, 2026-11-14 08:00" in text


# ---------------------------------------------------------------- for machines


def test_the_attached_figures_equal_the_pull_s_to_the_last_bit() -> None:
    pulls = arrange([example.pull(), example.pull("exhaust")])
    rows = list(csv.DictReader(io.StringIO(points_csv(pulls, units_of_sheet(pulls)).decode("utf-8"))))
    points = [(pull, point) for pull in pulls for point in pull.in_force.values()]
    assert len(rows) == len(points) == 16
    for row, (pull, point) in zip(rows, points, strict=True):
        assert row["direction"] == pull.request.direction
        assert row["pull_uid"] == pull.uid
        for column, value in (
            ("flow_m3_s", point.flow.flow_m3_s),
            ("half_width_95_m3_s", point.flow.half_width_95_m3_s),
            ("effective_area_m2", point.flow.effective_area_m2),
            ("standard_uncertainty_m2", point.flow.standard_uncertainty_m2),
            ("step_lift_m", point.step_lift_m),
            ("measured_lift_m", point.lift_m),
            ("test_pressure_mean_pa", point.hold.mean_pa),
            ("test_pressure_sd_pa", point.hold.sd_pa),
            ("leakage_m3_s", point.flow.leakage_m3_s),
            ("room_temperature_k", point.room.temperature_k),
        ):
            assert float(row[column]) == value, column
        assert row["settled"] == "yes"


def test_the_attached_printed_figures_are_those_of_the_table() -> None:
    pulls = arrange([example.pull()])
    units = units_of_sheet(pulls)
    rows = list(csv.DictReader(io.StringIO(points_csv(pulls, units).decode("utf-8"))))
    table = [cell for row in rows_of(pulls, units) for cell in row.cells if cell]
    assert [(row["printed_flow"], row["printed_half_width_95"]) for row in rows] == [
        (cell.flow, cell.half_width) for cell in table
    ]


def test_the_payload_names_the_pulls_and_a_digest_that_anybody_can_check() -> None:
    pulls = arrange([example.pull(), example.pull("exhaust")])
    csv_bytes = points_csv(pulls, units_of_sheet(pulls))
    digest = hashlib.sha256(csv_bytes).hexdigest()[:16]
    assert payload_of(pulls, csv_bytes) == f"steadydraw pull 8f3c2a91d4e7 b07de5516c2f sha256:{digest}"
    other = points_csv([example.pull(lifts_in=(0.1, 0.2))], units_of_sheet(pulls))
    assert digest_of(other) != digest


def test_the_curve_breaks_where_a_step_was_skipped_and_hollows_marked_points() -> None:
    pull = example.pull()
    points = [point for point in pull.points if point.step != 3]
    points[0] = replace(points[0], settled=False)
    pull = replace(pull, points=tuple(points), skipped=(3,))
    series = series_of(pull, units_of_sheet([pull]))
    assert [math.isnan(flow) for flow in series.flow] == [step == 3 for step in range(8)]
    assert series.sound == (False, True, True, False, True, True, True, True)
    assert series.lift[0] == pytest.approx(pull.request.lifts_m[0] / INCH_M)
    assert series.band == pytest.approx(2.0)


# ---------------------------------------------------------------- coefficients in doubt


def test_a_coefficient_above_one_is_marked_and_explained_once_with_its_lifts() -> None:
    pulls = [example.pull(subject_changes={"intake_valve_diameter": "1.0 in"}), example.pull("exhaust")]
    data = data_of(*pulls)
    assert [row["cells"][0]["marks"] for row in data["rows"]] == ["c"] * 6 + ["", ""]
    assert ["c", "Cd in doubt, see below"] in data["marks"]
    assert len(data["flags"]) == 1
    assert data["flags"][0].startswith(
        "Intake, Cd at 0.100, 0.200, 0.300, 0.400, 0.500, 0.600 in: coefficient above 1 "
    )
    assert "check the valve diameter" in data["flags"][0]
    assert data_of(example.pull())["flags"] == []


def test_two_like_valves_are_named_and_their_curtains_added() -> None:
    one, two = (data_of(example.pull(subject_changes={"intake_valve": {"count": count}})) for count in (1, 2))
    assert dict(two["head"])["Intake valve"] == ["2 × 2.020\N{NO-BREAK SPACE}in"]
    single, double = (float(data["rows"][0]["cells"][0]["coefficient"]) for data in (one, two))
    assert double == pytest.approx(single / 2, abs=0.001)


def test_a_valve_diameter_that_is_missing_is_said_once_and_for_its_direction() -> None:
    both = {"intake_valve_diameter": None, "exhaust_valve_diameter": None}
    none = said(example.pull(subject_changes=both), example.pull("exhaust", subject_changes=both))
    assert none.count("Cd need the valve diameter: not given.") == 1
    without = {"exhaust_valve_diameter": None}
    some = said(example.pull(subject_changes=without), example.pull("exhaust", subject_changes=without))
    assert some.count("not given for the exhaust valve.") == 1
    assert "Cd: effective area" in some
