"""Room air entered by hand: what counts as one, how old it may be, what its age costs."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.basis import NO_BASIS, Basis
from acquire.bundled import read_bundled
from acquire.config import BenchConfig, parse_config
from acquire.flow.air import check_entered, sea_level_pressure_pa, station_pressure_pa
from acquire.pull.core import PullCore
from acquire.pull.outputs import Marked, Output
from acquire.pull.signals import Signals
from acquire.records import Action, PullRequest, Refused
from acquire.room.air import by_hand, in_force, marks_of, source_said
from acquire.room.entry import RoomEntry, age_of_entry_s, read_entry
from acquire.room.words import daemon_lines
from acquire.units import UnitError, parse_difference, parse_quantity

NOW = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
ENTRY = RoomEntry(made_utc="2026-11-20T09:00:00+00:00", pressure_pa=98000.0, temperature_k=294.0, humidity=0.4)
HOUR = 3600.0


def _bench(room: str) -> BenchConfig:
    """The demo's bench without its weather instrument."""
    text = read_bundled("demo.toml").replace("{front_end}", "/dev/a").replace("{lift_indicator}", "/dev/b")
    start = text.index("[instruments.weather]")
    return parse_config(text[:start] + f"\n[room]\n{room}\n", "bench.toml")


def _request() -> PullRequest:
    return PullRequest.model_validate(
        {"direction": "intake", "subject": {"identifier": "H1"}, "setup": {}, "meter_range": RANGE, "lifts": ["5 mm"]}
    )


ROOM = 'pressure = "99 kPa"\ntemperature = "20 C"\nhumidity = "50 %RH"\nentered = "2026-11-20 08:00"'
BENCH = _bench(ROOM)
RANGE = next(iter(BENCH.meter.ranges))


def _judged(entry_age_s: float | None = None, configured_age_s: float | None = HOUR) -> Basis:
    entry = None if entry_age_s is None else ENTRY
    return Basis(room=entry, room_age_s=entry_age_s, configured_room_age_s=configured_age_s, air_judged=True)


# ------------------------------------------------------------ which value counts


def test_an_instrument_comes_before_the_entry_and_the_entry_before_the_configuration() -> None:
    values = by_hand(BENCH, _judged(HOUR), ["room_temperature"])
    assert list(values) == ["room_pressure", "room_humidity"]
    assert (values["room_pressure"].value, values["room_humidity"].value) == (98000.0, 0.4)
    partly = ENTRY.model_copy(update={"humidity": None})
    values = by_hand(BENCH, _judged(HOUR).model_copy(update={"room": partly}), [])
    assert (values["room_pressure"].value, values["room_humidity"].value) == (98000.0, 0.5)
    assert (values["room_pressure"].from_entry, values["room_humidity"].from_entry) == (True, False)


def test_a_pull_uses_the_entry_of_its_basis_with_its_accuracy() -> None:
    own = ENTRY.model_copy(update={"pressure_accuracy_pa": 50.0})
    signals = Signals(BENCH, "intake", RANGE, None, _judged(HOUR).model_copy(update={"room": own}))
    model = signals.model()
    assert model is not None
    assert (model.room.pressure_pa, model.room.temperature_k, model.room.relative_humidity) == (98000.0, 294.0, 0.4)
    room = signals.config.room
    assert (room.pressure_accuracy_pa, room.temperature_accuracy_k) == (50.0, BENCH.room.temperature_accuracy_k)


# ------------------------------------------------------------ too old


def test_each_quantity_has_its_own_limit() -> None:
    # configured: pressure 6 h, temperature 4 h, humidity 24 h
    old = {
        hours: [v.name for v in by_hand(BENCH, _judged(hours * HOUR), []).values() if v.too_old] for hours in (3, 5, 7)
    }
    assert old == {3: [], 5: ["room temperature"], 7: ["room pressure", "room temperature"]}
    longer = BENCH.model_copy(update={"room": BENCH.room.model_copy(update={"temperature_age_limit_s": 8 * HOUR})})
    assert not by_hand(longer, _judged(7 * HOUR), [])["room_temperature"].too_old


