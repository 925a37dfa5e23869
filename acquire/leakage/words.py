"""What a pull says of its leakage: how much, from which run, how old; or why it was not measured."""

from collections.abc import Callable

from acquire.age import age_said, duration_said
from acquire.flow.statement import Statement
from acquire.records import ArchivedPull, LeakageLaw

Flow = Callable[[float], str]
"""Prints a flow (m3/s) with its unit."""


def below_m3_s(pull: ArchivedPull, law: LeakageLaw) -> float | None:
    """The flow, stated at the reference, that a leak too small to tell stays below; None for one that was told."""
    return None if law.below_m2 is None else Statement(pull.config.reference).flow_m3_s(law.below_m2)


def amount_said(pull: ArchivedPull, flow: Flow) -> str:
    """What was subtracted: ``"2.1 cfm subtracted"`` or ``"leak below 0.4 cfm, none subtracted"``."""
    law = pull.leakage
    assert law is not None
    areas = sorted(point.flow.leakage_m3_s for point in pull.in_force.values()) or [0.0]
    values = [flow(areas[0]), flow(areas[-1])]
    stated = values[0] if values[0] == values[-1] else f"{values[0].split()[0]} to {values[-1]}"
    below = below_m3_s(pull, law)
    if below is None:
        return f"{stated} subtracted"
    return f"leak below {flow(below)}, {'none' if law.area_m2 <= 0.0 else stated} subtracted"


def measured_said(pull: ArchivedPull) -> str:
    """When its blank-plate run was, and how old that was when the pull began."""
    law = pull.leakage
    assert law is not None
    return f"measured {law.measured_utc[:10]}, {age_said(law.measured_utc, pull.started_utc)}"


def too_old_said(pull: ArchivedPull) -> str:
    """The blank-plate run that was too old to be used; empty where there was none."""
    basis = pull.basis
    if not basis.old_leakage_utc:
        return ""
    age = age_said(basis.old_leakage_utc, pull.started_utc)
    limit = duration_said(pull.config.leakage.age_limit_s)
    return f"blank-plate pull {basis.old_leakage_pull} is {age}, the limit is {limit}"
