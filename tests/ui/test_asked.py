import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.records import PullRequest, Setup, Subject, ValveAndPort
from acquire.ui import asked, typed
from acquire.ui.words import exact, read_quantity
from acquire.units import UnitError
from acquire.values import PullKind
from tests.ui.fake import HEAD, IN, INH2O, SUMMARY, FakeBench, point, request


def test_every_field_of_subject_and_set_up_is_asked() -> None:
    names = {name.removeprefix("subject_").removeprefix("setup_") for name in asked.FIELDS}
    assert set(Subject.model_fields) | set(Setup.model_fields) <= names
    assert set(PullRequest.model_fields) - {"subject", "setup", "schedule_name"} <= names


FULL = request(
    subject=Subject(identifier="H-1", model="m", port="2", intake_valve_diameter_m=0.0493,
                    exhaust_valve_diameter_m=0.04, order_reference="o", remarks="r",
                    details={"plug position": "raised", "seat": "45 deg"},
                    exhaust_valve=ValveAndPort(count=2, seat_width_m=0.0013, seat_angle_rad=math.radians(45),
                                               throat_diameter_m=0.034, stem_diameter_m=0.007,
                                               minimum_section_m2=0.00083)),
    setup=Setup(bore_fixture_diameter_m=0.1, inlet_treatment="clay", outlet_treatment="pipe", gasket_fitted=True,
                spark_plug_fitted=True, spark_plug_reach_m=0.019, chamber_volume_m3=62e-6, springs="test springs",
                test_pressure_pa=25 * INH2O, remarks="s", details={"clay": "12 mm radius"}),
    operator="ann",
)  # fmt: skip


@pytest.mark.parametrize(
    "again",
    [FULL, request(), request(kind="plate", lifts_m=(), schedule_name="", test_pressures_pa=(1000.0, 7000.0),
                              setup=Setup(test_pressure_pa=7000.0))],
)  # fmt: skip
def test_a_pull_asked_again_from_its_form_is_the_same_pull(again: PullRequest) -> None:
    made, faults = typed.read_form(asked.from_request(again, SUMMARY, same_head=True), SUMMARY)
    assert faults == {}
    assert made is not None
    assert made.model_dump(exclude={"lifts_m", "setup", "subject", "test_pressures_pa"}) == again.model_dump(
        exclude={"lifts_m", "setup", "subject", "test_pressures_pa"}
    )
    for name in ("setup", "subject"):
        for key, value in getattr(again, name).model_dump().items():
            got = getattr(made, name).model_dump()[key]
            alike = isinstance(value, float) or (key == "exhaust_valve" and None not in value.values())
            assert got == (pytest.approx(value, rel=1e-9) if alike else value), key
    assert made.lifts_m == pytest.approx(again.lifts_m, rel=1e-9)
    assert made.test_pressures_pa == pytest.approx(again.test_pressures_pa, rel=1e-9)


def test_a_run_on_a_plate_is_asked_again_in_the_range_that_it_was_read_with_in_the_end() -> None:
    bench = FakeBench()
    bench.last = request(kind="leakage", meter_range="large", lifts_m=(), test_pressures_pa=(2000.0, 7000.0))
    read = [replace(point(0, 10.0), t_us=i, meter_range=name) for i, name in ((1, "large"), (2, "small"))]
    pull = replace(bench.pull(3), points=(read[1], read[0]))
    assert asked.as_run(pull).meter_range == "small"
    assert asked.as_run(replace(pull, points=())).meter_range == "large"
    # a head is read in several: the next one begins with the range that it began with
    bench.last = request(meter_range="large")
    assert asked.as_run(replace(bench.pull(3), points=tuple(read))).meter_range == "large"


@pytest.mark.parametrize(
    ("before", "kind", "meter_range"),
    [("lift pull", "leakage", ""), ("leakage run, blank plate", "lift", ""), ("reference plate", "leakage", ""),
     ("lift pull", "plate", "small"), ("leakage run, blank plate", "leakage", "small")],
)  # fmt: skip
def test_a_leak_and_a_head_are_not_given_the_meter_range_of_the_other(
    before: str, kind: PullKind, meter_range: str
) -> None:
    values = asked.blank(SUMMARY) | {"kind": before, "meter_range": "small"}
    assert asked.for_kind(kind, values, SUMMARY)["meter_range"] == meter_range
    alone = SUMMARY.model_copy(update={"meter_ranges": {"only": SUMMARY.meter_ranges["small"]}})
    assert asked.for_kind(kind, values | {"meter_range": "only"}, alone)["meter_range"] == "only"