def test_what_is_not_known_of_an_old_entry_is_carried() -> None:
    fresh, old = (in_force(BENCH, by_hand(BENCH, _judged(age * HOUR), [])).room for age in (1, 100))
    assert (fresh.pressure_accuracy_pa, fresh.temperature_accuracy_k, fresh.humidity_accuracy) == (200.0, 1.0, 0.1)
    assert (old.pressure_accuracy_pa, old.temperature_accuracy_k, old.humidity_accuracy) == (3000.0, 8.0, 0.4)
    assert (old.pressure_pa, old.temperature_k) == (fresh.pressure_pa, fresh.temperature_k)


def test_an_old_entry_is_marked_with_when_it_was_made_and_what_to_do() -> None:
    (mark,) = marks_of(by_hand(BENCH, _judged(5 * 86400.0), []))
    assert mark.kind == "room air"
    assert "pressure, temperature, humidity: entered 2026-11-20 09:00 UTC, 5 d before the pull" in mark.sentence
    assert "±30 hPa" in mark.sentence
    assert "steadydraw air" in mark.sentence


@pytest.mark.parametrize("entered", ["", "last tuesday"])
def test_a_configuration_without_a_date_that_can_be_read_counts_as_too_old(entered: str) -> None:
    bench = BENCH.model_copy(update={"room": BENCH.room.model_copy(update={"entered": entered})})
    basis = _judged(configured_age_s=age_of_entry_s(entered, NOW))
    values = by_hand(bench, basis, [])
    assert all(its.too_old for its in values.values())
    (mark,) = marks_of(values)
    assert (repr(entered) if entered else "without a date") in mark.sentence
    assert "TOO OLD" in source_said(values["room_pressure"])


def test_pulls_of_the_first_version_are_computed_as_they_were() -> None:
    assert in_force(BENCH, by_hand(BENCH, NO_BASIS, [])) is BENCH
    assert marks_of(by_hand(BENCH, NO_BASIS, [])) == []


def test_the_pull_is_marked_once_and_not_again_after_a_restart() -> None:
    basis, outputs = _judged(5 * 86400.0), list[Output]()
    core = PullCore(BENCH, _request(), basis=basis)
    outputs += core.samples([])
    outputs += core.samples([])
    assert [its.mark.kind for its in outputs if isinstance(its, Marked)] == ["room air"]
    again = PullCore(BENCH, _request(), start=core.state(), basis=basis)
    assert again.samples([]) == []
    assert [mark.kind for mark in again.view().marks] == ["room air"]
    fresh = PullCore(BENCH, _request(), basis=_judged(HOUR))
    assert fresh.samples([]) == []
    fresh.act(0, Action(kind="abort"))
    assert fresh.view().marks == ()


def test_a_pull_without_any_air_is_refused() -> None:
    with pytest.raises(Refused, match=r"room pressure and the room temperature is not known.*steadydraw air"):
        PullCore(_bench('humidity = "40 %RH"'), _request())


@pytest.mark.parametrize(
    ("entered", "age_s"),
    [
        ("2026-11-20T09:00:00+00:00", 3 * HOUR),
        ("2026-11-20 09:00", 3 * HOUR),
        ("2026-11-20", 12 * HOUR),
        ("2026-11-20T12:30:00+00:00", 0.0),
        ("2026-11-21", None),
        ("20.11.2026", None),
        ("", None),
    ],
)
def test_the_age_of_a_date(entered: str, age_s: float | None) -> None:
    assert age_of_entry_s(entered, NOW) == age_s


# ------------------------------------------------------------ what may be entered


