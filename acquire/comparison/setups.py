"""Were the heads flowed in the same way? Everything that may differ, side by side."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from acquire.records import ArchivedPull
from acquire.units import from_si

Weight = Literal["stops", "listed"]

# what makes two flows two different things: no verdict is given over a difference in these
_STOPS = "stops"


@dataclass(frozen=True, slots=True)
class Attribute:
    """One thing that could differ: its value in each pull, as text.

    ``weight``: a difference ``stops`` the verdict, or is only ``listed``.
    """

    name: str
    values: tuple[str, ...]
    weight: Weight

    @property
    def differs(self) -> bool:
        """Whether not all pulls have the same; capitals and spaces do not count."""
        return len({" ".join(value.casefold().split()) for value in self.values}) > 1


@dataclass(frozen=True, slots=True)
class SameWay:
    """How the pulls compare as tests.

    ``factor`` is the attribute under question. ``stopping`` differ, are not
    the factor and were not overridden; ``overridden`` were, by name;
    ``listed`` differ without stopping anything.
    """

    attributes: tuple[Attribute, ...]
    factor: Attribute | None
    stopping: tuple[Attribute, ...]
    overridden: tuple[Attribute, ...]
    listed: tuple[Attribute, ...]

    @property
    def comparable(self) -> bool:
        """Whether a verdict may be given."""
        return not self.stopping


def same_way(pulls: Sequence[ArchivedPull], factor: str = "", override: Sequence[str] = ()) -> SameWay:
    """Lay the pulls side by side.

    Raises ``ValueError`` with one sentence for a factor or an override that
    no attribute carries, and for a factor that is the same in all pulls.
    """
    attributes = side_by_side(pulls)
    names = {its.name.casefold(): its for its in attributes}
    for name in (factor, *override):
        if name and name.strip().casefold() not in names:
            raise ValueError(
                f"no pull says anything about {name!r}: known are {', '.join(its.name for its in attributes)}"
            )
    under_question = names[factor.strip().casefold()] if factor else None
    if under_question is not None and not under_question.differs:
        raise ValueError(
            f"{under_question.name} is {under_question.values[0] or 'not given'} in all pulls: "
            "name what the heads differ in"
        )
    allowed = {name.strip().casefold() for name in override}
    other = [its for its in attributes if its.differs and its is not under_question]
    stops = [its for its in other if its.weight == _STOPS]
    return SameWay(
        attributes=attributes,
        factor=under_question,
        stopping=tuple(its for its in stops if its.name.casefold() not in allowed),
        overridden=tuple(its for its in stops if its.name.casefold() in allowed),
        listed=tuple(its for its in other if its.weight != _STOPS),
    )


def side_by_side(pulls: Sequence[ArchivedPull]) -> tuple[Attribute, ...]:
    """Every attribute of the set-ups and heads, also those that are the same."""
    rows = [Attribute(name, tuple(read(pull) for pull in pulls), weight) for name, weight, read in _ATTRIBUTES]
    for where in ("setup", "subject"):
        details = [getattr(pull.request, where).details for pull in pulls]
        weight: Weight = "stops" if where == "setup" else "listed"
        rows += [
            Attribute(name, tuple(its.get(name, "") for its in details), weight)
            for name in dict.fromkeys(name for its in details for name in its)
        ]
    return tuple(rows)


def _length(value_m: float | None) -> str:
    return "" if value_m is None else f"{from_si(value_m, 'in'):.4f} in ({value_m * 1e3:.2f} mm)"


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _convention(pull: ArchivedPull) -> str:
    its = pull.config.reference
    pressure = from_si(its.test_pressure_pa, "inH2O", "conventional")
    return (
        f"{its.convention}, at {pressure:.4g} inH2O, {its.air_pressure_pa / 1e3:.6g} kPa, "
        f"{its.air_temperature_k - 273.15:.4g} C, {its.air_humidity * 100:.3g} %RH"
    )


def _valve(pull: ArchivedPull) -> str:
    its = pull.request.subject
    diameter = its.intake_valve_diameter_m if pull.request.direction == "intake" else its.exhaust_valve_diameter_m
    return _length(diameter)


def _ranges(pull: ArchivedPull) -> str:
    return ", ".join(sorted({point.meter_range for point in pull.in_force.values()} or {pull.request.meter_range}))


def _held_at(pull: ArchivedPull) -> str:
    its = pull.request
    wanted = {step.test_pressure_pa for step in its.steps()}
    return ", ".join(f"{from_si(value, 'inH2O', 'conventional'):.4g} inH2O" for value in sorted(wanted))


def _leakage(pull: ArchivedPull) -> str:
    return "not measured" if pull.leakage is None else "measured and subtracted"


def _calibrations(pull: ArchivedPull) -> str:
    ids = pull.basis.calibration_ids
    return ", ".join(f"{channel} {ids[channel]}" for channel in sorted(ids))


_Read = Callable[[ArchivedPull], str]
_ATTRIBUTES: tuple[tuple[str, Weight, _Read], ...] = (
    ("bench", "stops", lambda pull: pull.config.name),
    ("direction", "stops", lambda pull: pull.request.direction),
    ("flow convention", "stops", _convention),
    ("test pressure", "stops", _held_at),
    ("meter range", "stops", _ranges),
    ("bore fixture", "stops", lambda pull: _length(pull.request.setup.bore_fixture_diameter_m)),
    ("inlet treatment", "stops", lambda pull: pull.request.setup.inlet_treatment),
    ("outlet treatment", "stops", lambda pull: pull.request.setup.outlet_treatment),
    ("gasket fitted", "stops", lambda pull: _yes(pull.request.setup.gasket_fitted)),
    ("spark plug fitted", "stops", lambda pull: _yes(pull.request.setup.spark_plug_fitted)),
    ("spark plug reach", "listed", lambda pull: _length(pull.request.setup.spark_plug_reach_m)),
    ("leakage", "listed", _leakage),
    ("calibrations", "listed", _calibrations),
    ("model", "listed", lambda pull: pull.request.subject.model),
    ("port", "listed", lambda pull: pull.request.subject.port),
    ("valve diameter", "listed", _valve),
    ("springs", "listed", lambda pull: pull.request.setup.springs),
    ("operator", "listed", lambda pull: pull.request.operator),
    ("simulated", "stops", lambda pull: _yes(pull.simulated)),
)
