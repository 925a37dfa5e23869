"""A repeatability study from pulls: which may take part, and what they say by lift."""

from collections.abc import Sequence
from dataclasses import dataclass

from acquire.comparison.setups import Attribute, side_by_side
from acquire.lifts import distinct_lifts
from acquire.records import ArchivedPull, Refused
from acquire.repeat.nested import nested
from acquire.repeat.record import SAME_LIFT_M, LiftRepeat, Repeatability
from acquire.units import from_si

# whatever else may differ between pulls of one study
_MAY_DIFFER = frozenset({"operator"})


@dataclass(frozen=True, slots=True)
class Study:
    """What was found, what was left out and why, and lifts that not enough pulls have."""

    record: Repeatability
    left_out: tuple[str, ...]
    noted: tuple[str, ...]


def study(groups: Sequence[Sequence[ArchivedPull]], made_utc: str, made_by: str) -> Study:
    """The study of ``groups`` of pulls, one group a mount.

    Raises :class:`Refused` with one sentence for pulls that cannot be one study.
    """
    _refuse_twice(groups)
    left_out: list[str] = []
    mounts = []
    for group in groups:
        fit = []
        for pull in group:
            reason = _unfit(pull)
            if reason:
                left_out.append(f"Pull {pull.id} is left out: {reason}.")
            else:
                fit.append(pull)
        if fit:
            mounts.append(fit)
    said = f" ({' '.join(left_out)})" if left_out else ""
    pulls = [pull for group in mounts for pull in group]
    if len(mounts) < 2:
        raise Refused(
            f"A study needs two mounts or more, and {len(mounts)} can be used{said}: take the head off, mount it "
            "again, pull again, and give each mount's pulls as one word, such as 12,13 15,16."
        )
    if len(pulls) == len(mounts):
        raise Refused(
            f"With one pull in each mount the scatter of pulls cannot be told from that of mounting{said}: "
            "pull twice or more in at least one mount."
        )
    _refuse_different(pulls)
    lifts, noted = _by_lift(mounts)
    if not lifts:
        raise Refused("No lift was taken in two mounts, and twice in one of them: use one schedule for the study.")
    first = pulls[0]
    record = Repeatability(
        made_utc=made_utc,
        made_by=made_by,
        direction=first.request.direction,
        test_pressure_pa=first.request.setup.test_pressure_pa,
        setup=setup_in_words(first),
        subject=first.request.subject.identifier,
        bench=first.config.name,
        mounts=tuple(tuple(pull.id for pull in group) for group in mounts),
        lifts=tuple(lifts),
    )
    return Study(record, tuple(left_out), tuple(noted))


def _refuse_twice(groups: Sequence[Sequence[ArchivedPull]]) -> None:
    ids = [pull.id for group in groups for pull in group]
    twice = sorted({its for its in ids if ids.count(its) > 1})
    if twice:
        raise Refused(f"Pull {twice[0]} is named twice: each pull belongs to one mount.")


def _steps(numbers: Sequence[int]) -> str:
    return f"step{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"


def _unfit(pull: ArchivedPull) -> str:
    if pull.request.kind != "lift":
        return f"it is a {pull.request.kind} run"
    if pull.outcome != "complete":
        return "it was aborted" if pull.outcome == "aborted" else "it is still open"
    loose = [point.step + 1 for point in pull.in_force.values() if point.hold.broken]
    if loose:
        return f"its test pressure did not hold at {_steps(loose)}"
    unsettled = [point.step + 1 for point in pull.in_force.values() if point.unsettled]
    if unsettled:
        return f"{_steps(unsettled)} had not settled"
    if any(mark.kind == "zero shift" for mark in pull.marks):
        return "its zeros moved"
    return ""


def _refuse_different(pulls: Sequence[ArchivedPull]) -> None:
    heads = list(dict.fromkeys(pull.request.subject.identifier for pull in pulls))
    if len({head.casefold().strip() for head in heads}) > 1:
        raise Refused(f"These are pulls of different heads ({', '.join(heads)}): a study repeats one and the same.")
    differ = [its for its in side_by_side(pulls) if its.differs and its.name not in _MAY_DIFFER]
    if differ:
        listed = "; ".join(_apart(its) for its in differ)
        raise Refused(f"These pulls were not made in the same way ({listed}): a study changes nothing but the mount.")


def _apart(its: Attribute) -> str:
    return f"{its.name}: {' / '.join(dict.fromkeys(value or 'not given' for value in its.values))}"


def _by_lift(mounts: Sequence[Sequence[ArchivedPull]]) -> tuple[list[LiftRepeat], list[str]]:
    points = [p for group in mounts for pull in group for p in pull.in_force.values()]
    lifts = distinct_lifts((p.step_lift_m for p in points if p.step_lift_m is not None), SAME_LIFT_M)
    found, noted = [], []
    unit = mounts[0][0].config.display.lift
    for lift in lifts:
        flows = [[flow for pull in group for flow in _flows_at(pull, lift)] for group in mounts]
        try:
            found.append(LiftRepeat.of(lift, nested(flows)))
        except ValueError as error:
            noted.append(f"No figure at {from_si(lift, unit):.4g} {unit}: {error}.")
    return found, noted


def _flows_at(pull: ArchivedPull, lift_m: float) -> list[float]:
    return [
        point.flow.flow_m3_s
        for point in pull.in_force.values()
        if point.step_lift_m is not None and abs(point.step_lift_m - lift_m) <= SAME_LIFT_M
    ]


def setup_in_words(pull: ArchivedPull) -> str:
    """The set-up as one line, as far as it is given."""
    its = pull.request.setup
    words = [its.inlet_treatment, its.outlet_treatment]
    if its.bore_fixture_diameter_m is not None:
        words.insert(0, f"bore fixture {its.bore_fixture_diameter_m * 1e3:.2f} mm")
    words.append("gasket" if its.gasket_fitted else "no gasket")
    words.append("spark plug" if its.spark_plug_fitted else "no spark plug")
    words += [f"{name} {value}" for name, value in sorted(its.details.items())]
    return ", ".join(word for word in words if word)
