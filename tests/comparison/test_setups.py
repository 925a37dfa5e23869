"""What differs between set-ups, and what it stops."""

from typing import Any

import pytest

from acquire.comparison.setups import same_way
from acquire.records import ArchivedPull
from tests.sheet.example import pull


def heads(first: dict[str, Any], second: dict[str, Any], where: str = "subject_changes") -> list[ArchivedPull]:
    wanted: list[dict[str, Any]] = [{where: changes} for changes in (first, second)]
    return [pull(**changes) for changes in wanted]


def test_two_pulls_of_one_set_up_differ_in_nothing() -> None:
    found = same_way([pull(), pull()])
    assert found.comparable
    assert not any(its.differs for its in found.attributes)


def test_the_factor_is_named_and_stops_nothing() -> None:
    pulls = heads({"details": {"plug position": "raised"}}, {"details": {"plug position": "straight"}})
    found = same_way(pulls, factor="Plug position")
    assert found.factor is not None
    assert found.factor.values == ("raised", "straight")
    assert found.comparable
    assert found.listed == ()


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"bore_fixture_diameter": "4.125 in"}, "bore fixture"),
        ({"inlet_treatment": "none"}, "inlet treatment"),
        ({"gasket_fitted": False}, "gasket fitted"),
        ({"spark_plug_fitted": False}, "spark plug fitted"),
        ({"test_pressure": "25 inH2O"}, "test pressure"),
    ],
)
def test_a_difference_of_the_set_up_stops_the_verdict_unless_it_is_overridden_by_name(
    changes: dict[str, Any], name: str
) -> None:
    pulls = heads({}, changes, "setup_changes")
    assert [its.name for its in same_way(pulls).stopping] == [name]
    overridden = same_way(pulls, override=[name])
    assert overridden.comparable
    assert [its.name for its in overridden.overridden] == [name]


def test_a_difference_of_the_heads_is_only_listed() -> None:
    found = same_way(heads({}, {"intake_valve_diameter": "2.050 in"}))
    assert found.comparable
    assert [its.name for its in found.listed] == ["valve diameter"]


def test_intake_is_never_compared_with_exhaust() -> None:
    assert "direction" in [its.name for its in same_way([pull("intake"), pull("exhaust")]).stopping]


def test_millimetres_and_inches_of_the_same_length_are_the_same() -> None:
    same = heads({"bore_fixture_diameter": "4.000 in"}, {"bore_fixture_diameter": "101.6 mm"}, "setup_changes")
    assert same_way(same).comparable


def test_capitals_and_spaces_make_no_difference() -> None:
    same = heads({"inlet_treatment": "Radius  plate"}, {"inlet_treatment": "radius plate "}, "setup_changes")
    assert same_way(same).comparable


def test_a_factor_that_nobody_names_or_that_is_the_same_is_said() -> None:
    with pytest.raises(ValueError, match="no pull says anything about 'plug colour'"):
        same_way([pull(), pull()], factor="plug colour")
    with pytest.raises(ValueError, match="in all pulls"):
        same_way([pull(), pull()], factor="bore fixture")