def test_a_barometer_set_to_sea_level_is_converted_and_that_is_said() -> None:
    # U.S. Standard Atmosphere 1976: 101325 Pa at 1500 m is 84556 Pa
    entry = read_entry({"sea_level": "1013.25 hPa", "altitude": "1500 m"}, "2026-11-20T09:00:00+00:00")
    assert entry.pressure_pa == pytest.approx(84556, rel=3e-6)
    (line,) = daemon_lines(BENCH, ["room_temperature", "room_humidity"], entry, NOW)
    assert "845.6 hPa (24.97 inHg) station pressure, entered by hand 3 h ago" in line
    assert "worked out from 1013.2 hPa (29.92 inHg) at sea level and 1500 m altitude" in line
    # kept and read again it is the same
    assert RoomEntry.model_validate_json(entry.model_dump_json()) == entry


@given(st.floats(-100, 4000), st.floats(95e3, 104.9e3))
def test_station_and_sea_level_pressure_are_inverse(altitude_m: float, at_sea_pa: float) -> None:
    station_pa = station_pressure_pa(at_sea_pa, altitude_m)
    assert sea_level_pressure_pa(station_pa, altitude_m) == pytest.approx(at_sea_pa, rel=1e-9)


@pytest.mark.parametrize(
    ("given_", "said"),
    [
        ({"temperature": "68"}, "temperature: '68' is not a number with a unit"),
        ({"temperature": "293 C"}, "a room temperature of 293 C"),
        ({"temperature": "20 K"}, "is no workshop's: check the number and its unit"),
        ({"temperature": "68 C"}, "a room temperature of 68 C"),
        ({"humidity": "101 %RH"}, "a humidity of 101 %RH does not lie between 0 and 100"),
        ({"humidity": "-1 %RH"}, "does not lie between 0 and 100"),
        ({"pressure": "0 hPa"}, "a room pressure of 0 hPa"),
        ({"pressure": "29.92 Pa"}, "give the absolute station pressure"),
        ({"pressure": "1 bar", "altitude": "1500 m"}, "no station pressure at 1500 m.*if the barometer is set to sea"),
        ({"pressure": "1013 hPa", "sea_level": "1013 hPa", "altitude": "1500 m"}, "either the station's pressure"),
        ({"sea_level": "1013 hPa"}, "needs the altitude"),
        ({"sea_level": "760 hPa", "altitude": "100 m"}, "no weather's"),
        ({"sea_level": "1013 hPa", "altitude": "12 km"}, "altitude: '12 km' is not a length"),
        ({"temperature": "20 C", "temperature_accuracy": "0 K"}, "an accuracy must be above zero"),
        ({"altitude": "300 m"}, "nothing to keep"),
        ({"pressure": "nan hPa"}, "not a number with a unit"),
    ],
)
def test_a_bad_entry_is_said_in_one_sentence(given_: dict[str, str], said: str) -> None:
    with pytest.raises(ValueError, match=said) as caught:
        read_entry(given_, "2026-11-20T09:00:00+00:00")
    assert "\n" not in str(caught.value)
    assert "nan" not in str(caught.value).removeprefix("pressure: 'nan hPa'")


@pytest.mark.parametrize(
    ("room", "said"),
    [
        ('temperature = "20 K"', "room: a room temperature of"),
        ('humidity = "120 %RH"', "room: a humidity of 120 %RH"),
        ('pressure = "1013 hPa"\naltitude = "1600 m"', "room: a pressure of 1013 hPa"),
        ("temperature = 68", "room.temperature: 68 has no unit"),
    ],
)
def test_the_same_in_a_configuration_names_the_key(room: str, said: str) -> None:
    with pytest.raises(Exception, match=said):
        _bench(room)


def test_a_number_that_is_not_one_is_no_air() -> None:
    for values in ((float("nan"), None, None), (None, float("nan"), None), (None, None, float("inf"))):
        with pytest.raises(ValueError, match=r"no workshop's|does not lie"):
            check_entered(*values)


def test_an_accuracy_of_a_temperature_is_a_difference() -> None:
    assert parse_difference("0.9 F", "temperature") == pytest.approx(0.5, rel=1e-9)
    assert parse_difference("1 hPa", "pressure") == parse_quantity("1 hPa", "pressure")
    with pytest.raises(UnitError, match="not a temperature"):
        parse_difference("1 hPa", "temperature")
