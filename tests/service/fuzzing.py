"""Every endpoint, asked for what its description allows and forbids; for the suite and for a longer study."""

from functools import cache
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.checks import CHECKS, load_all_checks

from acquire.service import Service, limits
from acquire.service.described import offline_document

# the description cannot say that lifts rise, or that a seat is narrower than its valve: such a request may be refused
UNSAID = ("positive_data_acceptance",)


@cache
def _schema() -> schemathesis.BaseSchema:
    load_all_checks()
    return schemathesis.openapi.from_dict(offline_document())


def operations() -> list[str]:
    """Every operation, as "GET /v1/frame"."""
    paths = offline_document()["paths"].items()
    return [f"{method.upper()} {path}" for path, its in paths for method in its]


def fuzz(service: Service, operation: str, examples: int) -> int:
    """Ask ``examples`` times for each mode; every check that makes sense. Returns how often it asked."""
    method, _, path = operation.partition(" ")
    schema = _schema()
    unsaid: list[Any] = CHECKS.get_by_names(UNSAID)
    asked = 0
    for mode in GenerationMode:
        strategy = schema[path][method].as_strategy(generation_mode=mode)

        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(strategy)
        def ask(case: Case[Any]) -> None:
            nonlocal asked
            asked += 1
            case.call_and_validate(
                base_url=service.url, headers={"Authorization": f"Bearer {service.token}"}, excluded_checks=unsaid
            )

        try:
            ask()
        except Unsatisfiable:
            assert operation == "GET /v1/health"  # it asks for nothing, so nothing can be wrong
    return asked


def without_rates() -> pytest.MonkeyPatch:
    """Asks faster than a client may, until undone."""
    patch = pytest.MonkeyPatch()
    for name in ("REQUESTS_A_SECOND", "REQUESTS_AT_ONCE", "ALL_REQUESTS_A_SECOND", "ALL_REQUESTS_AT_ONCE"):
        patch.setattr(limits, name, 1e9)
    return patch