@given(st.floats(min_value=1e-5, max_value=1.0))
def test_a_written_length_is_read_back_as_it_was(length_m: float) -> None:
    assert read_quantity(exact(length_m, "in", SUMMARY), "length", "in", SUMMARY) == pytest.approx(length_m, rel=1e-8)


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("0.1 0.2 0.3", (0.1, 0.2, 0.3)),
        ("0.1, 0.2, 0.3 in", (0.1, 0.2, 0.3)),
        ("2.54 5.08 mm", (0.1, 0.2)),
        ("0.1 to 0.8 by 0.1 in", (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)),
        ("0.1 to 0.75 by 0.2", (0.1, 0.3, 0.5, 0.7)),
        ("100 200thou", (0.1, 0.2)),
    ],
)
def test_lifts_are_typed_as_a_list_or_a_range(text: str, inches: tuple[float, ...]) -> None:
    assert typed.read_list(text, "length", "in", SUMMARY) == pytest.approx([lift * IN for lift in inches])


@pytest.mark.parametrize("text", ["0.1 to 0.8 by 0", "0.8 to 0.1 by 0.1", "0 to 1 by 0.000001", "a b", "0.1 furlong"])
def test_a_list_that_makes_no_sense_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(UnitError) as caught:
        typed.read_list(text, "length", "in", SUMMARY)
    assert "\n" not in str(caught.value)


def test_another_head_does_not_inherit_what_belongs_to_one_head() -> None:
    values = asked.from_request(FULL, SUMMARY, same_head=False)
    assert (values["identifier"], values["port"], values["subject_remarks"]) == ("", "", "")
    assert values["springs"] == "test springs"


def test_a_range_that_the_bench_no_longer_has_is_not_asked_for() -> None:
    values = asked.from_request(request(meter_range="gone"), SUMMARY, same_head=True)
    assert values["meter_range"] == ""


def test_too_long_a_text_is_said_at_its_field() -> None:
    values = asked.from_request(request(subject=HEAD), SUMMARY, same_head=True) | {"springs": "x" * 300}
    made, faults = typed.read_form(values, SUMMARY)
    assert made is None
    assert list(faults) == ["springs"]


@pytest.mark.parametrize(
    ("text", "said"), [("raised", "has no name and value"), ("a: ", "has no name"), ("a: 1; a: 2", "given twice")]
)
def test_a_detail_without_name_or_value_is_said(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        typed.read_field("subject_details", text, SUMMARY)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("seat width: 1", "has no unit|not a number with a unit"),
        ("seat with: 1 mm", "no such key.*seat_width"),
        ("seat angle: 45 mm", "not a angle|not an angle"),
        ("count: 9", "less than or equal to 4"),
    ],
)
def test_a_valve_that_is_typed_wrongly_is_said(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        typed.read_field("intake_valve", text, SUMMARY)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        # a code scanned into the wrong field
        ("intake_valve_diameter_m", "4006381333931", "is too much: at most 39.370 in"),
        ("lifts_m", "0.1 1e9", "is too much: at most 3.937 in"),
        ("test_pressure_pa", "1e9", "is too much: at most 406.78 inH2O"),
        ("test_pressures_pa", "10 0 28", "each test pressure must be above zero"),
        ("lifts_m", "0.1 nan", "holds a number without end"),
        ("lifts_m", "1 to nan by 1", "holds a number without end"),
        ("lifts_m", "1,5", "could be one number or two"),
        ("lifts_m", "x" * 5000, "x…' is not a number"),
        ("setup_details", "y" * 5000, "y…' has no name and value"),
    ],
)
def test_what_cannot_be_meant_is_told_in_the_field_that_it_was_typed_in(name: str, text: str, said: str) -> None:
    kind = "leakage" if name == "test_pressures_pa" else "lift"
    values = asked.from_request(request(), SUMMARY, same_head=True) | {"meter_range": "small"}
    ready = asked.for_kind(kind, values, SUMMARY) | {"meter_range": "small"}  # type: ignore[arg-type]
    assert typed.read_form(ready, SUMMARY)[1] == {}
    made, faults = typed.read_form(ready | {name: text}, SUMMARY)
    assert made is None
    assert list(faults) == [name]
    assert said in faults[name]
    assert len(faults[name]) < 160


@pytest.mark.parametrize(
    ("text", "inches"),
    [("0,1 0,25 in", [0.1, 0.25]), ("0,1; 0,25", [0.1, 0.25]), ("0.1,0.25", [0.1, 0.25]), ("0.1, 0.25", [0.1, 0.25]),
     ("1, 2", [1, 2]), ("0,1 to 0,3 by 0,1", [0.1, 0.2, 0.3]), ("1,2,3", [1, 2, 3])],
)  # fmt: skip
def test_a_comma_parts_numbers_or_is_their_point_but_is_never_taken_for_the_other(
    text: str, inches: list[float]
) -> None:
    assert typed.read_list(text, "length", "in", SUMMARY) == pytest.approx([its * IN for its in inches])
